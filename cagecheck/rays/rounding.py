"""What float32 traversal leaves open, and how it is mended.

Rays are traversed in float32 on a scene scaled to unit size: a position or direction is off by a
few units in the last place. Distances are computed again in float64 from the triangle that was hit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.hashing import mix
from cagecheck.arrays.vectors import Vector, cross, dot, minus, row
from cagecheck.loops import njit

# Segments are cast this much longer at both ends and cut to length in float64 afterwards.
SEGMENT_PAD = 32 * float(np.finfo(np.float32).eps)
# A ray that runs exactly through a vertex can slip between its triangles in float32, robust mode
# or not (0.4 % of such rays on a sphere). Every ray is therefore cast shifted by up to this much
# (unit scene), well within the rounding of its own origin, by a hash of its origin.
SHIFT = 4 * float(np.finfo(np.float32).eps)
# A ray that finds nothing may have run along an open border of the high poly: it is cast again
# with shifts to all sides (in any plane at least every 45 degrees) before it counts as a miss.
ALL_SIDES = np.array(
    [
        [x, y, z]
        for x in (-1.0, 0.0, 1.0)
        for y in (-1.0, 0.0, 1.0)
        for z in (-1.0, 0.0, 1.0)
        if abs(x) + abs(y) + abs(z) in (1.0, 3.0)
    ]
)
# Where the float64 plane distance and the float32 hit differ by more than this (unit scene), the
# ray grazes the triangle's plane and the traversal's own distance is the better one.
GRAZING_DISAGREEMENT = 1e-4
# One hash gives three fields of 21 bits, each a number in [-1, 1].
_FIELD = np.uint64((1 << 21) - 1)
_STEP = 2.0 / ((1 << 21) - 1)


@njit(cache=True, nogil=True, makes_arrays=False)
def shift_of(bits: NDArray[np.uint64], i: int) -> Vector:
    """Return the shift of ray i (unit scene) from the (N, 3) words of the rays' origins."""
    z = mix(bits[i, 0] + np.uint64(1), bits[i, 1] + np.uint64(2), bits[i, 2])
    return (
        SHIFT * (np.float64(z & _FIELD) * _STEP - 1.0),
        SHIFT * (np.float64((z >> np.uint64(21)) & _FIELD) * _STEP - 1.0),
        SHIFT * (np.float64(z >> np.uint64(42) & _FIELD) * _STEP - 1.0),
    )


@njit(cache=True, nogil=True, makes_arrays=False)
def refine(
    positions: NDArray[Any],
    triangles: NDArray[np.int32],
    face: int,
    origin: Vector,
    direction: Vector,
    t_rough: float,
    scale: float,
) -> Any:
    """Return (t, cosine of ray direction and triangle normal), in float64 from the triangle."""
    corner = row(positions, triangles[face, 0])
    u = minus(row(positions, triangles[face, 1]), corner)
    v = minus(row(positions, triangles[face, 2]), corner)
    normal = cross(u, v)
    slope = dot(normal, direction)
    square = dot(normal, normal)
    if slope == 0.0 or square == 0.0:
        return t_rough, 0.0
    t = dot(normal, minus(corner, origin)) / slope
    if abs(t - t_rough) > GRAZING_DISAGREEMENT * scale:
        t = t_rough
    return t, slope / np.sqrt(square)
