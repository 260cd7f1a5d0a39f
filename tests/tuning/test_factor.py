"""Factors of symmetric matrices against NumPy's dense solutions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csc_array

from cagecheck.tuning.solver.factor import Factor, upper_of


def random_matrix(seed: int, count: int = 40) -> np.ndarray:
    """Positive definite, with most entries zero."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(count, count)) * (rng.random((count, count)) < 0.1)
    return root @ root.T + np.diag(rng.uniform(0.1, 2.0, count))


@pytest.mark.parametrize("seed", range(5))
def test_unknowns_are_those_of_a_dense_solution(seed: int) -> None:
    matrix = random_matrix(seed)
    factor = Factor(upper_of(csc_array(matrix)))
    right = np.random.default_rng(seed).normal(size=len(matrix))
    unknowns = factor.solve(right)
    assert unknowns == pytest.approx(np.linalg.solve(matrix, right), rel=1e-9)
    assert factor.solves(right, unknowns)
    assert not factor.solves(right, unknowns + 1e-3)


def test_later_matrices_have_the_first_ones_pattern() -> None:
    matrix = random_matrix(7)
    upper = upper_of(csc_array(matrix))
    factor = Factor(upper)
    other = matrix + np.diag(np.arange(len(matrix), dtype=float))
    factor.again(upper_of(csc_array(other)).data)
    right = np.ones(len(matrix))
    assert factor.solve(right) == pytest.approx(np.linalg.solve(other, right), rel=1e-9)


def test_a_matrix_without_a_factor_is_told() -> None:
    singular = csc_array(np.array([[1.0, 1.0], [1.0, 1.0]]))
    with pytest.raises(RuntimeError):
        Factor(upper_of(singular))
    factor = Factor(upper_of(csc_array(np.array([[2.0, 1.0], [1.0, 2.0]]))))
    factor.again(upper_of(singular).data)
    right = np.array([1.0, 2.0])
    assert not factor.solves(right, factor.solve(right))


def test_entries_that_differ_by_many_digits_are_no_failure() -> None:
    # What rows near their bounds add to a matrix late in a solution.
    rng = np.random.default_rng(3)
    matrix = random_matrix(3)
    for _ in range(20):
        at, weight = rng.choice(len(matrix), 3, replace=False), rng.dirichlet([1.0, 1.0, 1.0])
        matrix[np.ix_(at, at)] += 10.0 ** rng.uniform(0, 16) * np.outer(weight, weight)
    factor = Factor(upper_of(csc_array(matrix)))
    right = rng.normal(size=len(matrix))
    assert factor.solves(right, factor.solve(right))
