"""`cagecheck tune` as a whole: files, bytes, kept vertices, refusals."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner, Result

from cagecheck.cli import app
from cagecheck.formats.push_file import read_push
from cagecheck.formats.read import read_mesh
from cagecheck.formats.write_mesh import write_mesh, write_surface
from tests.scenes.tuning import bumpy_pair, studded_box

OPTIONS = ["--samples", "2000", "--depth", "0.08", "--reach", "0.25"]


def run(*words: object) -> Result:
    return CliRunner().invoke(app, ["tune", *map(str, words)])


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("pair")
    low, high = bumpy_pair(1)
    write_mesh(low.mesh, folder / "low.obj")
    write_surface(high, folder / "high.ply")
    return folder / "low.obj", folder / "high.ply"


@pytest.fixture(scope="module")
def tuned(pair: tuple[Path, Path]) -> tuple[Path, Result]:
    """The folder of the tuned pair, which stays as it is, and what was said."""
    out = pair[0].parent / "tuned"
    result = run(*pair, *OPTIONS, "--out", out)
    assert result.exit_code == 1, result.output
    return out, result


def test_all_files_are_written_and_agree(
    pair: tuple[Path, Path], tuned: tuple[Path, Result]
) -> None:
    out, result = tuned
    # Rays that lean out over the rim of the open sheet find nothing, which no offset cures.
    assert "% without surface)" in result.output.replace("\n", " ")
    names = {p.name for p in out.iterdir()}
    assert names >= {
        "cage.obj", "push.json", "push.csv", "offsets.ply", "offsets.glb", "single.csv",
        "curve.csv", "curve.png", "tuning.json", "report.html", "heatmap.ply", "heatmap.glb",
        "regions.json", "regions.csv", "samples.npz", "view.npz",
    }  # fmt: skip
    push = json.loads((out / "push.json").read_text())
    low, cage = read_mesh(pair[0]), read_mesh(out / "cage.obj")
    assert push["vertex_count"] == low.vertex_count == len(push["offset_out"])
    assert np.array_equal(cage.corner_vertex, low.corner_vertex)
    moved = np.linalg.norm(cage.positions - low.positions, axis=1)
    assert moved == pytest.approx(np.array(push["offset_out"]), abs=2e-6)
    offsets, sha256 = read_push(out / "push.csv")
    assert np.array_equal(offsets, push["offset_out"]) and sha256 is None
    assert push["low"]["sha256"] == low.source.sha256 if low.source else False
    document = json.loads((out / "tuning.json").read_text())
    assert document["assurance"]["open"] == 0 and document["conflicts"] == []
    single = document["single_numbers"][0]
    assert single["scope"] == "asset" and single["offset_out"] > 0


def test_the_tuned_cage_is_clean_in_predict(
    pair: tuple[Path, Path], tuned: tuple[Path, Result]
) -> None:
    out = tuned[0]
    for option, name in (("--cage", "cage.obj"), ("--push", "push.json")):
        words = ["predict", *map(str, pair), option, str(out / name), "--json", "--seed", "77",
                 "--depth", "0.08", "--reach", "0.25", "--samples", "8000"]  # fmt: skip
        totals = json.loads(CliRunner().invoke(app, words).output)["totals"]
        wrong = {t["name"]: t["samples"] for t in totals}
        assert wrong["miss: cage too tight"] == 0
        assert wrong["overshoot: own part"] == 0


@pytest.mark.long
def test_the_same_kept_vertices_give_the_same_bytes(
    pair: tuple[Path, Path], tmp_path: Path
) -> None:
    """Also with the lines of --keep in another order, and the column by its other name."""
    texts = ("vertex,offset_out\n3,0.06\n7,\n20,0.05\n", "offset,vertex\n0.05,20\n,7\n0.06,3\n")
    for name, text in zip(("a", "b"), texts, strict=True):
        keep = tmp_path / f"{name}.csv"
        keep.write_text(text)
        result = run(*pair, *OPTIONS, "--keep", keep, "--offset", "0.05", "--out", tmp_path / name)
        assert result.exit_code in (0, 1), result.output
        assert "3 vertices kept" in result.output.replace("\n", " ")
    push = json.loads((tmp_path / "a" / "push.json").read_text())["offset_out"]
    assert (push[3], push[7], push[20]) == (0.06, 0.05, 0.05)
    for first in sorted((tmp_path / "a").iterdir()):
        assert first.read_bytes() == (tmp_path / "b" / first.name).read_bytes(), first.name


def test_lines_of_an_earlier_push_file_are_a_file_to_keep(
    pair: tuple[Path, Path], tuned: tuple[Path, Result], tmp_path: Path
) -> None:
    lines = (tuned[0] / "push.csv").read_text().splitlines()
    keep = tmp_path / "keep.csv"
    keep.write_text("\n".join([lines[0], lines[5], lines[12]]) + "\n")
    assert run(*pair, *OPTIONS, "--keep", keep, "--out", tmp_path / "second").exit_code == 1
    first, second = (
        json.loads((folder / "push.json").read_text())["offset_out"]
        for folder in (tuned[0], tmp_path / "second")
    )
    assert (first[4], first[11]) == (second[4], second[11])
    assert json.loads((tmp_path / "second" / "tuning.json").read_text())["kept_vertices"] == 2


@pytest.mark.long
def test_a_cage_that_was_tuned_comes_back_byte_for_byte(
    pair: tuple[Path, Path], tuned: tuple[Path, Result], tmp_path: Path
) -> None:
    cage = tuned[0] / "cage.obj"
    held = "part:" + read_mesh(pair[0]).part_names[0]
    for name, words in (("again", ()), ("kept", ("--keep", held))):
        result = run(*pair, *OPTIONS, "--cage", cage, *words, "--out", tmp_path / name)
        assert result.exit_code == 1, result.output
        assert (tmp_path / name / "cage.obj").read_bytes() == cage.read_bytes()
    kept = json.loads((tmp_path / "kept" / "tuning.json").read_text())["kept_vertices"]
    assert kept == read_mesh(pair[0]).vertex_count


def test_existing_files_are_left_alone_without_force(
    pair: tuple[Path, Path], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "push.json").write_text("mine")
    result = run(*pair, *OPTIONS, "--out", out)
    assert result.exit_code == 2
    assert [p.name for p in out.iterdir()] == ["push.json"]
    assert (out / "push.json").read_text() == "mine"
    assert run(*pair, *OPTIONS, "--out", out, "--force").exit_code == 1


def test_kept_vertices_margin_and_limit(pair: tuple[Path, Path], tmp_path: Path) -> None:
    keep = tmp_path / "keep.csv"
    keep.write_text("vertex,offset_out\n3,0.0601\n7,\n")
    out = tmp_path / "out"
    result = run(
        *pair, *OPTIONS, "--keep", keep, "--offset", "0.05", "--margin", "0.1%", "--limit", "20%",
        "--out", out,
    )  # fmt: skip
    assert result.exit_code in (0, 1), result.output
    push = json.loads((out / "push.json").read_text())
    assert push["offset_out"][3] == 0.0601 and push["offset_out"][7] == 0.05
    document = json.loads((out / "tuning.json").read_text())
    low = read_mesh(pair[0])
    diagonal = np.linalg.norm(np.ptp(low.positions, axis=0))
    assert document["margin"] == pytest.approx(0.001 * diagonal)
    assert document["limit"] == pytest.approx(0.2 * diagonal)
    assert document["kept_vertices"] == 2


def test_what_a_limit_leaves_is_said_and_exits_with_1(pair: tuple[Path, Path]) -> None:
    result = run(*pair, *OPTIONS, "--limit", "0.005", "--json")
    assert result.exit_code == 1
    document = json.loads(result.output)
    assert document["conflicts"] and "limit" in document["conflicts"][0]["why"]
    assert document["conflicts"][0]["remedies"]


@pytest.mark.long
def test_maps_and_straightening(tmp_path: Path) -> None:
    low, high = studded_box(cells=2, fine=10)
    write_mesh(low.mesh, tmp_path / "low.glb")
    write_surface(high, tmp_path / "high.glb")
    out = tmp_path / "out"
    result = run(
        tmp_path / "low.glb", tmp_path / "high.glb", "--no-pairing", "--samples", "1500",
        "--depth", "0.05", "--reach", "0.2", "--size", "64", "--maps", "offset,depth",
        "--straighten", "--out", out,
    )  # fmt: skip
    assert result.exit_code in (0, 1), result.output
    scales = {m["file"]: m for m in json.loads((out / "maps/maps.json").read_text())["maps"]}
    assert set(scales) == {f"maps/{k}.1001.png" for k in ("offset", "depth", "straighten")}
    push = json.loads((out / "push.json").read_text())
    image = np.array(Image.open(out / "maps/offset.1001.png"))
    assert image.shape == (64, 64) and image.dtype == np.uint16
    scale = scales["maps/offset.1001.png"]["scale"]
    assert scale == pytest.approx(max(push["offset_out"]))
    used = image[image > 0] / 65535 * scale
    assert used.min() >= min(push["offset_out"]) - scale / 65535
    assert used.max() <= scale
    rows = (out / "straighten.csv").read_text().splitlines()
    assert rows[0] == "vertex,share"
    assert len(rows) == 1 + len(push["offset_out"])
    assert (out / "cage.glb").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--margin", "wide"], "--margin"),
        (["--margin", "-1"], "--margin"),
        (["--limit", "0"], "--limit"),
        (["--maps", "offset"], "--out"),
        (["--maps", "64"], "--size"),
        (["--keep", "nowhere.csv"], "no such file"),
        (["--offset", "1", "--push", "x.json"], "more than one cage"),
    ],
)
def test_bad_options_exit_with_2_and_words(
    pair: tuple[Path, Path], words: list[str], said: str
) -> None:
    result = run(*pair, *OPTIONS, *words)
    assert result.exit_code == 2
    assert said in result.output.replace("\n", " ")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "first line"),
        ("a,b\n1,2\n", "first line"),
        ("vertex,offset\nx,1\n", "does not hold numbers"),
        ("vertex,offset\n999,1\n", "999"),
        ("vertex,offset\n1,-0.5\n", "zero or more"),
        ("vertex,offset\n1,nan\n", "zero or more"),
        ("vertex,offset\n1,\n", "locks vertex"),
    ],
)
def test_bad_keep_files_exit_with_2_and_words(
    pair: tuple[Path, Path], tmp_path: Path, text: str, said: str
) -> None:
    (tmp_path / "keep.csv").write_text(text)
    result = run(*pair, *OPTIONS, "--keep", tmp_path / "keep.csv")
    assert result.exit_code == 2
    assert said in result.output.replace("\n", " ")
