"""Offset problems through Clarabel, a general conic solver, with rows added as they are violated.

Source of the solver: Goulart and Chen, "Clarabel: An interior-point solver for conic programs
with quadratic objectives", 2024. Row generation keeps the optimum: a row that the answer keeps
anyway would have had multiplier zero.

Only what the solver itself calls solved is an answer: anything else it ends with (almost solved, no
progress, too many iterations, infeasible) is numbers on the way to one.
"""

from __future__ import annotations

import clarabel
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import block_diag, coo_array, csc_array, eye_array, hstack, triu, vstack

from cagecheck.arrays.types import Floats
from cagecheck.tuning.solver.interior import InteriorResult, Sides

# A row joins when it is broken by more than this in scaled units, well under the tolerance that
# solutions state.
_JOIN = 1e-8
_MAX_ROUNDS = 50
# Accuracy asked for, and, where rounding keeps the solver from that, its own default. Solutions
# state what that leaves as their gap.
_ACCURACIES = (1e-10, 1e-8)


def minimise_with_clarabel(
    matrix: csc_array, pull: Floats, sides: Sides, start: Floats
) -> InteriorResult:
    """Minimise the same as `interior.minimise`; see there for the arguments.

    Not solved where the solver ends at no answer for some rows, or rows still join at the end.
    """
    unknowns = start
    chosen = ~np.isfinite(sides.penalty)
    multipliers = np.zeros(len(sides.bound))
    iterations, solved = 0, False
    for k in range(_MAX_ROUNDS + 1):
        joining = _worst_broken(matrix.shape[0], sides, unknowns, chosen)
        solved = k > 0 and not joining.any()
        if solved or k == _MAX_ROUNDS:
            break
        chosen = chosen | joining
        rows = np.flatnonzero(chosen)
        answer, count = _solve(matrix, pull, sides, rows)
        iterations += count
        if answer is None:
            break
        unknowns = answer[0]
        multipliers[:] = 0.0
        multipliers[rows] = answer[1]
    return InteriorResult(unknowns, multipliers, iterations, np.nan, np.nan, solved)


def _row_matrix(sides: Sides, rows: NDArray[np.int64], width: int) -> csc_array:
    columns, weights = sides.columns[rows], sides.coefficients[rows]
    used = columns >= 0
    at = np.repeat(np.arange(len(rows)), 3).reshape(-1, 3)
    return csc_array(
        coo_array((weights[used], (at[used], columns[used])), shape=(len(rows), width))
    )


def _worst_broken(
    width: int, sides: Sides, unknowns: Floats, chosen: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return the broken rows that are the worst of their column triple on their side."""
    value = _row_matrix(sides, np.arange(len(sides.bound)), width) @ unknowns
    broken = np.where(chosen, 0.0, sides.bound - value)
    rows = np.flatnonzero(broken > _JOIN)
    sign = np.sign(sides.coefficients[rows].sum(axis=1))
    keys = np.column_stack([np.sort(sides.columns[rows], axis=1), sign])
    _, group = np.unique(keys, axis=0, return_inverse=True)
    order = np.lexsort((-broken[rows], group.ravel()))
    first = np.ones(len(rows), bool)
    first[1:] = np.diff(group.ravel()[order]) != 0
    out = np.zeros(len(broken), bool)
    out[rows[order[first]]] = True
    return out


def _solve(
    matrix: csc_array, pull: Floats, sides: Sides, rows: NDArray[np.int64]
) -> tuple[tuple[Floats, Floats] | None, int]:
    """Return unknowns and the rows' multipliers, None where unsolved, and the iterations spent."""
    p = matrix.shape[0]
    soft = np.flatnonzero(np.isfinite(sides.penalty[rows]))
    m = len(soft)
    pick = coo_array((np.ones(m), (soft, np.arange(m))), shape=(len(rows), m))
    lines = hstack([-_row_matrix(sides, rows, p), -pick])
    slack = hstack([csc_array((m, p)), -eye_array(m)])
    quadratic = block_diag([matrix, csc_array((m, m))], format="csc")
    spent = 0
    for accuracy in _ACCURACIES:
        solver = clarabel.DefaultSolver(
            csc_array(triu(quadratic)),
            np.concatenate([-pull, sides.penalty[rows][soft]]),
            csc_array(vstack([lines, slack])),
            np.concatenate([-sides.bound[rows], np.zeros(m)]),
            [clarabel.NonnegativeConeT(len(rows) + m)],
            _settings(accuracy),
        )
        answer = solver.solve()
        spent += int(answer.iterations)
        if answer.status == clarabel.SolverStatus.Solved:
            return (np.array(answer.x)[:p], np.array(answer.z)[: len(rows)]), spent
    return None, spent


def _settings(accuracy: float) -> clarabel.DefaultSettings:
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.direct_solve_method = "faer"
    # The threads' sums must not depend on the machine's load: same input, same bytes.
    settings.max_threads = 1
    for name in ("tol_gap_abs", "tol_gap_rel", "tol_feas"):
        setattr(settings, name, accuracy)
    return settings
