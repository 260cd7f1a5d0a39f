"""UV overlap, exact: triangles are clipped against each other as polygons, not rasterised.

Clipping is Sutherland and Hodgman, "Reentrant Polygon Clipping", Communications of the ACM 17(1),
1974. Triangles that only share an edge or a corner overlap by nothing, whichever way they turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cagecheck.arrays.types import Floats, Ints
from cagecheck.inspecting.boxes import overlapping_boxes
from cagecheck.loops import njit

# Overlaps that reach less than this many texels into each other are rounding of the file (six
# decimals are 0.004 texels at 4096) and change no texel.
ROUNDING_TEXELS = 0.02


@dataclass(frozen=True, eq=False)
class Overlaps:
    """Pairs of UV triangles that cover the same place.

    Attributes
    ----------
    pairs : (N, 2) int32, triangles, ascending.
    area : (N,) the area that both cover, UV units squared. Where more than two triangles lie over
        each other every pair counts.
    complete : False when the search gave up because of too many; there are more then.
    """

    pairs: Ints
    area: Floats
    complete: bool


def uv_overlaps(uv: Floats, map_id: Ints, map_size: int) -> Overlaps:
    """Find all overlaps of (T, 3, 2) UV triangles that share a map.

    Triangles with a missing UV are left out. `map_size` is texels per tile, for the tolerance.
    """
    usable = np.flatnonzero(np.isfinite(uv).all(axis=(1, 2)))
    counter_clockwise = _oriented(uv[usable])
    low, high = counter_clockwise.min(axis=1), counter_clockwise.max(axis=1)
    if len(usable):
        # Maps side by side, so that boxes of different maps never meet.
        step = float(np.ptp(np.concatenate([low[:, 0], high[:, 0]]))) + 1.0
        _, number = np.unique(map_id[usable], return_inverse=True)
        shift = (step * number)[:, None] * np.array([1.0, 0.0])
        low, high = low + shift, high + shift
    candidates, complete = overlapping_boxes(low, high)
    area = _pair_areas(counter_clockwise, candidates, ROUNDING_TEXELS / map_size)
    hit = np.flatnonzero(area > 0)
    pairs = usable[candidates[hit]].astype(np.int32).reshape(-1, 2)
    order = np.lexsort((pairs[:, 1], pairs[:, 0]))
    return Overlaps(pairs[order], area[hit][order], complete)


def _oriented(uv: Floats) -> Floats:
    e1, e2 = uv[:, 1] - uv[:, 0], uv[:, 2] - uv[:, 0]
    mirrored = e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0] < 0
    out = np.where(mirrored[:, None, None], uv[:, ::-1], uv)
    return np.ascontiguousarray(out)


@njit(cache=True, nogil=True)
def _pair_areas(uv, pairs, tolerance):  # type: ignore[no-untyped-def]
    out = np.zeros(len(pairs))
    polygon = np.empty((8, 2))
    scratch = np.empty((8, 2))
    for n in range(len(pairs)):
        p, q = uv[pairs[n, 0]], uv[pairs[n, 1]]
        if _reach(p, q) > tolerance and _reach(q, p) > tolerance:
            out[n] = _clipped_area(p, q, polygon, scratch)
    return out


@njit(cache=True, nogil=True)
def _reach(p, q):  # type: ignore[no-untyped-def]
    """Return how far q reaches inside the edge of p that it reaches inside least."""
    least = np.inf
    for k in range(3):
        ax, ay = p[k, 0], p[k, 1]
        ex, ey = p[(k + 1) % 3, 0] - ax, p[(k + 1) % 3, 1] - ay
        length = np.sqrt(ex * ex + ey * ey)
        if length == 0.0:
            return 0.0
        most = -np.inf
        for m in range(3):
            most = max(most, (ex * (q[m, 1] - ay) - ey * (q[m, 0] - ax)) / length)
        least = min(least, most)
    return least


@njit(cache=True, nogil=True)
def _clipped_area(p, q, polygon, scratch):  # type: ignore[no-untyped-def]
    """Return the area of p clipped by the three edges of q, both counter-clockwise."""
    ox, oy = p[0, 0], p[0, 1]  # near the origin, so that areas keep their digits
    count = 3
    for k in range(3):
        polygon[k, 0], polygon[k, 1] = p[k, 0] - ox, p[k, 1] - oy
    for k in range(3):
        ax, ay = q[k, 0] - ox, q[k, 1] - oy
        ex, ey = q[(k + 1) % 3, 0] - q[k, 0], q[(k + 1) % 3, 1] - q[k, 1]
        kept = 0
        for m in range(count):
            sx, sy = polygon[m, 0], polygon[m, 1]
            tx, ty = polygon[(m + 1) % count, 0], polygon[(m + 1) % count, 1]
            s = ex * (sy - ay) - ey * (sx - ax)
            t = ex * (ty - ay) - ey * (tx - ax)
            if s >= 0:
                scratch[kept, 0], scratch[kept, 1] = sx, sy
                kept += 1
            if (s > 0 and t < 0) or (s < 0 and t > 0):
                w = s / (s - t)
                scratch[kept, 0], scratch[kept, 1] = sx + w * (tx - sx), sy + w * (ty - sy)
                kept += 1
        count = kept
        if count < 3:
            return 0.0
        for m in range(count):
            polygon[m, 0], polygon[m, 1] = scratch[m, 0], scratch[m, 1]
    doubled = 0.0
    for m in range(1, count - 1):
        ux, uy = polygon[m, 0] - polygon[0, 0], polygon[m, 1] - polygon[0, 1]
        vx, vy = polygon[m + 1, 0] - polygon[0, 0], polygon[m + 1, 1] - polygon[0, 1]
        doubled += ux * vy - uy * vx
    return max(0.5 * doubled, 0.0)
