"""Corridors and bounds of an offset problem as one-sided rows, without those that never bind."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.loops import njit
from cagecheck.tuning.solver.interior import Sides
from cagecheck.tuning.solver.problem import OffsetProblem


def sides_of(
    problem: OffsetProblem,
    offsets: Floats,
    todo: NDArray[np.bool_],
    length: float,
    penalty: float,
) -> Sides:
    """Return the rows that some of the positions must keep while the others stay.

    offsets : (P,) of the positions that stay; todo : (P,) bool, the others, which become the
    columns. length : the unit of the rows. penalty : price of slack for a row of importance 1.
    """
    number = np.full(problem.position_count, -1, np.int32)
    number[todo] = np.arange(int(todo.sum()), dtype=np.int32)
    count = problem.row_count
    given, kept = np.empty(count), np.empty((2, count), np.bool_)
    rows = problem.columns, problem.coefficients
    bounds = problem.lower, problem.upper
    _find_bounding(*rows, *bounds, number, offsets, problem.floor, problem.ceiling, given, kept)
    pieces = []
    for sign, bound, mine in zip((1.0, -1.0), bounds, kept, strict=True):
        at = np.flatnonzero(mine)
        columns, coefficients = np.empty((len(at), 3), np.int32), np.empty((len(at), 3))
        _number_columns(*rows, number, at, sign, columns, coefficients)
        limit = sign * (bound[at] - given[at])
        pieces.append((columns, coefficients, limit / length, penalty * problem.importance[at]))
    for sign, bound in ((1.0, problem.floor[todo]), (-1.0, -problem.ceiling[todo])):
        at = np.flatnonzero(np.isfinite(bound))
        columns = np.full((len(at), 3), -1, np.int32)
        columns[:, 0] = at
        coefficients = np.zeros((len(at), 3))
        coefficients[:, 0] = sign
        pieces.append((columns, coefficients, bound[at] / length, np.full(len(at), np.inf)))
    return Sides(*(np.concatenate(x) for x in zip(*pieces, strict=True)))


@njit(nogil=True, cache=True)
def _find_bounding(  # type: ignore[no-untyped-def]
    columns, coefficients, lower, upper, number, offsets, floor, ceiling, given, kept
):
    """Write what the positions that stay give to every row, and which of its bounds may bind.

    A bound may not where floor and ceiling of the others keep it in any case.
    """
    for row in range(len(columns)):
        known, least, most, free = 0.0, 0.0, 0.0, False
        for k in range(3):
            weight, at = coefficients[row, k], columns[row, k]
            if weight == 0.0:
                continue
            if number[at] < 0:
                known += weight * offsets[at]
                continue
            free = True
            a, b = weight * floor[at], weight * ceiling[at]
            least += min(a, b)
            most += max(a, b)
        given[row] = known
        kept[0, row] = free and lower[row] > -np.inf and least < lower[row] - known
        kept[1, row] = free and upper[row] < np.inf and most > upper[row] - known


@njit(nogil=True, cache=True)
def _number_columns(columns, coefficients, number, rows, sign, out_columns, out_coefficients):  # type: ignore[no-untyped-def]
    for i in range(len(rows)):
        for k in range(3):
            weight = coefficients[rows[i], k]
            at = number[columns[rows[i], k]] if weight != 0.0 else -1
            out_columns[i, k] = at
            out_coefficients[i, k] = sign * weight if at >= 0 else 0.0
