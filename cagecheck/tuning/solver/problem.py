"""The offset problem, free of rays and meshes: one number per position, corridors across triangles.

    minimise   1/2 sum_edges w_ij (d_i - d_j)^2  +  1/2 sum_i a_i (d_i - preferred_i)^2
               +  sum_rows penalty_k (slack_low_k + slack_high_k)
    subject to lower_k - slack_low_k <= sum_j c_kj d_j <= upper_k + slack_high_k
               floor_i <= d_i <= ceiling_i,   slack >= 0,   fixed positions as given

The slack is penalised linearly, which is exact: with a large enough penalty a row keeps slack
only where no offsets at all satisfy the rows together (Han and Mangasarian, "Exact penalty
functions in nonlinear programming", Mathematical Programming 17, 1979).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array

from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import InputError
from cagecheck.loops import njit

# Rows count as kept when they are off by less than this part of the problem's own size.
RELATIVE_TOLERANCE = 1e-6


class UnsolvedError(InputError):
    """No solver found an answer to an offset problem: there is nothing to hand out."""

    def __init__(self) -> None:
        super().__init__(
            "no solver found offsets that can be trusted for these demands.",
            cure="Check that low and high poly have one scale (cagecheck inspect) and that "
            "--margin and --limit fit it.",
        )


@dataclass(frozen=True, eq=False)
class OffsetProblem:
    """Corridors for the offsets of P positions.

    Attributes
    ----------
    columns : (N, 3) int32, the positions that row k mixes.
    coefficients : (N, 3) float64, how it mixes them.
    lower, upper : (N,) float64 in length units; -inf and inf mean no bound. A row whose lower
        bound is above its upper one is allowed: it keeps slack.
    edges : (E, 2) int32 pairs of positions that should have similar offsets.
    edge_weight : (E,) float64 >= 0.
    attraction : (P,) float64 > 0, pull towards `preferred` (the smallness term).
    preferred : (P,) float64.
    floor, ceiling : (P,) float64 bounds that are never broken; floor <= ceiling.
    fixed : (P,) bool positions held at `fixed_value` whatever their bounds and rows.
    fixed_value : (P,) float64, read where `fixed`.
    importance : (N,) float64 > 0, relative weight of a row's slack.
    """

    columns: Ints
    coefficients: Floats
    lower: Floats
    upper: Floats
    edges: Ints
    edge_weight: Floats
    attraction: Floats
    preferred: Floats
    floor: Floats
    ceiling: Floats
    fixed: NDArray[np.bool_]
    fixed_value: Floats
    importance: Floats

    @property
    def position_count(self) -> int:
        """Number of positions, P."""
        return len(self.attraction)

    @property
    def row_count(self) -> int:
        """Number of corridors, N."""
        return len(self.lower)

    def heights(self, offsets: Floats) -> Floats:
        """Return (N,) the mixed offset of every row."""
        out = np.empty(self.row_count)
        _mix(self.columns, self.coefficients, offsets, out)
        return out

    def slack(self, offsets: Floats) -> tuple[Floats, Floats]:
        """Return (N,) how far every row is below its lower and above its upper bound, >= 0."""
        low, high = np.empty((2, self.row_count))
        _find_slack(self.columns, self.coefficients, self.lower, self.upper, offsets, low, high)
        return low, high

    def smoothness(self) -> csc_array:
        """Return the (P, P) matrix of the quadratic terms: graph Laplacian plus attraction."""
        i, j = self.edges[:, 0], self.edges[:, 1]
        w, n = self.edge_weight, self.position_count
        every = np.arange(n)
        rows = np.concatenate([i, j, i, j, every])
        cols = np.concatenate([i, j, j, i, every])
        data = np.concatenate([w, w, -w, -w, self.attraction])
        return csc_array(coo_array((data, (rows, cols)), shape=(n, n)))

    def energy(self, offsets: Floats) -> float:
        """Return smoothness plus smallness, without the slack's penalty."""
        i, j = self.edges[:, 0], self.edges[:, 1]
        smooth = self.edge_weight @ (offsets[i] - offsets[j]) ** 2
        small = self.attraction @ (offsets - self.preferred) ** 2
        return 0.5 * float(smooth + small)

    def size(self) -> float:
        """Return the largest finite length in the problem; 1 where all are zero."""
        lengths = [self.lower, self.preferred, self.fixed_value[self.fixed], self.floor]
        finite = [np.abs(x[np.isfinite(x)]).max(initial=0.0) for x in lengths]
        above = self.upper[np.isfinite(self.upper)]
        # An upper bound far above everything never binds and says nothing about the size.
        negative = np.abs(np.minimum(above, 0.0)).max(initial=0.0)
        largest = float(max(*finite, negative))
        return largest if largest > 0 else 1.0

    def of_change(self, offsets: Floats) -> OffsetProblem:
        """Return the problem of the least change to (P,) offsets: same rows, same bounds.

        Its answer is what to add; the energy is that of the change, with 0 preferred.
        """
        height = self.heights(offsets)
        return replace(
            self,
            lower=self.lower - height,
            upper=self.upper - height,
            preferred=np.zeros(self.position_count),
            floor=self.floor - offsets,
            ceiling=self.ceiling - offsets,
            fixed_value=self.fixed_value - offsets,
        )

    def tolerance(self) -> float:
        """Return the violation in length units below which a row counts as kept."""
        return RELATIVE_TOLERANCE * self.size()

    def check(self) -> None:
        """Raise `InputError` for values that no solver can use; assert on wrong shapes."""
        n, p = self.row_count, self.position_count
        assert self.columns.shape == self.coefficients.shape == (n, 3)
        assert len(self.upper) == len(self.importance) == n
        for name in ("preferred", "floor", "ceiling", "fixed", "fixed_value"):
            assert len(getattr(self, name)) == p, name
        if n and (self.columns.min() < 0 or self.columns.max() >= p):
            raise InputError("a corridor names a position that does not exist.")
        for name in ("coefficients", "edge_weight", "attraction", "preferred", "importance"):
            if not np.isfinite(getattr(self, name)).all():
                raise InputError(f"the offset problem holds {name} that are not finite numbers.")
        if np.isnan(self.lower).any() or np.isnan(self.upper).any():
            raise InputError("a corridor has a bound that is not a number.")
        if (self.lower == np.inf).any() or (self.upper == -np.inf).any():
            raise InputError("a corridor has an infinite bound on the wrong side.")
        if not np.isfinite(self.fixed_value[self.fixed]).all():
            raise InputError("a kept offset is not a finite number.")
        if (self.attraction <= 0).any() or (self.edge_weight < 0).any():
            raise InputError("attraction must be positive and edge weights not negative.")
        if (self.importance <= 0).any():
            raise InputError("the importance of every corridor must be positive.")
        if not (self.floor <= self.ceiling)[~self.fixed].all():
            raise InputError("a position's floor lies above its ceiling.")


@dataclass(frozen=True, eq=False)
class OffsetSolution:
    """Offsets that answer an `OffsetProblem`.

    Attributes
    ----------
    offsets : (P,) float64, within floor and ceiling, fixed ones exactly as given.
    slack_low, slack_high : (N,) float64 >= 0, measured from the offsets themselves.
    tolerance : slack above this is a conflict, below it rounding of the solver.
    objective : energy plus penalties; `gap` is how far it can be above the true optimum, from a
        dual bound worked out apart from the solver (NaN where the solver gives no duals).
    penalty : the linear price of one unit of slack for a row of importance 1.
    """

    offsets: Floats
    slack_low: Floats
    slack_high: Floats
    tolerance: float
    objective: float
    gap: float
    penalty: float
    iterations: int
    solver: str

    @property
    def conflicts(self) -> NDArray[np.bool_]:
        """(N,) bool: rows that no offsets could keep."""
        return np.asarray(np.maximum(self.slack_low, self.slack_high) > self.tolerance)


def offset_problem(
    position_count: int,
    columns: NDArray[np.integer],
    coefficients: Floats,
    lower: Floats,
    upper: Floats,
    edges: NDArray[np.integer],
    *,
    edge_weight: Floats | float = 1.0,
    attraction: Floats | float = 0.01,
    preferred: Floats | float = 0.0,
    floor: Floats | float = 0.0,
    ceiling: Floats | float = np.inf,
    fixed: NDArray[np.bool_] | None = None,
    fixed_value: Floats | float = 0.0,
    importance: Floats | float = 1.0,
) -> OffsetProblem:
    """Build and check an `OffsetProblem`; single numbers stand for whole arrays."""
    p, n, e = position_count, len(lower), len(edges)

    def full(value: Floats | float, count: int) -> Floats:
        return np.broadcast_to(np.asarray(value, np.float64), (count,)).copy()

    problem = OffsetProblem(
        columns=np.ascontiguousarray(columns, np.int32).reshape(-1, 3),
        coefficients=np.ascontiguousarray(coefficients, np.float64).reshape(-1, 3),
        lower=full(lower, n),
        upper=full(upper, n),
        edges=np.ascontiguousarray(edges, np.int32).reshape(-1, 2),
        edge_weight=full(edge_weight, e),
        attraction=full(attraction, p),
        preferred=full(preferred, p),
        floor=full(floor, p),
        ceiling=full(ceiling, p),
        fixed=np.zeros(p, bool) if fixed is None else np.asarray(fixed, bool),
        fixed_value=full(fixed_value, p),
        importance=full(importance, n),
    )
    problem.check()
    return problem


@njit(nogil=True, cache=True)
def _mixed(columns, coefficients, offsets, row):  # type: ignore[no-untyped-def]
    total = 0.0
    for k in range(3):
        total += coefficients[row, k] * offsets[columns[row, k]]
    return total


@njit(nogil=True, cache=True)
def _mix(columns, coefficients, offsets, out):  # type: ignore[no-untyped-def]
    for row in range(len(columns)):
        out[row] = _mixed(columns, coefficients, offsets, row)


@njit(nogil=True, cache=True)
def _find_slack(columns, coefficients, lower, upper, offsets, low, high):  # type: ignore[no-untyped-def]
    for row in range(len(columns)):
        height = _mixed(columns, coefficients, offsets, row)
        low[row] = max(lower[row] - height, 0.0)
        high[row] = max(height - upper[row], 0.0)
