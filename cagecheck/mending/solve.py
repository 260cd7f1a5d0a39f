"""The least smooth displacement that keeps rows ``out . (blend of three places) >= need``.

The matrix is the same for the three coordinates, so it is factored once and each step solves it for
all three: alternating directions (Boyd, Parikh, Chu, Peleato, Eckstein, "Distributed Optimization
and Statistical Learning via the Alternating Direction Method of Multipliers", Foundations and
Trends in Machine Learning 3(1), 2011), with the rows' half-spaces as one side and the energy as the
other. The stiffness between them is balanced as in its section 3.4.1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array
from scipy.sparse.linalg import SuperLU, splu

from cagecheck.arrays.types import Floats

# Steps per call at most, and how many between looks at the balance.
_MOST_STEPS, _STEPS_PER_LOOK = 80, 20
# Steps overshoot by this factor (section 3.4.3 of the reference: 1.5 to 1.8).
_OVER = 1.6
# Forces are found when they change by less than this share of themselves.
_STEADY = 0.01
# Sides out of balance by more than this change the stiffness by it (the reference's 10 and 2 are
# for a change at every step; a change here costs a factor).
_OUT_OF_BALANCE, _MOST_CHANGE, _MOST_FACTORS = 5.0, 30.0, 4


@dataclass(frozen=True, eq=False)
class Rows:
    """K one-sided rows on places: corner (K, 3), share (K, 3), out (K, 3), need (K,)."""

    corner: NDArray[np.int64]
    share: Floats
    out: Floats
    need: Floats


@dataclass(frozen=True, eq=False)
class Solution:
    """The displacement (P, 3) and the force of every row (K,)."""

    move: Floats
    force: Floats
    stiffness: float


def least_move(
    energy: csc_array,
    free: NDArray[np.bool_],
    rows: Rows,
    kept: float,
    pull: Floats | None = None,
    begin: Floats | None = None,
    force: Floats | None = None,
    stiffness: float | None = None,
) -> Solution:
    """Minimise ``u.Q.u / 2 - pull.u`` over the rows, with u nothing where not `free`.

    kept : a row is kept when it lacks no more than this.
    pull : (P, 3), what draws the displacement elsewhere; nothing by default.
    begin, force, stiffness : from an earlier solution of nearly the same rows, to begin from.
    """
    index = np.flatnonzero(free)
    number = np.full(len(free), -1)
    number[index] = np.arange(len(index))
    inner = csc_array(energy[index][:, index])
    k, count = np.arange(len(rows.need)), len(rows.need)
    used = number[rows.corner] >= 0
    sample = coo_array(
        (
            rows.share[used],
            (np.repeat(k, 3).reshape(-1, 3)[used], number[rows.corner][used]),
        ),
        shape=(count, len(index)),
    ).tocsr()
    right = np.zeros((len(index), 3)) if pull is None else pull[index]
    # The geometric middle of the energy's own stiffness at one place and over a large patch.
    diagonal = inner.diagonal()
    rho = stiffness or float(np.sqrt(np.median(diagonal) * diagonal.min())) if len(index) else 1.0
    y = np.zeros(count) if force is None else -force / rho
    u = np.zeros((len(index), 3)) if begin is None else begin[index]
    at = sample @ u
    z = at + np.maximum(rows.need - np.einsum("ij,ij->i", rows.out, at), 0.0)[:, None] * rows.out
    lu, factors, steps = None, 0, 0
    while steps < _MOST_STEPS and count and len(index):
        if lu is None:
            lu = factor(inner + rho * (sample.T @ sample))
            factors += 1
        for _ in range(_STEPS_PER_LOOK):
            u = lu.solve(right + rho * (sample.T @ (z - y[:, None] * rows.out)))
            at = sample @ u
            before = z
            mixed = _OVER * at + (1 - _OVER) * z
            v = mixed + y[:, None] * rows.out
            short = np.maximum(rows.need - np.einsum("ij,ij->i", rows.out, v), 0.0)
            z = v + short[:, None] * rows.out
            y = -short
        steps += _STEPS_PER_LOOK
        dual = rho * float(np.linalg.norm(sample.T @ (z - before)))
        scale_dual = max(rho * float(np.linalg.norm(sample.T @ (y[:, None] * rows.out))), 1e-300)
        lack = np.maximum(rows.need - np.einsum("ij,ij->i", rows.out, at), 0.0).max()
        if lack <= kept and dual <= _STEADY * scale_dual:
            break
        # Both sides count by how far they are from where the search may end.
        balance = np.sqrt((lack / kept) / max(dual / (_STEADY * scale_dual), 1e-300))
        if factors < _MOST_FACTORS and not 1 / _OUT_OF_BALANCE < balance < _OUT_OF_BALANCE:
            change = float(np.clip(balance, 1 / _MOST_CHANGE, _MOST_CHANGE))
            rho, y, lu = rho * change, y / change, None
    move = np.zeros((len(free), 3))
    move[index] = u
    return Solution(move, -rho * y, rho)


def factor(matrix: csc_array) -> SuperLU:
    """Factor a positive definite matrix."""
    return splu(
        csc_array(matrix),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
