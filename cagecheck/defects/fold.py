"""Folds: where the shell between low poly and cage turns inside out.

The shell over a triangle is the linear-in-height map of its prism,

    x(w, h) = sum_v w_v (p_v + h D_v),

with cage displacements D_v. Its Jacobian determinant at (w, h) is

    J = ((e1 + h f1) x (e2 + h f2)) . (sum_v w_v D_v),   e = edges of p, f = edges of D,

quadratic in h and linear in w. A shell whose J is positive everywhere is one to one over each
triangle (Jiang, Schneider, Zorin, Panozzo, "Bijective Projection in a Shell", ACM Transactions on
Graphics 39(6), 2020, build on the same prism map).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import blend, corners, dot, einsum_dot, row
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage
from cagecheck.rays.points import SurfacePoints

# A Jacobian above this share of what it is added up from is above zero however it was rounded.
PLAINLY = 1e-9


class Shell(NamedTuple):
    """Prisms over triangles: n0 + h n1 + h^2 n2 is twice the area times the normal at height h.

    n0, n1, n2 : (T, 3).
    """

    n0: Floats
    n1: Floats
    n2: Floats


def fold_ratio(low: LowPoly, cage: Cage, points: SurfacePoints) -> Floats:
    """Return (N,) the least J over 0 <= h <= 1 on each point's ray, against an unfolded shell.

    The scale is (2 area) |D|, the Jacobian of a straight prism: 1 is straight, 0 is where the
    shell collapses, below 0 it is folded. NaN where the cage touches the low poly.
    """
    shell, out = shell_of(low, cage), np.empty(len(points))

    def work(begin: int, end: int) -> None:
        here = slice(begin, end)
        out[here] = fold_ratios(shell, low, cage, points.triangle[here], points.barycentric[here])

    in_blocks(len(points), work)
    return out


def fold_ratios(
    shell: Shell, low: LowPoly, cage: Cage, triangle: Ints, barycentric: Floats
) -> Floats:
    """Return (n,) `fold_ratio` at places on triangles, in one go; shell : of the same cage."""
    out = np.empty(len(triangle))
    _ratios(triangle, barycentric, cage.displacement, *shell, low.area, out)
    return out


def fold_factor(low: LowPoly, cage: Cage, points: SurfacePoints) -> Floats:
    """Return (N,) the factor on the cage's displacement above which the shell folds at the sample.

    Scaling the displacement by k turns J(h) into k J(k h), so the shell over a sample is folded
    when J is negative anywhere in 0 <= h <= k: the factor is the first h at which J falls below
    zero; infinity where it never does.
    """
    shell, out = shell_of(low, cage), np.empty(len(points))

    def work(begin: int, end: int) -> None:
        _factors(begin, end, points.triangle, points.barycentric, cage.displacement, *shell, out)

    in_blocks(len(points), work)
    return out


def shell_of(low: LowPoly, cage: Cage) -> Shell:
    """Return the shell between low poly and cage."""
    p = low.positions[low.triangles]
    e1, e2 = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    d = cage.displacement
    f1, f2 = d[:, 1] - d[:, 0], d[:, 2] - d[:, 0]
    return Shell(np.cross(e1, e2), np.cross(e1, f2) + np.cross(f1, e2), np.cross(f1, f2))


def may_fold(shell: Shell, cage: Cage) -> NDArray[np.bool_]:
    """Return (T,) bool: False where the shell is plainly nowhere folded over a triangle.

    J is linear in w, so the least J over a triangle is that of one of its corners.
    """
    size = sum(np.linalg.norm(n, axis=1) for n in shell)
    longest = np.linalg.norm(cage.displacement, axis=2).max(axis=1)
    out = np.empty(len(shell.n0), bool)
    _may_fold(cage.displacement, *shell, PLAINLY * size * longest, out)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _may_fold(
    displacement: Floats, n0: Floats, n1: Floats, n2: Floats, above: Floats,
    out: NDArray[np.bool_],
) -> None:  # fmt: skip
    for f in range(len(out)):
        out[f] = False
        for d in corners(displacement, f):
            least = least_quadratic(
                einsum_dot(row(n0, f), d), einsum_dot(row(n1, f), d), einsum_dot(row(n2, f), d)
            )
            out[f] |= not least > above[f]


@njit(cache=True, nogil=True, makes_arrays=False)
def _ratios(
    triangle: Any, barycentric: Floats, displacement: Floats, n0: Floats, n1: Floats, n2: Floats,
    area: Floats, out: Floats,
) -> None:  # fmt: skip
    for i in range(len(out)):
        f = triangle[i]
        moved = blend(*corners(displacement, f), row(barycentric, i))
        least = least_quadratic(
            einsum_dot(row(n0, f), moved),
            einsum_dot(row(n1, f), moved),
            einsum_dot(row(n2, f), moved),
        )
        scale = 2 * area[f] * np.sqrt(dot(moved, moved))
        out[i] = least / scale if scale > 0 else np.nan


@njit(cache=True, nogil=True, makes_arrays=False)
def _factors(
    begin: int, end: int, triangle: Any, barycentric: Floats, displacement: Floats, n0: Floats,
    n1: Floats, n2: Floats, out: Floats,
) -> None:  # fmt: skip
    for i in range(begin, end):
        f = triangle[i]
        moved = blend(*corners(displacement, f), row(barycentric, i))
        out[i] = first_below_zero(
            einsum_dot(row(n0, f), moved),
            einsum_dot(row(n1, f), moved),
            einsum_dot(row(n2, f), moved),
        )


@njit(cache=True, nogil=True, error_model="numpy")
def first_below_zero(c0: float, c1: float, c2: float) -> float:
    """Return the least h >= 0 at which c0 + c1 h + c2 h^2 falls below zero, else infinity."""
    # A shell that is inside out at the low poly itself is folded at any distance.
    if c0 < 0 or (c0 == 0 and (c1 < 0 or (c1 == 0 and c2 < 0))):
        return 0.0
    square = c1 * c1 - 4 * c0 * c2
    if not square > 0:
        return np.inf
    # Both roots without cancellation: q / c2 and c0 / q.
    root = np.sqrt(square)
    q = -0.5 * (c1 + (-root if c1 < 0 else root))
    least = np.inf
    for h in (c0 / q, q / c2):
        if 0 < h < least:
            least = h
    return least


@njit(cache=True, nogil=True)
def least_quadratic(c0: float, c1: float, c2: float) -> float:
    """Return the least value of c0 + c1 h + c2 h^2 for 0 <= h <= 1."""
    least = min(c0, c0 + c1 + c2)
    if c2 > 0:
        h = -c1 / (2 * c2)
        if 0 < h < 1:
            least = min(least, c0 + h * (c1 + h * c2))
    return least
