"""A primal-dual interior-point method for offset problems.

Why not a general solver: every corridor mixes the corners of one triangle, so however many
corridors there are, eliminating them leaves a matrix with the low poly's own sparsity. A general
solver carries each corridor through its factorisation; this one folds them in first and factors
a matrix of mesh size once per iteration (`scripts/bench_tuning.py` has the comparison). Of each
triangle's rows few ever bind, so it begins with the tightest and takes others up as they are broken
on the way, or nearly so; at the end none is broken, and those that were never taken up have the
multiplier zero.

The method is Mehrotra's predictor-corrector ("On the Implementation of a Primal-Dual Interior
Point Method", SIAM J. Optimization 2(4), 1992) for linear elastic constraints: with
q = row value + slack and multiplier y in [0, penalty], the complementary pairs are q*y and
slack*(penalty - y). All pairs start with one product, on the central path of the rows alone, and
Gondzio's corrections make the most of every factor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array

from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.progress import Progress, silent
from cagecheck.tuning.solver.factor import Factor, upper_of

# Iterates go this share of the way to the boundary, and one step at most where none is near.
_STEP_SHARE = 0.995
_MOST_STEPS = 1e3
_MAX_ITERATIONS = 120
# A factorisation costs as much as several solves, so corrections of one factor pay; each must
# lengthen the step by this share of what it aims at.
_CORRECTIONS = 3
_WORTH = 0.1
_LEAST_CENTRE = 1e-3
_NO_COLUMN = -1
# From this share of the first products on rows outside are looked at: before that unknowns swing.
_LOOK_FROM = 0.1
# A row joins when it is broken by more than this in scaled units, well under the tolerance that
# solutions state; it joins as if it were off by the second at least, and with a multiplier of at
# most this share of its penalty.
_JOIN = 1e-8
_LEAST_OFF = 1e-6
_MOST_SHARE = 0.5
# Of the tightest rows those with more room than half the problem's size are not even begun with.
_FAR = 0.5
# Products of the start per unit of penalty. The first makes all slack about a tenth of the
# problem's size, which takes fewer iterations where most rows are kept; the second ten times the
# size, from which everything starts out equal and nothing gets stuck.
_STARTS = (0.1, 10.0)
# An end this many times off its goals is no solution.
_NO_SOLUTION = 1e3
# Steps without progress before rounding is taken for the end.
_PATIENCE, _PATIENCE_AT_END = 25, 2
_FAR_BELOW = 1e-2
# Cost of unknown slack, per row: the price times a unit in the last place.
_MOST_UNPRICED = 1e-11
# Part of the multipliers' sum that the gradient's own rounding may leave.
_ROUNDING = 1e-13


@dataclass(frozen=True, eq=False)
class Sides:
    """One-sided rows ``coefficients . d >= bound``; the unknowns are scaled to about 1.

    columns : (K, 3) int32, -1 where the entry is unused.
    penalty : (K,) price of slack, inf for rows that may not be broken.
    """

    columns: Ints
    coefficients: Floats
    bound: Floats
    penalty: Floats


@dataclass(frozen=True, eq=False)
class Quadratic:
    """``1/2 d.H.d - pull.d``, and H's upper triangle on the pattern that corridors fill in.

    block : (K,) int32, the row's column triple; slots : (B, 9) where a triple's nine products
        land in ``upper.data``, -1 for unused ones and those below the diagonal.
    """

    matrix: csc_array
    pull: Floats
    upper: csc_array
    block: Ints
    slots: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class InteriorResult:
    """Unknowns, multipliers, how well they solve the problem, and whether that will do."""

    unknowns: Floats
    multipliers: Floats
    iterations: int
    mean_product: float
    residual: float
    solved: bool


def minimise(
    matrix: csc_array,
    pull: Floats,
    sides: Sides,
    start: Floats,
    *,
    product_goal: float = 1e-11,
    residual_goal: float = 1e-9,
    progress: Progress = silent,
) -> InteriorResult:
    """Minimise ``1/2 d.H.d - pull.d + sum penalty * slack`` over the rows of `sides`.

    Rows share a pattern when they are of one triangle and bound it from one side.

    Parameters
    ----------
    matrix : (P, P) positive definite H, entries about 1.
    start : (P,) strictly inside every row of infinite penalty.
    product_goal : stop when the mean complementary product is below it (length^2 units of the
        scaled problem) and the gradient's largest residual below `residual_goal`.
    """
    quadratic = _prepare(matrix, pull, sides)
    factor = Factor(quadratic.upper)
    goals = _Goals(product_goal, residual_goal)
    spent = 0
    for product in _STARTS:
        result = _iterate(quadratic, factor, sides, start, product, goals, progress)
        spent += result.iterations
        if result.solved:
            break
    return replace(result, iterations=spent)


@dataclass(frozen=True)
class _Goals:
    product: float
    residual: float


def _iterate(
    quadratic: Quadratic,
    factor: Factor,
    sides: Sides,
    start: Floats,
    product: float,
    goals: _Goals,
    progress: Progress,
) -> InteriorResult:
    rows = _Rows(quadratic, sides, start)
    state = _start(rows.sides, start, product)
    first = mean = best = merit = residual = np.inf
    stalled = iterations = 0
    for iterations in range(_MAX_ITERATIONS + 1):
        gradient, lack = _gradient(rows.quadratic, rows.sides, state), _lack(rows.sides, state)
        residual = max(float(np.abs(x).max(initial=0.0)) for x in (gradient, lack))
        mean = state.product_sum() / rows.pairs
        first = mean if iterations == 0 else first
        progress("solving", min(max(-np.log10(mean + 1e-300), 0.0), 11.0), 11.0)
        # Multipliers add up in the gradient, and it cannot be smaller than their rounding; nor
        # does it shrink any more once the products are far below their goal.
        allowed = max(goals.residual, _ROUNDING * _largest_force(rows.sides, state, len(gradient)))
        merit = max(mean / goals.product, residual / allowed)
        ended = mean <= goals.product and (
            residual <= allowed or mean <= _FAR_BELOW * goals.product
        )
        ended = ended and (
            stalled > _PATIENCE_AT_END or _unpriced(rows.sides, state, lack) <= _MOST_UNPRICED
        )
        if (ended or mean < _LOOK_FROM * first) and rows.join_broken(state, mean):
            gradient, lack = _gradient(rows.quadratic, rows.sides, state), _lack(rows.sides, state)
            ended, stalled, best, merit = False, 0, np.inf, np.inf
        if ended:
            break
        # Rounding sets the end: stop when several steps in a row bring nothing.
        stalled = 0 if merit < 0.9 * best else stalled + 1
        best = min(best, merit)
        if stalled >= _PATIENCE or np.isnan(merit):
            break
        if not _advance(rows.quadratic, factor, rows.sides, state, gradient, lack, mean):
            break
    solved = merit <= _NO_SOLUTION and not len(rows.broken(state.d))
    return InteriorResult(state.d, rows.all(state.y), iterations, mean, residual, bool(solved))


class _Rows:
    """The rows that are in so far: those of infinite penalty, and of the others the tightest.

    Attributes
    ----------
    sides, quadratic : of these rows only; pairs : how many complementary pairs they have.
    """

    def __init__(self, quadratic: Quadratic, sides: Sides, start: Floats) -> None:
        self.every, self.whole = sides, quadratic
        sign = sides.coefficients.sum(axis=1) < 0
        self.pattern = 2 * quadratic.block.astype(np.int64) + sign
        self.patterns = int(self.pattern.max(initial=-1)) + 1
        self.inside = ~np.isfinite(sides.penalty)
        self.index = np.zeros(0, np.int64)
        self.sides = _rows_of(sides, self.index)
        self.quadratic = replace(quadratic, block=quadratic.block[:0])
        tightest = self._tightest(start)
        self._take(np.concatenate([np.flatnonzero(self.inside), tightest]))

    def _tightest(self, unknowns: Floats) -> NDArray[np.int64]:
        """Return of each pattern the row outside that is tightest, unless it is far from broken."""
        out = np.full(self.patterns, -1, np.int64)
        least = np.full(self.patterns, np.inf)
        _pick_tightest(*self._outside(unknowns), self.pattern, least, out)
        return out[(out >= 0) & (least < _FAR)]

    def broken(self, unknowns: Floats) -> NDArray[np.int64]:
        """Return the broken rows outside."""
        return self._broken_or_near(unknowns, np.zeros(len(unknowns)))

    def _broken_or_near(self, unknowns: Floats, moved: Floats) -> NDArray[np.int64]:
        """Return the rows outside that are broken and, where any is, those that soon may be.

        These have less room than the last step would have taken from a row if all its unknowns had
        `moved` against it: one by one they would take an iteration each.
        """
        out = np.zeros(len(self.inside), np.bool_)
        if not _mark_tight(*self._outside(unknowns), moved, out):
            return np.zeros(0, np.int64)
        return np.flatnonzero(out)

    def _outside(self, unknowns: Floats) -> tuple[Ints, Floats, Floats, Floats, NDArray[np.bool_]]:
        every = self.every
        return every.columns, every.coefficients, every.bound, unknowns, self.inside

    def _take(self, more: NDArray[np.int64]) -> None:
        self.inside[more] = True
        self.index = np.concatenate([self.index, more])
        self.sides = _joined(self.sides, _rows_of(self.every, more))
        block = np.concatenate([self.quadratic.block, self.whole.block[more]])
        self.quadratic = replace(self.quadratic, block=block)
        self.pairs = max(len(block) + int(np.isfinite(self.sides.penalty).sum()), 1)

    def join_broken(self, state: _State, mean: float) -> bool:
        """Take up broken rows, with products like the others'; tell whether there were any.

        Their multipliers begin small and what they lack is left to the next steps, so the gradient
        stays about what it was: with multipliers that fit how far they are broken all would have to
        begin anew.
        """
        new = self._broken_or_near(state.d, state.moved)
        if len(new) == 0:
            return False
        every, penalty = self.every, self.every.penalty[new]
        value = np.empty(len(new))
        _gather(every.columns[new], every.coefficients[new], state.d, value)
        off = np.maximum(np.abs(every.bound[new] - value), _LEAST_OFF)
        y = np.minimum(mean / off, _MOST_SHARE * penalty)
        v = penalty - y
        self._take(new)
        state.q, state.y = np.append(state.q, mean / y), np.append(state.y, y)
        state.s, state.v = np.append(state.s, mean / v), np.append(state.v, v)
        return True

    def all(self, multipliers: Floats) -> Floats:
        """Return the multipliers of all rows."""
        out = np.zeros(len(self.inside))
        out[self.index] = multipliers
        return out


def _rows_of(sides: Sides, rows: NDArray[np.int64]) -> Sides:
    return Sides(
        sides.columns[rows], sides.coefficients[rows], sides.bound[rows], sides.penalty[rows]
    )


def _joined(a: Sides, b: Sides) -> Sides:
    return Sides(
        np.concatenate([a.columns, b.columns]),
        np.concatenate([a.coefficients, b.coefficients]),
        np.concatenate([a.bound, b.bound]),
        np.concatenate([a.penalty, b.penalty]),
    )


@dataclass(eq=False)
class _State:
    """Where the iterates are; `moved` is how far the last step took each unknown."""

    d: Floats
    moved: Floats
    q: Floats
    s: Floats
    y: Floats
    v: Floats

    def pairs(self) -> tuple[Floats, Floats, Floats, Floats]:
        return self.q, self.s, self.y, self.v

    def product_sum(self) -> float:
        return float(_product_sum(*self.pairs()))


def _prepare(matrix: csc_array, pull: Floats, sides: Sides) -> Quadratic:
    """Widen the pattern of H's upper triangle by the rows' products; find where each lands."""
    p = matrix.shape[0]
    wide = sides.columns.astype(np.int64)
    key = (wide[:, 0] + 1) * (p + 1) ** 2 + (wide[:, 1] + 1) * (p + 1) + wide[:, 2] + 1
    _, first, block = np.unique(key, return_index=True, return_inverse=True)
    blocks = sides.columns[first]
    i = np.repeat(blocks, 3, axis=1)
    j = np.tile(blocks, (1, 3))
    used = (i >= 0) & (i <= j)
    entries = upper_of(matrix).tocoo()
    rows = np.concatenate([entries.row, i[used], np.arange(p)])
    cols = np.concatenate([entries.col, j[used], np.arange(p)])
    data = np.concatenate([entries.data, np.zeros(int(used.sum()) + p)])
    full = csc_array(coo_array((data, (rows, cols)), shape=(p, p)))
    full.sum_duplicates()
    full.sort_indices()
    column_of = np.repeat(np.arange(p, dtype=np.int64), np.diff(full.indptr))
    keys = column_of * p + full.indices
    slots = np.full(i.shape, _NO_COLUMN, np.int64)
    slots[used] = np.searchsorted(keys, j[used].astype(np.int64) * p + i[used])
    return Quadratic(matrix, pull, full, block.astype(np.int32), slots)


def row_values(sides: Sides, unknowns: Floats) -> Floats:
    """Return (K,) the value of every row."""
    out = np.empty(len(sides.bound))
    _gather(sides.columns, sides.coefficients, unknowns, out)
    return out


def add_forces(sides: Sides, multipliers: Floats, out: Floats) -> None:
    """Add to (P,) numbers what the rows' multipliers pull at the unknowns."""
    _scatter(sides.columns, sides.coefficients, multipliers, out)


def _start(sides: Sides, start: Floats, product: float) -> _State:
    """Give every pair one product, with slack no larger than that product makes it."""
    value = row_values(sides, start)
    soft = np.isfinite(sides.penalty)
    product *= float(sides.penalty[soft].mean()) if soft.any() else 1.0
    q, s, y, v = _central(value - sides.bound, sides.penalty, product)
    return _State(start.copy(), np.zeros(len(start)), q, s, y, v)


def _lack(sides: Sides, state: _State) -> Floats:
    """Return (K,) what is missing from q = row value + slack."""
    out = row_values(sides, state.d)
    out -= sides.bound
    out += state.s
    out -= state.q
    return out


def _unpriced(sides: Sides, state: _State, lack: Floats) -> float:
    """Return how far, per row, the duality gap may be above the sum of products.

    What a row lacks in q = row value + slack is within the residual goal, but it has a price: the
    multiplier, and the whole penalty where it means slack that the state does not know of.
    """
    return float(_price_of_lack(state.q, state.y, lack, sides.penalty)) / max(len(lack), 1)


def _largest_force(sides: Sides, state: _State, count: int) -> float:
    total = np.zeros(count)
    _scatter_sizes(sides.columns, sides.coefficients, state.y, total)
    return float(total.max(initial=0.0))


def _gradient(quadratic: Quadratic, sides: Sides, state: _State) -> Floats:
    out: Floats = quadratic.matrix @ state.d - quadratic.pull
    add_forces(sides, -state.y, out)
    return out


def _advance(
    quadratic: Quadratic,
    factor: Factor,
    sides: Sides,
    state: _State,
    gradient: Floats,
    lack: Floats,
    mean: float,
) -> bool:
    """One predictor-corrector step with as many centrality corrections as pay, in place.

    False where the matrix has no factor: products have run below all digits.
    """
    data, count = quadratic.upper.data.copy(), len(lack)
    stiff, per_q, per_s = np.empty(count), np.empty(count), np.empty(count)
    _condense(
        sides.coefficients, quadratic.block, quadratic.slots, *state.pairs(), data,
        stiff, per_q, per_s,
    )  # fmt: skip
    factor.again(data)
    newton = _Newton(factor, sides, state, gradient, lack, stiff, per_q, per_s)
    # Rooms for the move so far and for one that may be better, each with the wishes it follows.
    move, other = newton.room(), newton.room()
    _wish_none(*state.pairs(), move.wish_q, move.wish_s)
    right = newton.follow(move)
    if not factor.solves(right, move.step):
        return False
    goal = (1.0 - min(move.length, 1.0)) ** 3 * mean
    _add_second_order(*move.parts(), state.v, goal, move.wish_q, move.wish_s)
    newton.follow(move)
    centre = max(goal, _LEAST_CENTRE * mean)
    for _ in range(_CORRECTIONS):
        aim = min(1.0, 1.5 * move.length + 0.1)
        _wish_centrality(
            *state.pairs(), *move.parts(), aim, centre, move.wish_q, move.wish_s,
            other.wish_q, other.wish_s,
        )  # fmt: skip
        newton.follow(other)
        if other.length < move.length + _WORTH * (aim - move.length):
            break
        move, other = other, move
    length = min(move.length * _STEP_SHARE, 1.0)
    move.step *= length
    state.d += move.step
    state.moved = np.abs(move.step)
    _go(length, *state.pairs(), *move.parts())
    return True


@dataclass(eq=False)
class _Move:
    """Moves of the unknowns and the pairs, by what the products are wished to change."""

    step: Floats
    q: Floats
    s: Floats
    y: Floats
    v: Floats
    wish_q: Floats
    wish_s: Floats
    length: float

    def parts(self) -> tuple[Floats, Floats, Floats, Floats]:
        return self.q, self.s, self.y, self.v


@dataclass(eq=False)
class _Newton:
    """Newton directions at one point: the complementary products are to change by the wishes.

    stiff, per_q, per_s : (K,) how a row's multiplier answers to a rise of its value and to each
        wish (see `_condense`).
    """

    factor: Factor
    sides: Sides
    state: _State
    gradient: Floats
    lack: Floats
    stiff: Floats
    per_q: Floats
    per_s: Floats

    def room(self) -> _Move:
        """Return a move that `follow` fills in."""
        q, s, y, v, wish_q, wish_s = np.empty((6, len(self.lack)))
        return _Move(np.empty(0), q, s, y, v, wish_q, wish_s, 0.0)

    def follow(self, move: _Move) -> Floats:
        """Write the moves for the wishes of `move`, and how much of them may be gone.

        Returns what the step of the unknowns was solved for.
        """
        columns, coefficients = self.sides.columns, self.sides.coefficients
        answers = self.stiff, self.per_q, self.per_s
        right = -self.gradient
        _push_wishes(columns, coefficients, *answers, self.lack, move.wish_q, move.wish_s, right)
        move.step = self.factor.solve(right)
        limit = _recover(
            columns, coefficients, move.step, *self.state.pairs(), *answers, self.lack,
            move.wish_q, move.wish_s, *move.parts(),
        )  # fmt: skip
        move.length = float(limit)
        return right


# The loops. A row of infinite penalty has v = inf and s = 0 throughout.


@njit(nogil=True, cache=True)
def _gather(columns, coefficients, d, out):  # type: ignore[no-untyped-def]
    for k in range(len(columns)):
        total = 0.0
        for a in range(3):
            if columns[k, a] >= 0:
                total += coefficients[k, a] * d[columns[k, a]]
        out[k] = total


@njit(nogil=True, cache=True)
def _room(columns, coefficients, bound, d, k):  # type: ignore[no-untyped-def]
    room = -bound[k]
    for a in range(3):
        if columns[k, a] >= 0:
            room += coefficients[k, a] * d[columns[k, a]]
    return room


@njit(nogil=True, cache=True)
def _pick_tightest(columns, coefficients, bound, d, inside, pattern, least, out):  # type: ignore[no-untyped-def]
    for k in range(len(columns)):
        if not inside[k]:
            room = _room(columns, coefficients, bound, d, k)
            if room < least[pattern[k]]:
                least[pattern[k]] = room
                out[pattern[k]] = k


@njit(nogil=True, cache=True)
def _mark_tight(columns, coefficients, bound, d, inside, moved, out):  # type: ignore[no-untyped-def]
    """Mark broken rows outside and those that `moved` would break; tell whether any is broken."""
    broken = False
    for k in range(len(columns)):
        if not inside[k]:
            room = _room(columns, coefficients, bound, d, k)
            near = -_JOIN
            for a in range(3):
                if columns[k, a] >= 0:
                    near += abs(coefficients[k, a]) * moved[columns[k, a]]
            out[k] = room < near
            broken |= room < -_JOIN
    return broken


@njit(nogil=True, cache=True)
def _scatter(columns, coefficients, weight, out):  # type: ignore[no-untyped-def]
    for k in range(len(columns)):
        for a in range(3):
            if columns[k, a] >= 0:
                out[columns[k, a]] += coefficients[k, a] * weight[k]


@njit(nogil=True, cache=True)
def _central(value, penalty, product):  # type: ignore[no-untyped-def]
    n = len(value)
    q, s, y, v = np.empty(n), np.zeros(n), np.empty(n), np.full(n, np.inf)
    for k in range(n):
        r, rho = value[k], penalty[k]
        if rho == np.inf:
            q[k] = r
            y[k] = product / r
            continue
        # q - s = r, q y = s v = product and y + v = rho have this one positive solution; the
        # smaller of q and s comes from their product so that no digits cancel.
        root = np.sqrt((rho * r) ** 2 + 4.0 * product * product)
        large = (2.0 * product + rho * abs(r) + root) / (2.0 * rho)
        small = product / (rho - product / large)
        q[k], s[k] = (large, small) if r >= 0 else (small, large)
        y[k], v[k] = product / q[k], product / s[k]
    return q, s, y, v


@njit(nogil=True, cache=True)
def _scatter_sizes(columns, coefficients, weight, out):  # type: ignore[no-untyped-def]
    for k in range(len(columns)):
        for a in range(3):
            if columns[k, a] >= 0:
                out[columns[k, a]] += abs(coefficients[k, a]) * weight[k]


@njit(nogil=True, cache=True)
def _product_sum(q, s, y, v):  # type: ignore[no-untyped-def]
    total = 0.0
    for k in range(len(q)):
        total += q[k] * y[k]
        if v[k] != np.inf:
            total += s[k] * v[k]
    return total


@njit(nogil=True, cache=True)
def _price_of_lack(q, y, lack, penalty):  # type: ignore[no-untyped-def]
    total = 0.0
    for k in range(len(q)):
        total += y[k] * abs(lack[k])
        unknown = -lack[k] - q[k]
        if penalty[k] != np.inf and unknown > 0.0:
            total += penalty[k] * unknown
    return total


@njit(nogil=True, cache=True)
def _condense(coefficients, block, slots, q, s, y, v, data, stiff, per_q, per_s):  # type: ignore[no-untyped-def]
    """Fold the rows into the matrix; write how their multipliers answer.

    With alpha = y / q and beta = v / s a row's stiffness is alpha beta / (alpha + beta). For a rise
    of its value and wishes of its products the multiplier changes by
    per_q * wish_q - stiff * rise - per_s * wish_s.
    """
    for k in range(len(q)):
        alpha = y[k] / q[k]
        if v[k] == np.inf:
            stiff[k], per_q[k], per_s[k] = alpha, 1.0 / q[k], 0.0
        else:
            beta = v[k] / s[k]
            share = 1.0 / (alpha + beta)
            stiff[k] = alpha * beta * share
            per_q[k], per_s[k] = beta * share / q[k], alpha * share / s[k]
        for a in range(3):
            for b in range(3):
                slot = slots[block[k], 3 * a + b]
                if slot >= 0:
                    data[slot] += stiff[k] * coefficients[k, a] * coefficients[k, b]


@njit(nogil=True, cache=True)
def _wish_none(q, s, y, v, wish_q, wish_s):  # type: ignore[no-untyped-def]
    """Wish that every product vanishes."""
    for k in range(len(q)):
        wish_q[k] = -q[k] * y[k]
        wish_s[k] = 0.0 if v[k] == np.inf else -s[k] * v[k]


@njit(nogil=True, cache=True)
def _add_second_order(dq, ds, dy, dv, v, goal, wish_q, wish_s):  # type: ignore[no-untyped-def]
    """Mehrotra: aim at products of `goal`, and undo what the predictor's own product leaves."""
    for k in range(len(dq)):
        wish_q[k] += goal - dq[k] * dy[k]
        if v[k] != np.inf:
            wish_s[k] += goal - ds[k] * dv[k]


@njit(nogil=True, cache=True)
def _towards_middle(product, goal):  # type: ignore[no-untyped-def]
    """Return what brings a product back to within a factor of ten of the goal."""
    if product < 0.1 * goal:
        return 0.1 * goal - product
    if product > 10.0 * goal:
        return max(10.0 * goal - product, -10.0 * goal)
    return 0.0


@njit(nogil=True, cache=True)
def _wish_centrality(q, s, y, v, dq, ds, dy, dv, length, goal, wish_q, wish_s, next_q, next_s):  # type: ignore[no-untyped-def]
    """Write wishes with the corrections of the products that stray at a step of `length`.

    Source: Gondzio, "Multiple centrality corrections in a primal-dual method for linear
    programming", Computational Optimization and Applications 6, 1996.
    """
    for k in range(len(q)):
        product = (q[k] + length * dq[k]) * (y[k] + length * dy[k])
        next_q[k] = wish_q[k] + _towards_middle(product, goal)
        next_s[k] = wish_s[k]
        if v[k] != np.inf:
            product = (s[k] + length * ds[k]) * (v[k] + length * dv[k])
            next_s[k] += _towards_middle(product, goal)


@njit(nogil=True, cache=True)
def _push_wishes(columns, coefficients, stiff, per_q, per_s, lack, wish_q, wish_s, right):  # type: ignore[no-untyped-def]
    for k in range(len(lack)):
        target = per_q[k] * wish_q[k] - stiff[k] * lack[k] - per_s[k] * wish_s[k]
        for a in range(3):
            if columns[k, a] >= 0:
                right[columns[k, a]] += coefficients[k, a] * target


@njit(nogil=True, cache=True)
def _shorter(limit, value, move):  # type: ignore[no-untyped-def]
    """Return the limit of a step, or less where the value would become negative before it."""
    return -value / move if value + limit * move < 0.0 else limit


@njit(nogil=True, cache=True)
def _recover(  # type: ignore[no-untyped-def]
    columns, coefficients, step, q, s, y, v, stiff, per_q, per_s, lack, wish_q, wish_s,
    dq, ds, dy, dv,
):  # fmt: skip
    """Fill in the moves of q, s, y, v for a step of the unknowns; return the longest allowed."""
    limit = _MOST_STEPS
    for k in range(len(q)):
        rise = lack[k]
        for a in range(3):
            if columns[k, a] >= 0:
                rise += coefficients[k, a] * step[columns[k, a]]
        change = per_q[k] * wish_q[k] - stiff[k] * rise - per_s[k] * wish_s[k]
        ds[k], dv[k] = 0.0, 0.0
        if v[k] != np.inf:
            ds[k] = (wish_s[k] + s[k] * change) / v[k]
            dv[k] = -change
            limit = _shorter(_shorter(limit, s[k], ds[k]), v[k], dv[k])
        dq[k] = rise + ds[k]
        dy[k] = change
        limit = _shorter(_shorter(limit, q[k], dq[k]), y[k], dy[k])
    return limit


@njit(nogil=True, cache=True)
def _go(length, q, s, y, v, dq, ds, dy, dv):  # type: ignore[no-untyped-def]
    for k in range(len(q)):
        q[k] += length * dq[k]
        y[k] += length * dy[k]
        if v[k] != np.inf:
            s[k] += length * ds[k]
            v[k] += length * dv[k]
