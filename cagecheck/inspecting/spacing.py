"""Free space between UV islands, exact: the distance between the segments of their outlines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.inspecting.boxes import overlapping_boxes
from cagecheck.inspecting.islands import Islands, segment_ends
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly


@dataclass(frozen=True, eq=False)
class Gaps:
    """Pairs of islands on one map that lie nearer than a limit.

    Attributes
    ----------
    islands : (N, 2) int32, nearest pair first.
    distance : (N,) least distance between their outlines, UV units.
    half_edges : (N, 2) int64, the two nearest segments.
    complete : False when the search gave up because of too many.
    """

    islands: Ints
    distance: Floats
    half_edges: NDArray[np.int64]
    complete: bool


def island_gaps(low: LowPoly, islands: Islands, limit: float) -> Gaps:
    """Find the pairs of islands whose outlines come nearer than `limit` (UV units)."""
    border = islands.border
    a, b = segment_ends(low, border)
    owner = islands.of_triangle[border // 3]
    lows = np.minimum(a, b) - 0.5 * limit
    highs = np.maximum(a, b) + 0.5 * limit
    if len(border):
        step = float(np.ptp(np.concatenate([lows[:, 0], highs[:, 0]]))) + 1.0
        _, number = np.unique(islands.map_id[border // 3], return_inverse=True)
        shift = (step * number)[:, None] * np.array([1.0, 0.0])
        lows, highs = lows + shift, highs + shift
    pairs, complete = overlapping_boxes(lows, highs, owner)
    distance = segment_distances(a[pairs[:, 0]], b[pairs[:, 0]], a[pairs[:, 1]], b[pairs[:, 1]])
    near = distance < limit
    pairs, distance = pairs[near], distance[near]
    both = np.sort(owner[pairs], axis=1).astype(np.int64).reshape(-1, 2)
    order = np.lexsort((pairs[:, 1], pairs[:, 0], distance))
    key = both[order, 0] * max(islands.count, 1) + both[order, 1]
    _, first = np.unique(key, return_index=True)
    chosen = order[np.sort(first)]
    return Gaps(both[chosen].astype(np.int32), distance[chosen], border[pairs[chosen]], complete)


def segment_distances(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """Return the (N,) least distances between segments a-b and c-d in the plane, 0 if they meet."""
    out: Floats = _segment_distances(
        *(np.ascontiguousarray(x, np.float64).reshape(-1, 2) for x in (a, b, c, d))
    )
    return out


@njit(cache=True, nogil=True)
def _segment_distances(a, b, c, d):  # type: ignore[no-untyped-def]
    out = np.empty(len(a))
    for i in range(len(a)):
        if _cross(a[i], b[i], c[i], d[i]):
            out[i] = 0.0
            continue
        least = _to_segment(a[i], c[i], d[i])
        least = min(least, _to_segment(b[i], c[i], d[i]))
        least = min(least, _to_segment(c[i], a[i], b[i]))
        out[i] = np.sqrt(min(least, _to_segment(d[i], a[i], b[i])))
    return out


@njit(cache=True, nogil=True)
def _cross(a, b, c, d):  # type: ignore[no-untyped-def]
    """Do the segments cross in their insides? (Touching ends are found by the distances.)"""
    s1 = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    s2 = (b[0] - a[0]) * (d[1] - a[1]) - (b[1] - a[1]) * (d[0] - a[0])
    s3 = (d[0] - c[0]) * (a[1] - c[1]) - (d[1] - c[1]) * (a[0] - c[0])
    s4 = (d[0] - c[0]) * (b[1] - c[1]) - (d[1] - c[1]) * (b[0] - c[0])
    return ((s1 > 0 and s2 < 0) or (s1 < 0 and s2 > 0)) and (
        (s3 > 0 and s4 < 0) or (s3 < 0 and s4 > 0)
    )


@njit(cache=True, nogil=True)
def _to_segment(p, a, b):  # type: ignore[no-untyped-def]
    """Return the squared distance of a point to a segment."""
    ex, ey = b[0] - a[0], b[1] - a[1]
    wx, wy = p[0] - a[0], p[1] - a[1]
    length2 = ex * ex + ey * ey
    s = 0.0
    if length2 > 0.0:
        s = min(max((wx * ex + wy * ey) / length2, 0.0), 1.0)
    dx, dy = wx - s * ex, wy - s * ey
    return dx * dx + dy * dy
