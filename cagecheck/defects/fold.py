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

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage
from cagecheck.rays.points import SurfacePoints


def fold_ratio(low: LowPoly, cage: Cage, points: SurfacePoints) -> Floats:
    """Return (N,) the least J over 0 <= h <= 1 on each point's ray, against an unfolded shell.

    The scale is (2 area) |D|, the Jacobian of a straight prism: 1 is straight, 0 is where the
    shell collapses, below 0 it is folded. NaN where the cage touches the low poly.
    """
    least = least_quadratic(*shell_quadratic(low, cage, points))
    moved = np.einsum("ij,ijk->ik", points.barycentric, cage.displacement[points.triangle])
    scale = 2 * low.area[points.triangle] * np.linalg.norm(moved, axis=1)
    return np.divide(least, scale, out=np.full(len(points), np.nan), where=scale > 0)


def shell_quadratic(
    low: LowPoly, cage: Cage, points: SurfacePoints
) -> tuple[Floats, Floats, Floats]:
    """Return (N,) coefficients c0, c1, c2 of J = c0 + c1 h + c2 h^2 on each point's ray."""
    triangle = points.triangle
    p = low.positions[low.triangles]
    e1, e2 = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    d = cage.displacement
    f1, f2 = d[:, 1] - d[:, 0], d[:, 2] - d[:, 0]
    # Bernstein-free power form of the normal: n0 + h n1 + h^2 n2.
    n0, n1, n2 = np.cross(e1, e2), np.cross(e1, f2) + np.cross(f1, e2), np.cross(f1, f2)
    moved = np.einsum("ij,ijk->ik", points.barycentric, d[triangle])
    c0, c1, c2 = (np.einsum("ij,ij->i", n[triangle], moved) for n in (n0, n1, n2))
    return c0, c1, c2


def least_quadratic(c0: Floats, c1: Floats, c2: Floats) -> Floats:
    """Return the least value of c0 + c1 h + c2 h^2 for 0 <= h <= 1, elementwise."""
    least = np.minimum(c0, c0 + c1 + c2)
    with np.errstate(divide="ignore", invalid="ignore"):
        h = -c1 / (2 * c2)
    inside = (c2 > 0) & (h > 0) & (h < 1)
    h = np.where(inside, h, 0.0)
    out: Floats = np.where(inside, np.minimum(least, c0 + h * (c1 + h * c2)), least)
    return out
