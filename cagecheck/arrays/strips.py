"""Vectors side by side, for compiled loops over rays that hit a different triangle each.

What belongs to the triangles is scattered in memory. One loop fetches it for a strip of rays into
columns, the next computes with several columns at a time (see "wide loops" in `vectors`): fetching
and computing in one loop does one ray at a time. A strip is small enough to stay in the processor's
nearest cache and is used again for the next rays.
"""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import Vector
from cagecheck.loops import njit

# Rays at a time: with six vectors each they fill 9 of 32 KiB of a small first-level cache.
STRIP = 64
_STEP = np.uint64(STRIP)


@njit(cache=True, nogil=True)
def new_strip(vectors: int) -> Floats:
    """Return a strip with room for that many vectors a ray."""
    return np.zeros(3 * vectors * STRIP)


@njit(cache=True, nogil=True)
def put_column(strip: Floats, which: int, k: int, a: Vector) -> None:
    """Write vector number `which` of the strip's ray `k`."""
    at = 3 * which * STRIP + k
    strip[at], strip[at + STRIP], strip[at + 2 * STRIP] = a


@njit(cache=True, nogil=True, forceinline=True)
def column(strip: Floats, which: int, k: int | np.uint64) -> Vector:
    """Return vector number `which` of the strip's ray `k`, an unsigned index."""
    at = np.uint64(3) * np.uint64(which) * _STEP + k
    return strip[at], strip[at + _STEP], strip[at + _STEP + _STEP]
