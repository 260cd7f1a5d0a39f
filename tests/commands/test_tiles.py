"""The `tiles` commands as an artist runs them."""

import json

import pytest
from typer.testing import CliRunner

from cagecheck.cli import app
from tests.scenes.tiles import bake, patch_low, write_obj

runner = CliRunner()


@pytest.fixture
def mesh(tmp_path):
    return write_obj(tmp_path / "hero_low.obj")


@pytest.fixture
def bakes(tmp_path):
    low, folder = patch_low(), tmp_path / "bakes"
    folder.mkdir()
    bake(low, 1001, folder / "skin_normal_1.png")
    bake(low, 1002, folder / "skin_normal_2.png")
    for material in ("leather", "metal"):
        bake(low, 1011, folder / f"{material}_normal.png", material=material)
    return folder


def run(*arguments, code=0):
    result = runner.invoke(app, [str(a) for a in arguments])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


def test_show_prints_a_table_or_json(mesh):
    text = run("tiles", "show", mesh).output
    assert "material skin spans 2 tiles: 1001, 1002" in text
    document = json.loads(run("tiles", "show", mesh, "--json", "--size", 512).output)
    assert document["map_size"] == 512
    assert document["tiles"] == [1001, 1002, 1011]
    assert len(document["rows"]) == 4


def test_show_writes_a_page_with_a_picture_of_every_tile(mesh, tmp_path):
    out = tmp_path / "out"
    document = json.loads(run("tiles", "show", mesh, "--out", out, "--json").output)
    assert document["written"] == [str(out / "tiles.html")]
    page = (out / "tiles.html").read_text()
    assert page.count("<img ") == 3 and "Material skin spans 2 tiles: 1001, 1002." in page
    assert "Tile 1011 holds 2 materials: leather, metal." in page
    assert str(tmp_path) not in page and "<script" not in page
    assert "--force" in run("tiles", "show", mesh, "--out", out, code=2).stderr
    run("tiles", "show", mesh, "--out", out, "--force")
    assert (out / "tiles.html").read_text() == page


def test_show_exits_with_one_when_faces_cross(tmp_path):
    bad = tmp_path / "bad.obj"
    bad.write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nvt .5 .5\nvt 1.5 .5\nvt .5 .9\nf 1/1 2/2 3/3\n")
    result = run("tiles", "show", bad, code=1)
    assert "1 faces cross a tile border (face 0)" in result.output


def test_bad_input_is_said_plainly(tmp_path, mesh, bakes):
    assert "cannot go on" in run("tiles", "show", tmp_path / "none.obj", code=2).stderr
    plain = tmp_path / "plain.obj"
    plain.write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    assert "no UVs" in run("tiles", "show", plain, code=2).stderr
    assert "--mesh" in run("tiles", "rename", bakes, code=2).stderr
    for extra in (("--pattern", "x"), ("--tile", "x"), ("--apply", "--undo")):
        run("tiles", "rename", bakes, "--mesh", mesh, *extra, code=2)
    run("tiles", "rename", bakes, "--undo", code=2)


def test_renaming_is_only_shown_until_applied_and_comes_back(mesh, bakes):
    before = {p.name: p.read_bytes() for p in bakes.iterdir()}
    shown = run("tiles", "rename", bakes, "--mesh", mesh, "--compose")
    assert "skin_normal_2.png -> hero_normal.1002.png" in shown.output
    assert {p.name for p in bakes.iterdir()} == set(before)
    document = json.loads(
        run("tiles", "rename", bakes, "--mesh", mesh, "--compose", "--apply", "--json").output
    )
    assert document["applied"] is True
    assert {entry["action"] for entry in document["maps"]} == {"rename", "compose"}
    visible = {p.name for p in bakes.iterdir() if p.name[0] != "."}
    assert {f"hero_normal.{t}.png" for t in (1001, 1002, 1011)} <= visible
    run("tiles", "rename", bakes, "--undo")
    assert {p.name: p.read_bytes() for p in bakes.iterdir() if p.name[0] != "."} == before


def test_what_clashes_is_left_alone_with_exit_code_one(mesh, bakes):
    result = run("tiles", "rename", bakes, "--mesh", mesh, "--apply", code=1)
    assert "2 maps were left alone" in result.output
    assert (bakes / "leather_normal.png").exists()
    assert (bakes / "hero_normal.1001.png").exists()
