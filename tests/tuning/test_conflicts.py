"""Conflicts: each kind made on purpose, named, and mended by the remedy that was applied."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.defects.reasons import Reason, Values
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import join_meshes
from cagecheck.tuning.conflict_reasons import ConflictCause
from cagecheck.tuning.conflicts import KINDS, NOTHING_HELPS, Conflict, Remedy, explain_conflicts
from cagecheck.tuning.loops import least_move
from cagecheck.tuning.single import single_numbers, uniform_prediction
from cagecheck.tuning.tune import Tuning, tune
from tests.scenes.tuning import BUMPS, bumpy_pair, sheet, surface_of, tuned_bumps

QUICK = BUMPS


def test_a_limit_that_is_too_low_is_named_and_raising_it_mends_it() -> None:
    held = tuned_bumps(0.5 * float(tuned_bumps().offset_out.max()))
    conflicts = explain_conflicts(held)
    assert conflicts
    worst = conflicts[0]
    assert "limit" in worst.why and worst.own == "part0" and worst.clash > 0
    best = worst.remedies[0]
    assert best.kind in ("raise offset", "move loop")
    assert best.wrong_before > best.wrong_after


def test_kept_vertices_that_hold_the_cage_down_are_named() -> None:
    low, high = bumpy_pair(7)
    keep = np.full(low.mesh.vertex_count, np.nan)
    keep[[13, 14, 15, 19, 20, 21]] = 0.0
    conflicts = explain_conflicts(tune(low, high, settings=QUICK, keep=keep))
    assert any("kept vertices" in c.why for c in conflicts)
    assert all(r.wrong_before > 0 for c in conflicts for r in c.remedies)


@pytest.fixture(scope="module")
def plates() -> Tuning:
    """`crossing_plates` tuned."""
    low, high, paired = crossing_plates()
    return tune(low, high, paired=paired, settings=QUICK)


def crossing_plates() -> tuple:
    """Plate a at z = 0 with its surface below it, and plate b, which lies between the two.

    Rays of a start at 0 or above, so they meet b first whatever the offset.
    """
    low = join_meshes(
        [
            replace(sheet(4, lambda x, y: 0 * x), part_names=("a",)),
            replace(sheet(2, lambda x, y: 0 * x - 0.01, size=0.5), part_names=("b",)),
        ]
    )
    high = surface_of(
        sheet(8, lambda x, y: 0 * x - 0.03), sheet(4, lambda x, y: 0 * x - 0.01, size=0.5)
    )
    return prepare_low(low), high, np.eye(2, dtype=bool)


def test_a_part_in_front_of_another_is_named_and_leaving_it_out_mends_it(plates: Tuning) -> None:
    result = plates
    assert result.assurance.conflicting > 0 and result.assurance.open == 0
    conflicts = explain_conflicts(result)
    mine = [c for c in conflicts if c.part == "a"]
    assert len(mine) == 1
    found = mine[0]
    assert (found.own, found.other) == ("part0", "part1")
    # The start may not be below the low poly, and part 1 lies 0.01 below that.
    assert found.clash >= 0.01 - 1e-6
    best = found.remedies[0]
    assert best.kind == "exclude part" and best.cures and best.wrong_before > 0
    # Plate a has to sink below plate b, 0.01 under it: the least move is that much (the search ends
    # within 3 % of its guess), and a cast of the moved plate shows nothing wrong.
    sink = next(r for r in found.remedies if r.kind == "move loop")
    assert "inward" in sink.words and sink.cures and sink.wrong_after == 0
    assert 0.01 < sink.amount < 0.0105
    assert sink.vertex_count == 9 and sink.place == pytest.approx((0.25, 0.25, 0.0))
    # A quarter of plate a lies over plate b.
    assert found.samples == pytest.approx(0.25 * (result.after.points.area > 0).sum(), rel=0.5)


def test_a_depth_that_is_too_small_is_named_and_raising_it_mends_it() -> None:
    low, high, paired = crossing_plates()
    shallow = replace(QUICK, depth=0.02)
    conflicts = explain_conflicts(tune(low, high, paired=paired, settings=shallow))
    deep = [c for c in conflicts if c.name == "miss: too deep"]
    assert deep and deep[0].clash == pytest.approx(0.01, abs=1e-6)
    best = deep[0].remedies[0]
    assert best.kind == "raise depth" and best.amount == pytest.approx(0.03, abs=1e-3)
    assert best.wrong_after < best.wrong_before


def test_the_move_that_is_told_cures_when_it_is_made(plates: Tuning) -> None:
    """An artist moves the vertices that the remedy names and tunes again."""
    low, high, paired = crossing_plates()
    result = plates
    move = least_move(
        result,
        np.flatnonzero(result.after.findings.main == Defect.OVERSHOOT_OTHER),
        0.02,
        outward=False,
    )
    assert move is not None
    positions = low.positions.copy()
    positions[move.vertices, 2] -= move.distance
    moved = prepare_low(replace(low.mesh, positions=positions))
    again = tune(moved, high, paired=paired, settings=QUICK)
    assert again.assurance.conflicting == 0 < result.assurance.conflicting


def test_no_conflict_nothing_to_explain() -> None:
    low, high = bumpy_pair(2)
    assert explain_conflicts(tune(low, high, settings=QUICK)) == ()


@pytest.mark.parametrize("scene", ["plates", "limit"])
def test_tuned_offsets_never_leave_more_than_the_best_single_number(
    scene: str, plates: Tuning
) -> None:
    result = plates if scene == "plates" else tuned_bumps(0.01)
    numbers = single_numbers(uniform_prediction(result.before), result.margin, result.limit)
    area = result.after.points.area
    wrong = np.zeros(len(area), bool)
    for kind in KINDS:
        wrong |= result.after.findings.has(kind)
    asset = next(n for n in numbers if n.scope == "asset")
    assert 100 * area[wrong].sum() / area.sum() <= asset.missed + asset.overshot + 1e-9


def test_a_change_that_mends_nothing_is_not_told_as_the_best() -> None:
    def remedy(words: str, before: int, after: int) -> Remedy:
        return Remedy("raise offset", words, 1.0, before, after)

    def conflict(*remedies: Remedy) -> Conflict:
        reason = Reason(ConflictCause.ENDS_BELOW, Values(part="a", short=1.0))
        return Conflict(1, "miss", "a", (0.0, 0.0, 0.0), 9, 0.0, "a", None, 1.0, reason, remedies)

    worse, same, better = remedy("worse", 9, 12), remedy("same", 9, 9), remedy("better", 9, 4)
    assert conflict(better, same, worse).best is better
    for found in (conflict(same, worse), conflict()):
        assert found.best is None and found.best_words == NOTHING_HELPS
