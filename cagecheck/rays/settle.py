"""What a traversal found, made into rows of the layer table: the same for every engine.

Distances are computed again in float64, crossings sorted, those that a shared edge or vertex
doubled are merged, and what lies beyond the ray's ends is dropped.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import row
from cagecheck.loops import njit
from cagecheck.rays.rounding import refine

# Two faces hit at one shared edge lie this far apart sideways (unit scene).
SIDEWAYS = 8 * float(np.finfo(np.float32).eps)


def settle(
    positions: NDArray[Any],
    triangles: NDArray[np.int32],
    scale: float,
    origin: Floats,
    direction: Floats,
    depth: Floats,
    reach: Floats,
    counts: NDArray[np.int64],
    t: Floats,
    face: NDArray[np.int32],
) -> Any:
    """Return (counts per ray, t, face, front), ascending within a ray.

    counts, t, face : what was met along N rays, rays in order, t about right; overwritten.
    """
    slope = np.empty(len(t))
    used = _settle(
        positions, triangles, scale, origin, direction, depth, reach, counts, t, face, slope
    )
    return counts, t[:used].copy(), face[:used].copy(), slope[:used] > 0


@njit(cache=True, nogil=True, makes_arrays=False)
def _settle(
    positions: NDArray[Any],
    triangles: NDArray[np.int32],
    scale: float,
    origin: Floats,
    direction: Floats,
    depth: Floats,
    reach: Floats,
    counts: NDArray[np.int64],
    t: Floats,
    face: NDArray[np.int32],
    slope: Floats,
) -> int:
    """Settle in place; return how many crossings are left, all at the beginning.

    Refining in a loop of its own lets the processor fetch many triangles at once; between two
    traversals it would wait for each.
    """
    n = len(origin)
    k = 0
    for i in range(n):
        begin, along = row(origin, i), row(direction, i)
        for _ in range(counts[i]):
            t[k], slope[k] = refine(positions, triangles, face[k], begin, along, t[k], scale)
            k += 1
    first = 0
    used = 0
    for i in range(n):
        last = first + counts[i]
        kept = _sort_and_merge(triangles, t[first:last], face[first:last], slope[first:last], scale)
        counts[i] = 0
        for k in range(first, first + kept):
            if -depth[i] <= t[k] <= reach[i]:
                t[used], face[used], slope[used] = t[k], face[k], slope[k]
                used += 1
                counts[i] += 1
        first = last
    return used


@njit(cache=True, nogil=True, makes_arrays=False)
def _sort_and_merge(
    triangles: NDArray[np.int32],
    t: Floats,
    face: NDArray[np.int32],
    slope: Floats,
    scale: float,
) -> int:
    """Sort crossings by (t, face) and keep one of those that a shared edge or vertex doubled."""
    count = len(t)
    if count < 2:
        return count
    for i in range(1, count):
        ti, fi, si = t[i], face[i], slope[i]
        j = i - 1
        while j >= 0 and (t[j] > ti or (t[j] == ti and face[j] > fi)):
            t[j + 1], face[j + 1], slope[j + 1] = t[j], face[j], slope[j]
            j -= 1
        t[j + 1], face[j + 1], slope[j + 1] = ti, fi, si
    kept = 0
    for i in range(count):
        doubled = False
        for j in range(kept - 1, -1, -1):
            if t[i] - t[j] > SIDEWAYS * scale * (2 + _tangent(slope[i]) + _tangent(slope[j])):
                break
            if (slope[i] > 0) == (slope[j] > 0) and _share_vertex(triangles, face[i], face[j]):
                doubled = True
                break
        if not doubled:
            t[kept], face[kept], slope[kept] = t[i], face[i], slope[i]
            kept += 1
    return kept


@njit(cache=True, nogil=True, makes_arrays=False)
def _tangent(cosine: float) -> float:
    """Tangent of the angle between ray and normal, at most 1000 (a grazing ray)."""
    c = max(abs(cosine), 1e-3)
    return np.sqrt(max(1.0 - c * c, 0.0)) / c


@njit(cache=True, nogil=True, makes_arrays=False)
def _share_vertex(triangles: NDArray[np.int32], f: int, g: int) -> bool:
    for i in range(3):
        for j in range(3):
            if triangles[f, i] == triangles[g, j]:
                return True
    return False
