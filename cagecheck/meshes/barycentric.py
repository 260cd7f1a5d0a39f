"""Where a point lies in a triangle, as weights of its corners.

Ericson, "Real-Time Collision Detection", 2005, section 3.4: ratios of signed areas.
"""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats


def barycentric_of(points: Floats, corners: Floats) -> Floats:
    """Return (N, 3) weights of points in the planes of triangles (N, 3, 3), none below 0.

    A triangle without area is its first corner.
    """
    u, v, q = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0], points - corners[:, 0]
    normal = np.cross(u, v)
    square = np.einsum("ij,ij->i", normal, normal)
    inverse = np.divide(1.0, square, out=np.zeros_like(square), where=square > 0)
    second = np.clip(np.einsum("ij,ij->i", np.cross(q, v), normal) * inverse, 0, 1)
    third = np.clip(np.einsum("ij,ij->i", np.cross(u, q), normal) * inverse, 0, 1 - second)
    return np.stack([1 - second - third, second, third], axis=1)
