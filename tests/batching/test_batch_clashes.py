"""Assets of a batch that are looked at for clashes and mended: the same as `clash --mend` makes."""

import csv
import json

import jsonschema
import pytest
from typer.testing import CliRunner

from cagecheck.batching.gate import Gate
from cagecheck.batching.manifest import read_manifest
from cagecheck.batching.run import run_batch
from cagecheck.cli import app
from cagecheck.errors import InputError
from cagecheck.formats.write_mesh import write_mesh
from cagecheck.report.schemas import read_schema
from cagecheck.watching.assets import BatchWatch
from tests.mending.test_mend import flat, sheet, sphere

runner = CliRunner()
WALK = """
[[asset]]
name = "walk"
[asset.clash]
meshes = ["cloth_1.obj", "cloth_2.obj"]
with = ["ball.obj"]
"""
MEND = """
[asset.mend]
outer = ["cloth"]
gap = 0.01
over_time = "smooth"
"""


@pytest.fixture
def walk(tmp_path):
    """A cloth over a ball that reaches 0.1 and 0.2 through it."""
    write_mesh(sphere(), tmp_path / "ball.obj")
    for k in (1, 2):
        write_mesh(sheet(24, flat(1 - 0.1 * k), 3.0, "cloth"), tmp_path / f"cloth_{k}.obj")
    return tmp_path


def batch(folder, text, out="out", **more):
    (folder / "m.toml").write_text(text)
    return run_batch(read_manifest(folder / "m.toml"), folder / out, **more)


@pytest.mark.long
def test_files_are_those_of_the_command(walk, here):
    result = batch(walk, WALK + MEND)
    (row,) = result.rows
    assert row["status"] == "done" and result.passed and row["summary"] is None
    folder = walk / "out" / "assets" / "walk"
    told = runner.invoke(app, ["clash", str(walk / "cloth_1.obj"), str(walk / "cloth_2.obj"),
        "--with", str(walk / "ball.obj"), "--out", str(walk / "seen"), "--mend", str(walk / "own"),
        "--outer", "cloth", "--gap", "0.01", "--over-time", "smooth"])  # fmt: skip
    assert told.exit_code == 0, told.output
    for mine, theirs in (("clashes", "seen"), ("mended", "own")):
        names = {path.name for path in (walk / theirs).iterdir()}
        assert {path.name for path in (folder / mine).iterdir()} == names
        for name in names:
            assert (folder / mine / name).read_bytes() == (walk / theirs / name).read_bytes(), name
    document = json.loads((folder / "mended" / "mend.json").read_text())
    clashed = row["clashed"]
    assert clashed["frames"] == 2 and clashed["clashes"] == 0 and clashed["depth"] == 0
    # How deep is known: the ball's radius is 1, the cloth lies 0.8 from its middle.
    assert clashed["found"]["depth"] == pytest.approx(0.2, abs=2e-3)
    assert clashed["mending"]["gap"] == document["gap"] == 0.01
    assert clashed["mending"]["largest_move"] == max(f["largest_move"] for f in document["frames"])
    assert clashed["mending"]["over_time"] == "smooth"
    assert "proposal" in clashed["verdict"]


@pytest.mark.long
def test_table_page_and_documents(walk, here):
    result = batch(walk, WALK + MEND + WALK.replace("walk", "as it is"))
    assert not result.passed
    document = json.loads((walk / "out" / "results.json").read_text())
    jsonschema.Draft202012Validator(read_schema("batch")).validate(document)
    with (walk / "out" / "results.csv").open(newline="") as stream:
        mended, plain = csv.DictReader(stream)
    assert mended["verdict"] == "clean" and plain["verdict"] == "with defects"
    assert (mended["clashes"], mended["clashes_before_mending"]) == ("0", "2")
    assert (plain["clashes"], plain["clashes_before_mending"]) == ("2", "")
    assert float(plain["clash_depth"]) == pytest.approx(0.2, abs=2e-3)
    page = (walk / "out" / "index.html").read_text()
    for part in ("assets/walk/mended/mend.html", "assets/walk/clashes/clash.html",
                 "Nothing crosses any more", "2 of 2 frames have parts"):  # fmt: skip
        assert part in page
    assert "assets/as_it_is/mended" not in page


@pytest.mark.long
def test_done_until_a_file_or_an_option_changes(walk, here):
    def run(text):
        here.clear()
        rows = batch(walk, text).rows
        assert all(row["status"] == "done" for row in rows)
        return list(here)

    assert run(WALK) == ["walk"] and run(WALK) == []
    for name in ("ball.obj", "cloth_2.obj"):
        (walk / name).write_text((walk / name).read_text() + "# saved\n")
        assert run(WALK) == ["walk"] and run(WALK) == []
    text = WALK + MEND
    assert run(text) == ["walk"] and run(text) == []
    assert run(text.replace("0.01", "0.02")) == ["walk"]
    mended = walk / "out" / "assets" / "walk" / "mended"
    assert (mended / "stretch_0002.ply").exists()
    # Of fewer frames nothing of the others is left beside them.
    assert run(text.replace(', "cloth_2.obj"', "")) == ["walk"]
    assert {p.name for p in mended.glob("*.obj")} == {"cloth_1.obj"}
    assert not (mended / "stretch_0002.ply").exists()
    assert not (mended.parent / "clashes" / "frame_0002.ply").exists()


@pytest.mark.long
def test_thresholds_of_clashes(walk, here):
    text = "[gate]\nclash_depth = 0.15\n" + WALK + MEND + WALK.replace("walk", "as it is")
    result = batch(walk, text)
    mended, plain = result.rows
    assert mended["breaches"] == [] and not result.passed
    (said,) = plain["breaches"]
    assert said.startswith("parts pass 0.") and said.endswith("deep into each other, 0.15 allowed")
    clashed = {"clashes": 3, "depth": 0.5}
    assert Gate(clashes=3, clash_depth=0.5, regions=0).breaches(None, clashed) == []
    assert Gate(clashes=2).breaches(None, clashed) == [
        "3 places where parts pass through each other, 2 allowed"
    ]


def test_what_cannot_be_mended_stops_no_other(walk, here):
    stands = WALK.replace("walk", "stands") + MEND.replace('"cloth"', '"ball"')
    gone = WALK.replace("walk", "gone").replace("ball.obj", "none.obj") + MEND
    rows = batch(walk, stands + gone + WALK + MEND).rows
    by_name = {row["name"]: row for row in rows}
    assert by_name["stands"]["status"] == "failed"
    assert "stands in every frame" in by_name["stands"]["error"]
    assert by_name["gone"]["status"] == "failed" and "none.obj" in by_name["gone"]["error"]
    assert by_name["walk"]["status"] == "done"


def test_toml_and_csv_say_the_same(tmp_path):
    (tmp_path / "m.toml").write_text(
        '[[asset]]\nname = "walk"\n[asset.clash]\nmeshes = ["a.obj", "b.obj"]\nwith = ["c.obj"]\n'
        'ignore = 0.5\n[asset.mend]\nouter = ["coat", "hood"]\npin_borders = true\ngap = 0.1\n'
        'rest = ["r.obj"]\n[[asset]]\nname = "all"\nlow = "l.obj"\nhigh = "h.obj"\n'
        'clash = ["l.obj"]\nmend = true\n'
    )
    (tmp_path / "m.csv").write_text(
        "name,low,high,clash,clash_meshes,clash_with,clash_ignore,mend,mend_outer,"
        "mend_pin_borders,mend_gap,mend_rest\n"
        "walk,,,,a.obj;b.obj,c.obj,0.5,yes,coat;hood,yes,0.1,r.obj\n"
        "all,l.obj,h.obj,l.obj,,,,yes,,,,\n"
    )
    one, two = (read_manifest(tmp_path / name).assets for name in ("m.toml", "m.csv"))
    assert one == two
    assert dict(one[0].clash.mend) == {"outer": ["coat", "hood"], "pin_borders": True, "gap": 0.1}
    assert one[0].files["meshes 2"] == tmp_path / "b.obj" and one[1].clash.mend == {}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("mend = true\nlow = 'a'\nhigh = 'b'\n", "no meshes are named"),
        ("clash = []\n", "names no meshes"),
        ("clash = ['a']\nlow = 'a'\n", "high is missing"),
        ("clash = [1]\n", "not a list of texts"),
        ("clash = ['']\n", "not a list of paths"),
        ("clash = { meshes = ['a'], sideways = 1 }\n", "“sideways” is no option of clash"),
        ("clash = ['a']\nmend = { gap = -1 }\n", "gap"),
        ("clash = ['a']\nmend = { gap = 'wide' }\n", "mend gap is 'wide'"),
        ("clash = ['a']\nmend = { over_time = 'never' }\n", "over_time is 'never'"),
        ("clash = ['a']\nmend = { push = 1 }\n", "“push” is no option of mend"),
        ("clash = { meshes = ['a'], pieces = true }\nmend = true\n", "takes no pieces"),
        ("clash = ['a']\nmend = 3\n", "mend is 3"),
    ],
)
def test_bad_wishes_are_said_plainly(tmp_path, text, said):
    (tmp_path / "m.toml").write_text(f"[[asset]]\nname = 'x'\n{text}")
    with pytest.raises(InputError, match=said):
        read_manifest(tmp_path / "m.toml")


@pytest.mark.long
def test_the_command_says_what_was_left(walk):
    """A process of its own, from the command: a row in the table, and the verdict in words."""
    (walk / "m.toml").write_text(WALK + MEND)
    told = runner.invoke(app, ["batch", str(walk / "m.toml"), "--out", str(walk / "out")])
    assert told.exit_code == 0, told.output
    assert "walk: Nothing crosses any more" in told.output and "1 asset: 1 clean" in told.output


@pytest.mark.long
def test_a_watch_says_what_became_of_clashes(walk):
    pytest.importorskip("watchfiles", reason="the extra watch is not installed")
    (walk / "m.toml").write_text(WALK + MEND)
    watch = BatchWatch(walk / "m.toml", walk / "out")
    (words,) = (news.words for news in stopping(watch) if news.kind == "round")
    assert words.startswith("walk: Nothing crosses any more") and words.endswith("1 clean.")


def stopping(watch):
    """Go through what a watch tells, to the end of its first round."""
    for news in watch:
        if news.kind == "round":
            watch.stop()
        yield news
