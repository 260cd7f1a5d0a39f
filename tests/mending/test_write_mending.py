"""Mended meshes in files: only positions change, and nothing at all where nothing clashes."""

import json
import shutil

import jsonschema
import numpy as np
import pytest
import trimesh
from PIL import Image
from selenium.webdriver.support.wait import WebDriverWait
from typer.testing import CliRunner

import cagecheck
from cagecheck.chores.clash.find import find_clashes
from cagecheck.cli import app
from cagecheck.formats.read import read_mesh
from cagecheck.formats.write_mesh import write_mesh
from cagecheck.meshes.pose import Pose
from cagecheck.report.schemas import read_schema
from tests.browser import BROWSER, DRIVER, browser
from tests.formats.test_read_gltf import attach, put
from tests.mending.test_mend import arm, flat, sheet, sphere, tube

runner = CliRunner()


def run(*arguments):
    result = runner.invoke(app, ["clash", *map(str, arguments)])
    assert "Traceback" not in result.output
    return result


@pytest.fixture
def scene(tmp_path):
    write_mesh(sphere(), tmp_path / "ball.obj")
    write_mesh(sheet(40, flat(0.9), 3.0, "cloth"), tmp_path / "cloth.obj")
    return tmp_path


@pytest.mark.parametrize("extension", ["obj", "ply", "glb", "gltf", "stl", "obj.gz"])
def test_nothing_clashes_and_the_bytes_are_the_same(tmp_path, extension):
    cloth = tmp_path / f"cloth.{extension}"
    write_mesh(sheet(20, flat(1.1), 3.0, "cloth"), cloth)
    write_mesh(sphere(), tmp_path / "ball.obj")
    for more in ([], ["--outer", read_mesh(cloth).part_names[0]]):
        out = tmp_path / f"out{len(more)}"
        result = run(cloth, "--with", tmp_path / "ball.obj", "--mend", out, *more)
        assert result.exit_code == 0 and "Nothing was moved" in result.output, result.output
        assert (out / cloth.name).read_bytes() == cloth.read_bytes()


def test_an_obj_keeps_every_line_but_those_of_what_moved(scene):
    path = scene / "cloth.obj"
    lines = ["# made by hand", "mtllib none.mtl", *path.read_text().splitlines(), "# the end"]
    path.write_text("\r\n".join(lines) + "\r\n", newline="")
    out = scene / "out"
    result = run(path, "--with", scene / "ball.obj", "--outer", "cloth", "--mend", out,
                 "--blend", 0.2)  # fmt: skip
    assert result.exit_code == 0, result.output
    old, new = ((f / "cloth.obj").read_bytes().split(b"\r\n") for f in (scene, out))
    changed = [k for k, (a, b) in enumerate(zip(old, new, strict=True)) if a != b]
    assert changed and all(old[k].startswith(b"v ") for k in changed)
    before, after = read_mesh(path), read_mesh(out / "cloth.obj")
    moved = (before.positions != after.positions).any(axis=1)
    assert len(changed) == moved.sum() < before.vertex_count


@pytest.mark.parametrize("extension", ["ply", "glb"])
def test_files_of_float32_are_checked_as_they_were_written(tmp_path, extension):
    cloth = tmp_path / f"cloth.{extension}"
    write_mesh(sheet(40, flat(0.9), 3.0, "cloth"), cloth)
    write_mesh(sphere(), tmp_path / "ball.obj")
    out = tmp_path / "out"
    name = read_mesh(cloth).part_names[0]
    result = run(cloth, "--with", tmp_path / "ball.obj", "--outer", name, "--mend", out, "--json")
    assert result.exit_code == 0, result.output
    old, new = read_mesh(cloth), read_mesh(out / cloth.name)
    assert np.array_equal(old.corner_vertex, new.corner_vertex)
    assert not find_clashes([new, read_mesh(tmp_path / "ball.obj")]).passing


def test_frames_files_report_and_schema(tmp_path):
    for k, bend in enumerate((0.0, 0.15, 0.3)):
        write_mesh(tube(0.55, 0, around=24, along=16), tmp_path / f"sleeve_{k}.obj")
        write_mesh(arm(bend), tmp_path / f"arm_{k}.obj")
        both = cagecheck.read_mesh(tmp_path / f"sleeve_{k}.obj")
        from cagecheck.meshes.mesh import join_meshes

        write_mesh(
            join_meshes([both, read_mesh(tmp_path / f"arm_{k}.obj")]), tmp_path / f"walk_{k}.obj"
        )
    frames = [tmp_path / f"walk_{k}.obj" for k in range(3)]
    out = tmp_path / "mended"
    rest = tmp_path / "rest.obj"
    shutil.copy(frames[0], rest)
    result = run(*frames, "--rest", rest, "--mend", out, "--over-time", "one", "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.output)
    jsonschema.validate(document, read_schema("clash"))
    told = json.loads((out / "mend.json").read_text())
    jsonschema.validate(told, read_schema("mending"))
    assert told["outer"] == ["sleeve"] and told["over_time"] == "one"
    assert told["frames"][2]["depth_before"] > 0.2
    assert [f["depth_after"] for f in told["frames"]] == [0, 0, 0]
    assert [f["files"] for f in told["frames"]] == [[f.name] for f in frames]
    for frame in frames:
        assert not find_clashes([read_mesh(out / frame.name)]).passing
    heat = trimesh.load(out / "stretch_0003.ply", process=False)
    data = heat.metadata["_ply_raw"]["vertex"]["data"]
    assert data["move"].max() == pytest.approx(told["frames"][2]["largest_move"], rel=1e-5)
    assert np.abs(data["stretch"]).max() == pytest.approx(
        abs(told["frames"][2]["largest_stretch"]), rel=1e-5
    )
    assert Image.open(out / "stretch_legend.png").size[0] > 200


def test_frames_of_a_file_that_moves_are_written_as_they_stand_in_each(tmp_path):
    """A cloth that sinks by 0.2 in a second: 24 frames on its 0.1 above the ball are 0.1 in it."""
    write_mesh(sheet(20, flat(1.1), 3.0, "cloth"), tmp_path / "still.glb")
    raw = (tmp_path / "still.glb").read_bytes()
    length = int.from_bytes(raw[12:16], "little")
    tree, data = json.loads(raw[20 : 20 + length]), raw[28 + length :]
    data, times = attach(tree, data, np.array([0, 1], "<f4"), "SCALAR")
    data, sunk = attach(tree, data, np.array([[0, 0, 0], [0, 0, -0.2]], "<f4"), "VEC3")
    node = next(k for k, one in enumerate(tree["nodes"]) if "mesh" in one)
    tree["animations"] = [
        {"samplers": [{"input": times, "output": sunk}],
         "channels": [{"sampler": 0, "target": {"node": node, "path": "translation"}}]}
    ]  # fmt: skip
    moving = put(tmp_path, tree, data)
    write_mesh(sphere(), tmp_path / "ball.obj")
    out = tmp_path / "out"
    name = read_mesh(moving).part_names[0]
    result = run(moving, "--frames", "0:24:12", "--with", tmp_path / "ball.obj",
                 "--outer", name, "--mend", out, "--over-time", "smooth")  # fmt: skip
    assert result.exit_code == 0, result.output
    told = json.loads((out / "mend.json").read_text())
    assert [f["files"] for f in told["frames"]] == [
        [f"frame_{k:04d}_{moving.stem}.obj"] for k in (1, 2, 3)
    ]
    assert told["frames"][0]["frame"] == f"{moving.name} frame 0"
    assert told["frames"][0]["depth_before"] == 0 and told["frames"][2]["depth_before"] > 0.09
    for frame in told["frames"]:
        assert frame["depth_after"] == 0
        mended = read_mesh(out / frame["files"][0])
        assert not find_clashes([mended, read_mesh(tmp_path / "ball.obj")]).passing
        assert mended.vertex_count == read_mesh(moving).vertex_count
        posed = read_mesh(moving, pose=Pose(float(frame["frame"].split()[-1])))
        away = np.linalg.norm(mended.positions - posed.positions, axis=1).max()
        assert away == pytest.approx(frame["largest_move"], abs=1e-6)


@pytest.mark.long
@pytest.mark.skipif(not (BROWSER and DRIVER), reason="needs chromium and chromium-driver")
def test_the_page_steps_through_frames_and_asks_for_nothing(tmp_path):
    scenes = [[tube(0.55, 0, around=24, along=16), arm(bend)] for bend in (0.0, 0.2)]
    mending = cagecheck.mend_clashes(
        scenes, cagecheck.MendSettings(outer=("sleeve",), over_time="one")
    )
    cagecheck.write_mending(mending, tmp_path / "out", names=["straight", "bent"])
    with browser(900, 900) as driver:
        driver.get((tmp_path / "out" / "mend.html").as_uri())
        which = driver.find_element("id", "which")
        WebDriverWait(driver, 60).until(lambda _: which.text == "bent")  # the deepest first
        shown = driver.find_element("id", "model").screenshot_as_base64
        driver.execute_script("document.querySelector('input[value=before]').click()")
        assert driver.find_element("id", "model").screenshot_as_base64 != shown
        driver.find_element("css selector", "#list .pick").click()
        assert which.text == "straight"
        assert driver.find_element("id", "no-3d").get_attribute("hidden")
        assert driver.get_log("browser") == []


@pytest.mark.long
def test_a_tangled_start_is_listed_and_its_file_is_the_same(scene):
    pole = trimesh.creation.cylinder(0.3, 8, sections=48)
    write_mesh(cagecheck.mesh_from_polygons(pole.vertices, pole.faces, part="pole"),
               scene / "pole.obj")  # fmt: skip
    write_mesh(sheet(30, flat(0.0), 3, "cloth"), scene / "cloth.obj", force=True)
    out = scene / "out"
    result = run(scene / "cloth.obj", "--with", scene / "pole.obj", "--outer", "cloth",
                 "--mend", out)  # fmt: skip
    assert result.exit_code == 1 and "not mended, left as it was" in result.output
    assert (out / "cloth.obj").read_bytes() == (scene / "cloth.obj").read_bytes()


def test_what_cannot_be_used_is_said(scene):
    cloth, ball = scene / "cloth.obj", scene / "ball.obj"
    for arguments, said in (
        ((cloth, "--with", ball, "--outer", "cloth"), "--mend"),
        ((cloth, "--with", ball, "--mend", scene / "x", "--outer", "coat"), "no part named coat"),
        ((cloth, "--with", ball, "--mend", scene, "--outer", "cloth"), "folder that the meshes"),
        ((cloth, "--with", ball, "--mend", scene / "x", "--gap", 0), "--gap"),
        ((cloth, "--with", ball, "--mend", scene / "x", "--pieces"), "--pieces"),
        ((cloth, cloth, "--with", ball, "--mend", scene / "x", "--outer", "ball"), "every frame"),
    ):
        result = run(*arguments)
        assert result.exit_code == 2 and said in " ".join(result.output.split()), result.output
    assert not (scene / "x").exists()
