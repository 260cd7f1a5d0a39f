"""`cagecheck locate` as a whole command: files in, files out, exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.formats.write_mesh import write_mesh, write_surface
from cagecheck.maps.pictures import Picture, write_picture
from tests.scenes.locating import DEPTH, OFFSET, baked_maps, make_scenery

RUN = CliRunner()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("locate")
    scenery = make_scenery(11)
    write_mesh(scenery.low, place / "hero_low.obj")
    write_surface(scenery.scene.surface, place / "hero_high.ply")
    for name, faults in (("clean", ()), ("bad", ("green-flipped", "missed"))):
        (place / name).mkdir()
        for baked in baked_maps(scenery, faults, 1)[0]:
            path = place / name / f"hero_normal.{baked.tile}.png"
            write_picture(path, Picture(baked.values), "png")
    (place / "clean" / "hero_normal.1002.png").unlink()
    return place


def run(folder: Path, maps: str, *more: str) -> tuple[int, str, str]:
    arguments = ["locate", str(folder / maps), str(folder / "hero_low.obj")]
    arguments += [str(folder / "hero_high.ply"), "--no-pairing"]
    result = RUN.invoke(app, [*arguments, *more], catch_exceptions=False)
    return result.exit_code, result.stdout, result.stderr


ASSUMED = ("--offset", str(OFFSET), "--depth", str(DEPTH))


@pytest.mark.long
def test_clean_maps_give_exit_code_0(folder: Path) -> None:
    code, said, _ = run(folder, "clean", *ASSUMED)
    assert code == 0, said
    assert "Clean" in said and "conventions: as glTF 2.0" in said


@pytest.mark.long
def test_bad_maps_give_a_whole_result_folder(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "why"
    maps = "bad/hero_normal.{tile}.png"
    code, said, _ = run(folder, maps, *ASSUMED, "--out", str(out), "--json")
    assert code == 1
    document = json.loads(said)
    assert document == json.loads((out / "location.json").read_text())
    codes = [[c["code"] for c in m["conventions"]] for m in document["maps"]]
    assert codes == [["green-flipped"], ["green-flipped"]]
    assert document["regions"][0]["name"] == "missed"
    assert document["regions"][0]["cause"] and document["regions"][0]["cure"]
    assert document["offset"]["least"] <= OFFSET <= document["offset"]["most"]
    picture = imagecodecs.png_decode((out / "marked.1001.png").read_bytes())
    assert picture.shape[1] == 512 and picture.shape[0] > 512
    assert (out / "heatmap.ply").stat().st_size > 1000
    assert (out / "regions.csv").read_text().count("\n") == 1 + len(document["regions"])
    again, _, error = run(folder, maps, *ASSUMED, "--out", str(out))
    assert again == 2 and "--force" in error


def test_without_numbers_the_scene_gives_them(folder: Path) -> None:
    code, said, _ = run(folder, "clean")
    assert code == 0, said
    assert "automatic" in said


@pytest.mark.parametrize(
    "maps,words",
    [
        ("nothing.png", "no such file"),
        ("hero_low.obj", "cannot be read"),
        ("clean/other.{tile}.png", "no file fits"),
    ],
)
def test_bad_input_is_exit_code_2(folder: Path, maps: str, words: str) -> None:
    code, _, error = run(folder, maps, *ASSUMED)
    assert code == 2
    assert words in " ".join(error.split())


@pytest.mark.long
def test_a_picture_of_something_else_fits_nothing(folder: Path, tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (512, 512, 3)).astype(np.uint8)
    write_picture(tmp_path / "photo.png", Picture(noise), "png")
    code, said, _ = run(folder, str(tmp_path / "photo.png"), *ASSUMED)
    assert code == 1
    assert "no-match" in said
