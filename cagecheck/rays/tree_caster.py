"""The slower ray engine: libigl's tree of boxes, in float64 and on one core.

Used where the fast engine has no build or fails its trial. It collects every crossing too,
coincident faces included, and its crossings go through the same `settle`, so that its tables are
those of the fast engine; measured about 30 times slower. It looks along the whole line of a ray and
drops what lies beyond its end.
"""

from __future__ import annotations

from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.loops import njit
from cagecheck.rays.first_hit import DOUBTFUL, Hits
from cagecheck.rays.rounding import ALL_SIDES, SEGMENT_PAD, SHIFT, shift_of
from cagecheck.rays.settle import settle

# libigl takes a triangle for parallel to the ray when twice its area, seen along the ray and times
# the direction's length, is below 1e-6: on a unit scene that drops triangles with edges of a
# thousandth. Directions as long as this leave it no triangle that float32 positions can hold.
STRETCH = 1e15
# Distances come back rounded to float32.
_ROUNDING = float(np.finfo(np.float32).eps)

Met = tuple[NDArray[np.int64], Floats, NDArray[np.int32]]


class TreeCaster:
    """Casts blocks of rays at a tree of boxes."""

    name = "libigl, tree of boxes (slower)"

    def __init__(
        self,
        positions: NDArray[Any],
        triangles: NDArray[np.int32],
        centre: Floats,
        scale: float,
    ) -> None:
        self._positions, self._triangles = positions, triangles
        self._centre, self._scale = centre, scale
        self._unit = np.ascontiguousarray((positions - centre) / scale, np.float64)
        self._corners = np.ascontiguousarray(triangles, np.int64)
        import igl  # loads in a tenth of a second, and the fast engine does without

        self._tree = igl.AABB()
        self._tree.init(self._unit, self._corners)

    def block(
        self, origin: Floats, direction: Floats, depth: Floats, reach: Floats
    ) -> tuple[NDArray[np.int64], Floats, NDArray[np.int32], NDArray[np.bool_]]:
        """Return (counts per ray, t, face, front) of all crossings, ascending within a ray."""
        below = depth + SEGMENT_PAD * self._scale
        start = (origin - below[:, None] * direction - self._centre) / self._scale
        length = (below + reach) / self._scale + SEGMENT_PAD
        _add_shifts(origin.view(np.uint64), start)
        met = self._meet(start, direction, length)
        missed = np.flatnonzero(met[0] == 0)
        for side in ALL_SIDES:
            if len(missed) == 0:
                break
            moved = start[missed] + 2.0 * SHIFT * side
            again = self._meet(moved, direction[missed], length[missed])
            met = _with_rows(met, missed, again)
            missed = missed[again[0] == 0]
        counts, along, face = met
        t = along * self._scale - np.repeat(below, counts)
        surface = self._positions, self._triangles, self._scale
        counts, t, face, front = settle(*surface, origin, direction, depth, reach, counts, t, face)
        return counts, t, face, front

    def first(
        self, origin: Floats, direction: Floats, start: Floats, depth: float, out: Hits
    ) -> int:
        """Leave every ray to the table, which is this engine's only question."""
        out.face[:], out.t[:] = DOUBTFUL, np.nan
        return len(out.face)

    def _meet(self, start: Floats, direction: Floats, length: Floats) -> Met:
        """Return (counts per ray, distance from the start, face) of rays in the unit scene."""
        if len(start) == 0:
            return np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int32)
        found = self._tree.intersect_ray(self._unit, self._corners, start, STRETCH * direction)
        counts = np.fromiter(map(len, found), np.int64, len(found))
        flat = chain.from_iterable(chain.from_iterable(found))
        # Four numbers a crossing: face, distance, two barycentrics.
        rows = np.fromiter(flat, np.float64, 4 * int(counts.sum())).reshape(-1, 4)
        along = rows[:, 1] * STRETCH
        ray = np.repeat(np.arange(len(found)), counts)
        kept = along <= length[ray] * (1.0 + _ROUNDING)
        counts = np.bincount(ray[kept], minlength=len(found)).astype(np.int64)
        return counts, along[kept], rows[kept, 0].astype(np.int32)


def _with_rows(met: Met, rays: NDArray[np.int64], again: Met) -> Met:
    """Put the crossings of `rays`, which had none, between those of the others."""
    counts, along, face = met
    if not again[0].any():
        return met
    ray = np.concatenate([np.repeat(np.arange(len(counts)), counts), np.repeat(rays, again[0])])
    order = np.argsort(ray, kind="stable")
    total = np.bincount(ray, minlength=len(counts)).astype(np.int64)
    return (
        total,
        np.concatenate([along, again[1]])[order],
        np.concatenate([face, again[2]])[order],
    )


@njit(cache=True, nogil=True)
def _add_shifts(origin_bits: NDArray[np.uint64], start: Floats) -> None:
    for i in range(len(start)):
        shift = shift_of(origin_bits, i)
        for k in range(3):
            start[i, k] += shift[k]
