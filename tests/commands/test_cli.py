"""Whole commands, as a person or a script runs them."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys

import numpy as np
import pytest
import trimesh
import typer
from PIL import Image
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.commands import SUMMARIES
from tests.scenes.shapes import box, halves


def run(*arguments, cwd):
    """Run cagecheck in a process of its own; return (exit code, stdout, stderr)."""
    done = subprocess.run(
        [sys.executable, "-m", "cagecheck", *map(str, arguments)],
        cwd=cwd, capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


def run_here(*arguments, cwd):
    """Run cagecheck inside this process: where a process of its own is not the point."""
    with contextlib.chdir(cwd):
        done = CliRunner().invoke(app, [str(a) for a in arguments])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.stdout, done.stderr


def write_obj(path, positions, faces, name="ball"):
    lines = [f"o {name}"]
    lines += ["v " + " ".join(repr(float(x)) for x in p) for p in positions]
    lines += ["f " + " ".join(str(int(i) + 1) for i in f) for f in faces]
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A clean pair, a broken pair and one of every bad input."""
    folder = tmp_path_factory.mktemp("cli")
    coarse, fine = trimesh.creation.icosphere(3), trimesh.creation.icosphere(5)
    write_obj(folder / "low.obj", coarse.vertices, coarse.faces)
    write_obj(folder / "high.obj", fine.vertices, fine.faces)
    centre = fine.vertices[fine.faces].mean(axis=1)
    write_obj(folder / "holed.obj", fine.vertices, fine.faces[centre[:, 2] < 0.9])
    write_obj(folder / "huge.obj", 1000 * fine.vertices, fine.faces)
    write_obj(folder / "far.obj", fine.vertices + [500, 0, 0], fine.faces)
    write_obj(folder / "other.obj", fine.vertices[:100], [[0, 1, 2]])
    write_obj(folder / "flat.obj", [[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]])
    write_obj(folder / "nofaces.obj", coarse.vertices, [])
    write_obj(folder / "beyond.obj", coarse.vertices, [[0, 1, 99999]])
    nan = coarse.vertices.copy()
    nan[7] = np.nan
    write_obj(folder / "nan.obj", nan, coarse.faces)
    (folder / "empty.obj").write_text("")
    (folder / "words.ply").write_text("this is no mesh\n")
    data = trimesh.exchange.ply.export_ply(fine)
    (folder / "cut.ply").write_bytes(data[: len(data) // 2])
    (folder / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(64))
    (folder / "push_short.csv").write_text("vertex,offset_out\n0,0.1\n")
    (folder / "push_words.json").write_text('{"hello": 1}')
    (folder / "push.csv").write_text("\n".join(["0.02"] * len(coarse.vertices)))
    return folder


def test_clean_pair_exits_0(folder):
    code, out, err = run("predict", "low.obj", "high.obj", "--offset", 0.05, cwd=folder)
    assert code == 0 and err == ""
    assert "Clean: no defect found" in out and "Mend" not in out and "Inherent" not in out


def test_defects_exit_1_and_every_file_is_written(folder, tmp_path):
    out_folder = tmp_path / "result"
    code, out, _ = run_here(
        "predict", "low.obj", "holed.obj", "--offset", 0.05, "--samples", 5000,
        "--out", out_folder, cwd=folder,
    )  # fmt: skip
    assert code == 1 and "hole" in out
    names = {p.name for p in out_folder.iterdir()}
    assert {"heatmap.ply", "heatmap.glb", "regions.json", "regions.csv", "samples.npz"} <= names
    document = json.loads((out_folder / "regions.json").read_text())
    region = document["regions"][0]
    assert region["name"] == "miss: nothing there" and region["part"] == "ball"
    assert len(document["low"]["source"]["sha256"]) == 64
    heat = trimesh.load(out_folder / "heatmap.ply", process=False)
    fields = heat.metadata["_ply_raw"]["vertex"]["data"].dtype.names
    assert {"defect", "region", "target_distance", "start", "red"} <= set(fields)
    assert len(trimesh.load(out_folder / "heatmap.glb").geometry) == 1
    samples = np.load(out_folder / "samples.npz")
    assert samples["region"].max() >= 1 and len(samples["origin"]) == document["samples"]
    header, first = (out_folder / "regions.csv").read_text().splitlines()[:2]
    assert header.startswith("number,name,part,tile") and first.startswith("1,")


def test_results_are_not_overwritten_without_force(folder, tmp_path):
    arguments = ("predict", "low.obj", "high.obj", "--samples", 2000, "--out", tmp_path / "r")
    assert run_here(*arguments, cwd=folder)[0] in (0, 1)
    before = {p.name: p.read_bytes() for p in (tmp_path / "r").iterdir()}
    code, _, err = run_here(*arguments, cwd=folder)
    assert code == 2 and "--force" in err
    assert {p.name: p.read_bytes() for p in (tmp_path / "r").iterdir()} == before
    # In another process, where Python's own hashes are others.
    assert run(*arguments, "--force", cwd=folder)[0] in (0, 1)
    after = {p.name: p.read_bytes() for p in (tmp_path / "r").iterdir()}
    assert after == before, "same input, same bytes"


@pytest.mark.long
def test_preview_is_a_picture_and_is_refused_before_the_work(folder, tmp_path):
    picture = tmp_path / "preview.png"
    arguments = ("predict", "low.obj", "high.obj", "--samples", 500, "--size", 64)
    code, out, _ = run(*arguments, "--preview", picture, cwd=folder)
    assert code in (0, 1) and str(picture) in "".join(out.split("\n"))
    assert "cagecheck view" not in out, "there is no folder to view"
    with Image.open(picture) as image:
        assert image.format == "PNG"
    before = picture.read_bytes()
    code, out, err = run(*arguments, "--preview", picture, cwd=folder)
    assert code == 2 and "--force" in err and "Defects" not in out
    assert picture.read_bytes() == before


def test_json_is_one_document_and_quiet_otherwise(folder):
    code, out, err = run_here(
        "predict", "low.obj", "holed.obj", "--samples", 5000, "--json", cwd=folder
    )
    document = json.loads(out)
    assert code == 1 and err == "" and document["clean"] is False
    assert {t["name"] for t in document["totals"]} >= {"skew", "fold", "split"}


def test_push_and_cage_give_what_the_offset_gives(folder, tmp_path):
    def totals(*arguments):
        _, out, _ = run_here(
            "predict", "low.obj", "high.obj", "--depth", 0.1, "--reach", 0.2, "--json",
            "--samples", 20000, *arguments, cwd=folder,
        )  # fmt: skip
        return json.loads(out)["totals"]

    from cagecheck.formats.read import read_mesh
    from cagecheck.meshes.lowpoly import prepare_low
    from cagecheck.rays import cage_from_offset

    low = prepare_low(read_mesh(folder / "low.obj"))
    cage = cage_from_offset(low, 0.02)
    write_obj(folder / "cage.obj", cage.positions, low.triangles)
    uniform = totals("--offset", 0.02)
    assert totals("--push", "push.csv") == uniform
    by_mesh = totals("--cage", "cage.obj")
    for a, b in zip(uniform, by_mesh, strict=True):
        assert a["name"] == b["name"] and abs(a["percent"] - b["percent"]) < 0.05


BAD = [
    (("missing.obj", "high.obj"), "missing.obj"),
    (("low.obj", "missing.ply"), "missing.ply"),
    (("empty.obj", "high.obj"), "empty"),
    (("nofaces.obj", "high.obj"), "faces"),
    (("beyond.obj", "high.obj"), "beyond.obj"),
    (("nan.obj", "high.obj"), "nan.obj"),
    (("flat.obj", "high.obj"), "area"),
    (("words.ply", "high.obj"), "words.ply"),
    (("low.obj", "cut.ply"), "cut.ply"),
    (("low.obj", "picture.png"), "PNG"),
    (("low.obj", "huge.obj"), "1000 times"),
    (("low.obj", "far.obj"), "far.obj"),
    (("low.obj", "high.obj", "--cage", "high.obj"), "vertices"),
    (("low.obj", "high.obj", "--cage", "missing.obj"), "missing.obj"),
    (("low.obj", "high.obj", "--push", "push_short.csv"), "vertices"),
    (("low.obj", "high.obj", "--push", "push_words.json"), "push_words.json"),
    (("low.obj", "high.obj", "--push", "nothing.csv"), "nothing.csv"),
    (("low.obj", "high.obj", "--push", "push.csv", "--offset", "1"), "more than one cage"),
    (("low.obj", "high.obj", "--offset", "-1"), "--offset"),
    (("low.obj", "high.obj", "--depth", "0"), "--depth"),
    (("low.obj", "high.obj", "--density", "-3"), "--density"),
    (("low.obj", "high.obj", "--texels", "256"), "no UVs"),
    (("low.obj", "high.obj", "--normals", "groups"), "smoothing groups"),
    (("low.obj", "high.obj", "--pair", "nonsense"), "nonsense"),
    (("low.obj", "high.obj", "--out", "low.obj"), "low.obj"),
]


@pytest.mark.parametrize(("arguments", "says"), BAD, ids=[" ".join(a) for a, _ in BAD])
def test_bad_input_ends_in_a_plain_message_and_exit_2(folder, arguments, says, tmp_path):
    out = () if "--out" in arguments else ("--out", tmp_path / "out")
    code, _, err = run_here("predict", *arguments, *out, cwd=folder)
    message = " ".join(err.split())
    assert code == 2, err
    assert says in message and "Traceback" not in message
    assert not (tmp_path / "out").exists(), "nothing half-written is left"


def test_bad_input_in_a_process_of_its_own(folder):
    code, out, err = run("predict", "missing.obj", "high.obj", cwd=folder)
    assert code == 2 and out == "" and "missing.obj" in err and "Traceback" not in err


def test_unknown_options_exit_2(folder):
    code, _, err = run_here("predict", "low.obj", "high.obj", "--nonsense", cwd=folder)
    assert code == 2 and "nonsense" in err


def test_parts_pair_by_name_and_the_table_shows_them(folder, tmp_path):
    near, far = box((0, 0, 0), (1, 1, 1)), box((3, 0, 0), (4, 1, 1))

    def two_parts(path, names, cut):
        lines, base = [], 1
        for name, (positions, quads) in zip(names, (near, far), strict=True):
            faces = halves(quads) if cut else quads
            lines.append(f"o {name}")
            lines += ["v " + " ".join(map(str, p)) for p in positions]
            lines += ["f " + " ".join(str(i + base) for i in f) for f in faces]
            base += len(positions)
        path.write_text("\n".join(lines) + "\n")

    two_parts(tmp_path / "low.obj", ("drum_low", "key_low"), cut=False)
    two_parts(tmp_path / "high.obj", ("drum_high", "crank_high"), cut=True)
    words = ("predict", "low.obj", "high.obj", "--offset", 0.1, "--samples", 5000)
    code, out, _ = run_here(*words, cwd=tmp_path)
    assert code == 1 and "unpaired" in out and "crank_high" in out
    code, out, _ = run_here(*words, "--no-pairing", cwd=tmp_path)
    assert code == 0, out


@pytest.mark.long
def test_small_demo_runs_and_scores(tmp_path):
    code, out, err = run_here("demo", tmp_path / "d", "--detail", 0.05, "--json", cwd=tmp_path)
    assert code == 0 and err == ""
    document = json.loads(out)
    assert {s["kind"] for s in document["scores"]} >= {"skew", "fold", "back-facing"}
    assert (tmp_path / "d" / "planted.json").exists()
    assert (tmp_path / "d" / "predicted" / "heatmap.ply").exists()


def test_version_and_help():
    code, out, _ = run("--version", cwd=".")
    assert code == 0 and out.startswith("cagecheck ")
    code, out, _ = run_here("predict", "--help", cwd=".")
    assert code == 0 and "Example" in out


def test_the_list_of_commands_says_what_each_says_of_itself():
    """The list is kept apart, so that it can be shown without loading the commands."""
    group = typer.main.get_command(app)
    context = typer.Context(group)
    assert group.list_commands(context) == list(SUMMARIES)
    for name, summary in SUMMARIES.items():
        first = (group.get_command(context, name).help or "").strip().splitlines()[0]
        assert first == summary
        if hasattr(inner := group.get_command(context, name), "list_commands"):
            inside = typer.Context(inner)
            for part in inner.list_commands(inside):
                assert not inner.get_command(inside, part).get_short_help_str(60).endswith("...")


def test_a_mistyped_command_is_told_what_it_may_have_meant():
    result = CliRunner().invoke(app, ["predct"])
    assert result.exit_code == 2
    assert "No such command 'predct'. Did you mean 'predict'" in result.output
    assert "mean" not in CliRunner().invoke(app, ["zzz"]).output


def test_help_loads_no_command():
    code = (
        "import sys; from typer.testing import CliRunner; from cagecheck.cli import app; "
        "out = CliRunner().invoke(app, ['--help']).output; "
        "assert 'locate' in out; assert 'numpy' not in sys.modules, 'numpy'"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
