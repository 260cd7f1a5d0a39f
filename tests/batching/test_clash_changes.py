"""A batch's clashes against an accepted run: a cloth over a ball, whose depths are known."""

from __future__ import annotations

import json
import re

import jsonschema
import pytest

from cagecheck.batching.clash_changes import compare_clashes
from cagecheck.batching.manifest import read_manifest
from cagecheck.batching.run import run_batch
from cagecheck.formats.write_mesh import write_mesh
from cagecheck.report.schemas import read_schema
from tests.batching.test_batch_clashes import MEND, WALK
from tests.mending.test_mend import flat, sheet, sphere


def cloth(folder, depths, name="cloth"):
    """Write a cloth for every frame that a ball of radius 1 reaches so far through."""
    write_mesh(sphere(), folder / "ball.obj", force=True)
    for k, depth in enumerate(depths, start=1):
        write_mesh(sheet(24, flat(1 - depth), 3.0, name), folder / f"cloth_{k}.obj", force=True)


def batch(folder, out, text=WALK, **more):
    (folder / "m.toml").write_text(text)
    return run_batch(read_manifest(folder / "m.toml"), folder / out, **more)


@pytest.fixture
def accepted(here, tmp_path):
    """A run in which the ball reaches 0.1 and 0.2 through the cloth."""
    cloth(tmp_path, (0.1, 0.2))
    batch(tmp_path, "accepted")
    return tmp_path / "accepted"


def compared(accepted, **more):
    (row,) = batch(accepted.parent, "now", against=accepted, **more).rows
    return row["compared"]


def test_the_same_clashes_are_nothing_worse(accepted):
    result = batch(accepted.parent, "now", against=accepted)
    (row,) = result.rows
    assert result.passed and row["breaches"] == []
    assert row["compared"]["summary"] == "clashes as they were"
    assert row["compared"]["clashes"]["unchanged"] == 1
    jsonschema.validate(result.to_dict(), read_schema("batch"))


def test_a_deeper_clash_is_told_with_both_depths_and_its_frame(accepted):
    cloth(accepted.parent, (0.1, 0.25))
    result = batch(accepted.parent, "now", against=accepted)
    (row,) = result.rows
    assert not result.passed and row["compared"]["clashes"]["deeper"] == 1
    (said,) = row["breaches"]
    assert "deeper since the accepted run" in said and "cloth_2.obj and 1 more frame" in said
    now, then = (float(x) for x in re.findall(r"(0\.\d+) (?:deep|there)", said))
    assert (now, then) == pytest.approx((0.25, 0.2), abs=2e-3)
    assert "Since the accepted run" in (accepted.parent / "now" / "index.html").read_text()


@pytest.mark.parametrize(
    ("depths", "became"),
    [((0.1, 0.1), "shallower"), ((-0.1, 0.2), "unchanged"), ((-0.1, -0.1), "gone"),
     ((0.1, 0.205), "unchanged")],
)  # fmt: skip
def test_what_is_no_worse_passes(accepted, depths, became):
    cloth(accepted.parent, depths)
    found = compared(accepted)
    assert found["clashes"][became] == 1 and found["breaches"] == []


def test_more_frames_of_the_same_depth_are_worse(here, tmp_path):
    cloth(tmp_path, (-0.1, 0.2))
    batch(tmp_path, "accepted")
    cloth(tmp_path, (0.2, 0.2))
    found = compared(tmp_path / "accepted")
    assert found["clashes"]["in more frames"] == 1 and "in 1 frame there" in found["breaches"][0]


def test_another_pair_is_new(accepted):
    cloth(accepted.parent, (0.1, 0.2), "scarf")
    found = compared(accepted)
    assert found["clashes"]["new"] == found["clashes"]["gone"] == 1
    assert found["breaches"][0].startswith("new since the accepted run:")
    assert "scarf" in found["breaches"][0]


@pytest.mark.long
def test_what_is_left_after_mending_counts(accepted):
    assert compared(accepted, text=WALK + MEND)["clashes"]["gone"] == 1
    batch(accepted.parent, "mended", text=WALK + MEND)
    found = compared(accepted.parent / "mended")
    assert found["clashes"]["new"] == 1 and found["breaches"]


def test_a_run_without_clashes_has_none_to_compare(accepted):
    result = accepted / "assets" / "walk" / "result.json"
    row = json.loads(result.read_text())
    result.write_text(json.dumps(row | {"clashed": None}))
    assert compared(accepted) is None


@pytest.mark.parametrize("text", ["", "[]", '{"frames": [{}]}'])
def test_a_damaged_record_is_told(accepted, text):
    (accepted / "assets" / "walk" / "clashes" / "clash.json").write_text(text)
    found = compared(accepted)
    assert found["error"] and found["breaches"][0].startswith("cannot be compared")


def test_parts_wholly_inside_do_not_count(tmp_path):
    hit = {"part": "a", "other": "b", "depth": 1.0, "tolerance": 0.0}
    for name, kind in (("old", "through"), ("new", "inside")):
        folder = tmp_path / name / "clashes"
        folder.mkdir(parents=True)
        record = {"frames": [{"frame": "one", "clashes": [hit | {"kind": kind}]}]}
        (folder / "clash.json").write_text(json.dumps(record))
    row = {"clashed": {"mending": None}}
    old, new = ((row, tmp_path / name) for name in ("old", "new"))
    counts = compare_clashes(old, new)["counts"]
    assert counts["gone"] == 1 and counts["new"] == 0
    assert compare_clashes(new, old)["counts"]["new"] == 1
