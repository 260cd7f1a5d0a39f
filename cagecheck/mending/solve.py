"""The least smooth displacement that keeps rows ``out . (blend of three places) >= need``.

The matrix is the same for the three coordinates and for every step, so it is factored once. What is
searched for are the rows' forces: they are not negative, and the displacement follows from them
(the dual problem: Nocedal and Wright, "Numerical Optimization", second edition, section 16.8).
Conjugate gradients with bounds find them: Dostál and Schöberl, "Minimizing Quadratic Functions
Subject to Bound Constraints with the Rate of Convergence and Finite Termination", Computational
Optimization and Applications 30(1), 2005. They find what moves large patches at once, and single
facets last. So alternating directions end the search (Boyd, Parikh, Chu, Peleato, Eckstein,
"Distributed Optimization and Statistical Learning via the Alternating Direction Method of
Multipliers", Foundations and Trends in Machine Learning 3(1), 2011): they do the opposite.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array, csr_array
from scipy.sparse.linalg import SuperLU, splu

from cagecheck.arrays.types import Floats

# Products with the rows' matrix per call at most: so many, or more where places are few and each
# costs little, as long as products times places stay below the last number.
_PRODUCTS, _MOST_PRODUCTS, _CHEAP = 80, 300, 1e6
# Forces are found when what they miss, times themselves, is less than this share of their work.
_STEADY = 0.005
# Rows may give way under the largest force by this many times what may lack. It bounds how unlike
# the rows' stiffnesses are, and so how long the search takes.
_GIVES = 4.0
# Alternating steps. Rows hold after ten of them; the others bring down what that has cost.
_STEPS = 40
# Steps overshoot by this factor (section 3.4.3 of the second reference: 1.5 to 1.8).
_OVER = 1.6
# Rows on places that may not move, but for less than this share, are beyond help.
_LEAST_SHARE = 0.02
# Turns of power iteration, and how far the largest eigenvalue may lie above what they tell.
_POWER_TURNS, _ABOVE = 6, 1.3


@dataclass(frozen=True, eq=False)
class Rows:
    """K one-sided rows on places: corner (K, 3), share (K, 3), out (K, 3), need (K,)."""

    corner: NDArray[np.int64]
    share: Floats
    out: Floats
    need: Floats

    def some(self, index: NDArray[np.int64]) -> Rows:
        """Return the rows of numbers (N,)."""
        return Rows(self.corner[index], self.share[index], self.out[index], self.need[index])


@dataclass(frozen=True, eq=False)
class Solution:
    """The displacement (P, 3), and the force of every row (K,) to begin the next search from."""

    move: Floats
    force: Floats


class Stiffness:
    """An energy whose places are in part free, factored: what forces on them do."""

    def __init__(self, energy: csc_array, free: NDArray[np.bool_]) -> None:
        self.index = np.flatnonzero(free)
        self.number = np.full(len(free), -1)
        self.number[self.index] = np.arange(len(self.index))
        self.inner = csc_array(energy[self.index][:, self.index])
        self._factor = factor(self.inner)

    def yields(self, force: Floats) -> Floats:
        """Return (F, 3) how far free places move under forces (F, 3)."""
        out: Floats = self._factor.solve(force)
        return out


class _Dual:
    """The rows as a quadratic function of their forces."""

    def __init__(self, stiffness: Stiffness, rows: Rows, pull: Floats) -> None:
        count = len(rows.need)
        used = stiffness.number[rows.corner] >= 0
        k = np.repeat(np.arange(count), 3).reshape(-1, 3)
        self.sample = coo_array(
            (rows.share[used], (k[used], stiffness.number[rows.corner][used])),
            shape=(count, len(stiffness.index)),
        ).tocsr()
        self.back = csr_array(self.sample.T)
        self.stiffness, self.out, self.pull, self.goal = stiffness, rows.out, pull, rows.need
        self.drawn = stiffness.yields(pull) if pull.any() else np.zeros_like(pull)
        self.need = rows.need - self._at(self.drawn)
        self.products = 0

    def along(self, at: Floats) -> Floats:
        """Return (K,) how far rows' points are moved out that are moved by (K, 3)."""
        out: Floats = np.einsum("ij,ij->i", self.out, at)
        return out

    def _at(self, move: Floats) -> Floats:
        return self.along(self.sample @ move)

    def lack(self, move: Floats) -> float:
        """Return how much the row that lacks most lacks."""
        return float((self.goal - self._at(move)).max())

    def moves(self, force: Floats) -> Floats:
        """Return (F, 3) what forces (K,) move, beside what is drawn."""
        return self.stiffness.yields(self.back @ (force[:, None] * self.out))

    def times(self, force: Floats) -> Floats:
        """Return (K,) how far forces (K,) move the rows."""
        self.products += 1
        return self._at(self.moves(force))


def least_move(
    stiffness: Stiffness,
    rows: Rows,
    kept: float,
    pull: Floats | None = None,
    force: Floats | None = None,
    begin: Floats | None = None,
) -> Solution:
    """Minimise ``u.Q.u / 2 - pull.u`` over the rows, with u nothing where not free.

    kept : a row is kept when it lacks no more than this.
    pull : (P, 3), what draws the displacement elsewhere; nothing by default.
    force : from an earlier solution of nearly the same rows, to begin from.
    begin : (P, 3) that solution; what is returned stays near it, and may cost a little more.
    """
    index = stiffness.index
    move = np.zeros((len(stiffness.number), 3))
    right = np.zeros((len(index), 3)) if pull is None else pull[index]
    found = np.zeros(len(rows.need))
    movable = np.flatnonzero(
        (rows.share * (stiffness.number[rows.corner] >= 0)).sum(axis=1) >= _LEAST_SHARE
    )
    dual = _Dual(stiffness, rows.some(movable), right)
    if len(movable) == 0:
        move[index] = dual.drawn
        return Solution(move, found)
    x = np.zeros(len(movable)) if force is None else np.maximum(force[movable], 0.0)
    if begin is None:
        x = _bounded(dual, x, kept)
        u = dual.drawn + dual.moves(x)
        if dual.lack(u) > _GIVES * kept:
            # The search goes on from its own forces the next time. Those of the alternating steps
            # hold what they cost, too: where several frames pull against each other, a search that
            # begins there costs more than the one before, and the descent ends early.
            u = _alternating(dual, u, x)[0]
    else:
        u, x = _alternating(dual, begin[index], x)
    move[index], found[movable] = u, x
    return Solution(move, found)


def _alternating(dual: _Dual, u: Floats, x: Floats) -> tuple[Floats, Floats]:
    """Return a displacement near u that keeps the rows, and its forces."""
    sample, inner = dual.sample, dual.stiffness.inner
    diagonal = inner.diagonal()
    # The geometric middle of the energy's own stiffness at one place and over a large patch.
    rho = float(np.sqrt(np.median(diagonal) * diagonal.min()))
    stiff = factor(csc_array(inner + rho * (dual.back @ sample)))
    y = -x / rho
    at = sample @ u
    z = at + np.maximum(dual.goal - dual.along(at), 0.0)[:, None] * dual.out
    for _ in range(_STEPS):
        u = stiff.solve(dual.pull + rho * (dual.back @ (z - y[:, None] * dual.out)))
        at = sample @ u
        v = _OVER * at + (1 - _OVER) * z + y[:, None] * dual.out
        short = np.maximum(dual.goal - dual.along(v), 0.0)
        z = v + short[:, None] * dual.out
        y = -short
    return u, -rho * y


def _bounded(dual: _Dual, x: Floats, kept: float) -> Floats:
    """Return forces x >= 0 of least ``x.A.x / 2 - need.x``, A the rows' matrix and what gives."""
    most = _largest(dual, len(x))
    x = _scaled(dual, x)
    gives = _GIVES * kept / x.max() if x.any() else 0.0
    step = 1.0 / (_ABOVE * most + gives)

    def times(v: Floats) -> Floats:
        return dual.times(v) + gives * v

    gradient = times(x) - dual.need if x.any() else -dual.need.copy()
    along = _free(gradient, x)
    most_products = float(np.clip(_CHEAP / len(dual.pull), _PRODUCTS, _MOST_PRODUCTS))
    while dual.products < most_products:
        free, chopped = _free(gradient, x), np.where(x > 0, 0.0, np.minimum(gradient, 0.0))
        work = float(np.abs(x * gradient).sum())
        if -chopped.min() <= kept and np.abs(free).max() <= kept and work <= _STEADY * abs(
            _dot(x, dual.need)
        ):  # fmt: skip
            break
        reduced = np.minimum(x / step, free)
        if _dot(chopped, chopped) > max(_dot(reduced, free), 0.0):
            turned = times(chopped)
            length = _dot(gradient, chopped) / _dot(chopped, turned)
            x, gradient = x - length * chopped, gradient - length * turned
            along = _free(gradient, x)
            continue
        turned = times(along)
        curved = _dot(along, turned)
        length = _dot(gradient, along) / curved
        down = along > 0
        room = float((x[down] / along[down]).min(initial=np.inf))
        if length <= room:
            x, gradient = x - length * along, gradient - length * turned
            free = _free(gradient, x)
            along = free - _dot(free, turned) / curved * along
        else:
            x, gradient = np.maximum(x - room * along, 0.0), gradient - room * turned
            x = np.maximum(x - step * _free(gradient, x), 0.0)
            gradient = times(x) - dual.need
            along = _free(gradient, x)
    return x


def _dot(one: Floats, other: Floats) -> float:
    """Return the sum of products; the same whatever the number of threads."""
    return float(np.einsum("i,i->", one, other))


def _free(gradient: Floats, x: Floats) -> Floats:
    return np.where(x > 0, gradient, 0.0)


def _largest(dual: _Dual, count: int) -> float:
    """Return about the largest eigenvalue of the rows' matrix."""
    v = np.full(count, 1 / np.sqrt(count))
    out = 0.0
    for _ in range(_POWER_TURNS):
        turned = dual.times(v)
        out = float(np.sqrt(_dot(turned, turned)))
        v = turned / max(out, 1e-300)
    return out


def _scaled(dual: _Dual, x: Floats) -> Floats:
    """Return forces, or even ones where there are none, times what brings them nearest."""
    along = x if x.any() else np.maximum(dual.need, 0.0)
    if not along.any():
        return along
    length = _dot(dual.need, along) / max(_dot(along, dual.times(along)), 1e-300)
    return along * max(length, 0.0)


def factor(matrix: csc_array) -> SuperLU:
    """Factor a positive definite matrix."""
    return splu(
        csc_array(matrix),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
