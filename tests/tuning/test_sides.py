"""One-sided rows say of any offsets what the problem's own rows and bounds say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.tuning.solver.interior import row_values
from cagecheck.tuning.solver.problem import OffsetProblem
from cagecheck.tuning.solver.sides import sides_of
from tests.tuning.test_solver import grid_problem

PENALTY, LENGTH = 50.0, 2.5


def bounded_problem(seed: int) -> OffsetProblem:
    """Some rows mix a position twice or with weight zero; floors and ceilings here and there."""
    rng = np.random.default_rng(seed)
    problem = grid_problem(6, 300, seed)
    coefficients = np.where(rng.random((300, 3)) < 0.2, 0.0, problem.coefficients)
    columns = problem.columns.copy()
    columns[:20, 1] = columns[:20, 0]
    floor = np.where(rng.random(36) < 0.5, 0.0, -np.inf)
    return replace(
        problem,
        columns=columns,
        coefficients=coefficients * rng.choice([1.0, -1.0], (300, 1), p=[0.8, 0.2]),
        lower=np.where(rng.random(300) < 0.2, -np.inf, problem.lower),
        floor=floor,
        ceiling=np.where(rng.random(36) < 0.5, 1.0, np.inf),
        importance=rng.uniform(0.5, 2.0, 300),
    )


@pytest.mark.parametrize("seed", range(6))
def test_what_rows_lack_costs_the_same(seed: int) -> None:
    problem = bounded_problem(seed)
    rng = np.random.default_rng(100 + seed)
    todo = rng.random(36) < 0.6
    offsets = rng.uniform(0.0, 1.0, 36)
    sides = sides_of(problem, offsets, todo, LENGTH, PENALTY)
    soft = np.isfinite(sides.penalty)
    assert 0 < soft.sum() < 600
    # Rows of positions that all stay are no rows, as nothing here changes what they lack.
    mixing = problem.coefficients != 0
    touched = (todo[problem.columns] & mixing).any(axis=1)
    for _ in range(5):
        moved = np.where(todo, rng.uniform(0.0, 1.0, 36), offsets)
        low, high = problem.slack(moved)
        price = PENALTY * float(problem.importance[touched] @ (low + high)[touched]) / LENGTH
        lack = np.maximum(sides.bound - row_values(sides, moved[todo] / LENGTH), 0.0)
        assert float(sides.penalty[soft] @ lack[soft]) == pytest.approx(price, rel=1e-12)
        assert not lack[~soft].any()


def test_floors_and_ceilings_are_rows_that_may_not_be_broken() -> None:
    problem = bounded_problem(1)
    todo = np.ones(36, bool)
    sides = sides_of(problem, np.zeros(36), todo, LENGTH, PENALTY)
    hard = ~np.isfinite(sides.penalty)
    bounds = np.isfinite(problem.floor).sum() + np.isfinite(problem.ceiling).sum()
    assert hard.sum() == bounds
    for outside in (-0.5, 1.5):
        lack = sides.bound - row_values(sides, np.full(36, outside / LENGTH))
        broken = np.isfinite(problem.floor if outside < 0 else problem.ceiling).sum()
        assert (lack[hard] > 0).sum() == broken
