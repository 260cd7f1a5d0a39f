"""Problems that no solver answers: offsets stay as last solved and cast, and the result says so."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.defects.match import Matcher
from cagecheck.predicting.predict import place_points
from cagecheck.predicting.settings import Settings
from cagecheck.rays.points import sample_points
from cagecheck.rays.scene import Scene
from cagecheck.tuning import loops, mend, search
from cagecheck.tuning.corridors import Limits
from cagecheck.tuning.search import Search
from cagecheck.tuning.solver.problem import OffsetSolution, UnsolvedError
from cagecheck.tuning.tune import TuneSettings, tune
from tests.scenes.tuning import bumpy_pair

SETTINGS = Settings(samples=1500, unseen_points=0, offset=0.05, depth=0.08, reach=0.25)


def stuck_after(
    monkeypatch: pytest.MonkeyPatch, module: ModuleType, count: int
) -> list[OffsetSolution]:
    """Let a module's first problems be solved and no other; return the answers as they come."""
    solved: list[OffsetSolution] = []
    real: Callable[..., OffsetSolution] = module.solve_offsets

    def solve(*args: Any, **options: Any) -> OffsetSolution:
        if len(solved) == count:
            raise UnsolvedError
        solved.append(real(*args, **options))
        return solved[-1]

    monkeypatch.setattr(module, "solve_offsets", solve)
    return solved


def search_of(seed: int) -> Search:
    low, high = bumpy_pair(seed)
    limits = Limits(0.2, 1e-4, np.full(low.position_count, np.nan), np.zeros(0), np.zeros(0))
    matcher = Matcher(low, Scene(high), np.ones((1, 1), bool))
    return Search(matcher, SETTINGS, 1e-5, limits, place_points(low, SETTINGS))


def test_without_any_answer_there_are_no_offsets(monkeypatch: pytest.MonkeyPatch) -> None:
    stuck_after(monkeypatch, search, 0)
    with pytest.raises(UnsolvedError, match="no solver found offsets"):
        tune(*bumpy_pair(1), settings=SETTINGS)


def test_a_search_that_gets_stuck_keeps_what_was_solved(monkeypatch: pytest.MonkeyPatch) -> None:
    solved = stuck_after(monkeypatch, search, 1)
    found = search_of(1)
    found.settle("samples")
    assert found.unsolved == 1
    assert found.solution is solved[0]
    assert np.array_equal(found.offsets, solved[0].offsets)


def test_a_tuning_says_in_how_many_steps_it_was_stuck(monkeypatch: pytest.MonkeyPatch) -> None:
    stuck_after(monkeypatch, search, 1)
    quick = TuneSettings(checks=1, mends=1)
    result = tune(*bumpy_pair(1), settings=SETTINGS, tuning=quick)
    notices = [n for n in result.notices if n.code == "unsolved"]
    assert len(notices) == 1 and notices[0].count > 0
    assert f"{notices[0].count:,} step" in notices[0].text
    monkeypatch.undo()
    result = tune(*bumpy_pair(1), settings=SETTINGS, tuning=quick)
    assert "unsolved" not in {n.code for n in result.notices}


def test_a_place_that_cannot_be_solved_stays_open(monkeypatch: pytest.MonkeyPatch) -> None:
    found = search_of(2)
    found.settle("samples")
    found.offsets = found.offsets.copy()
    found.offsets[np.argmax(found.offsets)] = 0.0
    points = sample_points(found.low, 0.03, seed=9)
    wrong = found.cast(points).wrong
    assert wrong.any()
    before = found.offsets.copy()
    stuck_after(monkeypatch, mend, 0)
    assert not mend.mend(found, [mend.Group(points, wrong)]).any()
    assert found.unsolved > 0
    assert np.array_equal(found.offsets, before)
    assert np.array_equal(found.cast(points).wrong, wrong)


def test_a_move_without_offsets_is_no_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    low, high = bumpy_pair(7)
    keep = np.full(low.mesh.vertex_count, np.nan)
    keep[[13, 14, 15, 19, 20, 21]] = 0.0
    held = tune(low, high, settings=SETTINGS, keep=keep)
    tight = np.flatnonzero(held.after.findings.has(Defect.MISS_TIGHT))
    assert loops.least_move(held, tight, 0.05, outward=True) is not None
    stuck_after(monkeypatch, loops, 0)
    assert loops.least_move(held, tight, 0.05, outward=True) is None
