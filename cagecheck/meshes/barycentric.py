"""Where a point lies in a triangle, as weights of its corners.

Ericson, "Real-Time Collision Detection", 2005, section 3.4: ratios of signed areas.
"""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import Vector, corners, cross, einsum_dot, minus, row, store
from cagecheck.loops import njit


def barycentric_of(points: Floats, triangles: Floats) -> Floats:
    """Return (N, 3) weights of points in the planes of triangles (N, 3, 3), none below 0.

    A triangle without area is its first corner.
    """
    out = np.empty((len(points), 3))
    _weigh(np.asarray(points, np.float64), np.asarray(triangles, np.float64), out)
    return out


@njit(cache=True, nogil=True)
def _weigh(points: Floats, triangles: Floats, out: Floats) -> None:
    for i in range(len(out)):
        a, b, c = corners(triangles, i)
        store(out, i, weights_in(row(points, i), a, b, c))


@njit(cache=True, nogil=True)
def weights_in(point: Vector, a: Vector, b: Vector, c: Vector) -> Vector:
    """Return the weights of a point in the plane of a triangle, see `barycentric_of`."""
    u, v, q = minus(b, a), minus(c, a), minus(point, a)
    normal = cross(u, v)
    square = einsum_dot(normal, normal)
    inverse = 1.0 / square if square > 0.0 else 0.0
    second = min(max(einsum_dot(cross(q, v), normal) * inverse, 0.0), 1.0)
    third = min(max(einsum_dot(cross(u, q), normal) * inverse, 0.0), 1.0 - second)
    return 1.0 - second - third, second, third
