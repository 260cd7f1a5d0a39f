"""The fast ray engine: every crossing of a ray in one traversal of Embree's scene."""

from __future__ import annotations

import ctypes
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import moved, row, store
from cagecheck.loops import njit
from cagecheck.rays import embree
from cagecheck.rays.first_hit import Hits, first_hits
from cagecheck.rays.rounding import ALL_SIDES, SEGMENT_PAD, SHIFT, shift_of
from cagecheck.rays.settle import settle

# Crossings that a ray's buffers first have room for; they grow when a ray needs more.
FIRST_CAPACITY = 64


class NativeCaster:
    """Casts blocks of rays; `library` is what `engine.load_embree` returned."""

    name = "embree, all crossings in one traversal"

    def __init__(
        self,
        library: ctypes.CDLL,
        positions: NDArray[Any],
        triangles: NDArray[np.int32],
        centre: Floats,
        scale: float,
    ) -> None:
        self._positions, self._triangles = positions, triangles
        self._centre, self._scale = centre, scale
        padded = np.zeros((len(positions) + embree.VERTEX_PADDING, 3), np.float32)
        _recentre(positions, centre, scale, padded)
        # Before any thread asks for it: what is compiled twice would have two addresses.
        self._collector = embree.collector()
        self._native = embree.NativeScene(library, padded[:-1], triangles.view(np.uint32))

    def block(
        self, origin: Floats, direction: Floats, depth: Floats, reach: Floats
    ) -> tuple[NDArray[np.int64], Floats, NDArray[np.int32], NDArray[np.bool_]]:
        """Return (counts per ray, t, face, front) of all crossings, ascending within a ray."""
        met = _traverse_block(
            self._native.handle,
            self._collector,
            self._centre,
            self._scale,
            origin,
            origin.view(np.uint64),
            direction,
            depth,
            reach,
        )
        surface = self._positions, self._triangles, self._scale
        counts, t, face, front = settle(*surface, origin, direction, depth, reach, *met)
        return counts, t, face, front

    def first(
        self, origin: Floats, direction: Floats, start: Floats, depth: float, out: Hits
    ) -> int:
        """Write what rays record into `out`; return how many are left `DOUBTFUL`."""
        doubtful: int = first_hits(
            self._native.handle,
            self._positions,
            self._triangles,
            self._centre,
            self._scale,
            origin,
            origin.view(np.uint64),
            direction,
            start,
            depth,
            out.face,
            out.t,
        )
        return doubtful


@njit(cache=True, nogil=True)
def _recentre(
    positions: NDArray[Any], centre: Floats, scale: float, out: NDArray[np.float32]
) -> None:
    for i in range(len(positions)):
        for k in range(3):
            out[i, k] = (positions[i, k] - centre[k]) / scale


@njit(cache=True, nogil=True)
def _traverse_block(
    native: int,
    collector: int,
    centre: Floats,
    scale: float,
    origin: Floats,
    origin_bits: NDArray[np.uint64],
    direction: Floats,
    depth: Floats,
    reach: Floats,
) -> Any:
    """Return (counts per ray, t as the traversal has it, face), rays in order."""
    n = len(origin)
    counts = np.zeros(n, np.int64)
    room = max(2 * n, 16)
    t_out = np.empty(room, np.float64)
    face_out = np.empty(room, np.int32)
    used = 0
    capacity = FIRST_CAPACITY
    query = embree.make_query(capacity, collector)
    alone = embree.make_query(capacity, collector)
    start = np.empty((embree.LANES, 3), np.float32)
    along = np.empty((embree.LANES, 3), np.float32)
    length = np.empty(embree.LANES, np.float32)
    pad = SEGMENT_PAD * scale
    for first in range(0, n, embree.LANES):
        lanes = min(embree.LANES, n - first)
        embree.clear_lanes(query)
        for lane in range(lanes):
            i = first + lane
            below = depth[i] + pad
            length[lane] = (below + reach[i] + pad) / scale
            shift = shift_of(origin_bits, i)
            for k in range(3):
                begin = (origin[i, k] - below * direction[i, k] - centre[k]) / scale
                start[lane, k] = begin + shift[k]
                along[lane, k] = direction[i, k]
            embree.set_lane(query, lane, row(start, lane), row(along, lane), length[lane])
        embree.cast_packet(native, query)
        most = 0
        for lane in range(lanes):
            if query.count[lane] == 0:
                _cast_to_all_sides(native, query, alone, start, along, length, lane)
            counts[first + lane] = query.count[lane]
            most = max(most, counts[first + lane])
        if most > capacity:
            capacity = 2 * most
            query = embree.make_query(capacity, collector)
            alone = embree.make_query(capacity, collector)
            embree.clear_lanes(query)
            for lane in range(lanes):
                embree.set_lane(query, lane, row(start, lane), row(along, lane), length[lane])
            embree.cast_packet(native, query)
        if used + lanes * most > room:
            room = 2 * (used + lanes * most)
            t_out = _grown(t_out, used, room)
            face_out = _grown(face_out, used, room)
        for lane in range(lanes):
            i = first + lane
            for k in range(counts[i]):
                face_out[used] = np.int32(query.face[lane, k])
                t_out[used] = np.float64(query.t[lane, k]) * scale - depth[i] - pad
                used += 1
    return counts, t_out[:used], face_out[:used]


@njit(cache=True, nogil=True)
def _cast_to_all_sides(
    native: int,
    query: embree.Query,
    alone: embree.Query,
    start: NDArray[np.float32],
    along: NDArray[np.float32],
    length: NDArray[np.float32],
    lane: int,
) -> None:
    """Cast a ray that found nothing again with other shifts, in the packet `alone`.

    Fills the lane's count, t and face of `query`, and moves `start` to the shift that found
    something.
    """
    for side in range(len(ALL_SIDES)):
        shifted = moved(row(start, lane), 2.0 * SHIFT, row(ALL_SIDES, side))
        embree.clear_lanes(alone)
        embree.set_lane(alone, 0, shifted, row(along, lane), length[lane])
        embree.cast_packet(native, alone)
        if alone.count[0] > 0:
            query.count[lane] = alone.count[0]
            query.t[lane] = alone.t[0]
            query.face[lane] = alone.face[0]
            store(start, lane, shifted)
            return


@njit(cache=True, nogil=True)
def _grown(array: Any, used: int, room: int) -> Any:
    out = np.empty(room, array.dtype)
    out[:used] = array[:used]
    return out
