"""Casting: the high poly as a scene, and the layer table of rays through it."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import moved, row, store
from cagecheck.errors import InputError
from cagecheck.meshes.mesh import Surface
from cagecheck.progress import Progress, silent
from cagecheck.rays import embree
from cagecheck.rays.first_hit import DOUBTFUL, MISSED, Hits, first_hits
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.restart import RestartCaster
from cagecheck.rays.rounding import SEGMENT_PAD, SHIFT, refine, shift_of
from cagecheck.rays.winding import orientation

log = logging.getLogger(__name__)

# Rays per task: enough to hide Python's share, few enough to balance two threads and to keep a
# task's buffers in cache. 65,536 measured as fast as four times as many.
BLOCK = 65_536
# Crossings that a ray's buffers first have room for; they grow when a ray needs more.
FIRST_CAPACITY = 64
# Two faces hit at one shared edge lie this far apart sideways (unit scene).
SIDEWAYS = 8 * float(np.finfo(np.float32).eps)
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


def usable_cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class LayerCaster(Protocol):
    """What casts a block of rays: the native engine or the slower one."""

    name: str

    def block(
        self, origin: Floats, direction: Floats, depth: Floats, reach: Floats
    ) -> tuple[NDArray[np.int64], Floats, NDArray[np.int32], NDArray[np.bool_]]:
        """Return (counts per ray, t, face, front) of all crossings, ascending within a ray."""
        ...

    def first(
        self, origin: Floats, direction: Floats, start: Floats, depth: float, out: Hits
    ) -> int:
        """Write what rays record into `out`; return how many rays it leaves `DOUBTFUL`."""
        ...


class Scene:
    """A high poly to cast rays at, built once.

    The scene is moved to its own centre and scaled to unit size for traversal in float32; hit
    distances are computed again in float64 from the hit triangle.

    Parameters
    ----------
    surface : the triangles; must have at least one.
    threads : how many threads cast; all cores by default.

    Attributes
    ----------
    engine : name of the ray engine in use, for results.
    scale : length of the surface's bounding box's longest side, world units.

    Raises
    ------
    InputError : the surface has no triangles, or an index points outside its vertices.
    """

    def __init__(self, surface: Surface, *, threads: int | None = None) -> None:
        if surface.triangle_count == 0:
            raise InputError(
                "the high poly has no triangles.",
                file=surface.source.path if surface.source else None,
                cure="Check the export.",
            )
        self.surface = surface
        self.threads = threads or usable_cores()
        self.triangles = np.ascontiguousarray(surface.triangles).view(np.int32)
        top = int(self.triangles.view(np.uint32).max())
        if top >= len(surface.positions):
            raise InputError(
                f"a triangle uses vertex {top:,}, but there are {len(surface.positions):,}.",
                file=surface.source.path if surface.source else None,
                cure="The file is damaged; export it again.",
            )
        low = surface.positions.min(axis=0).astype(np.float64)
        high = surface.positions.max(axis=0).astype(np.float64)
        self.centre: Floats = 0.5 * (low + high)
        self.scale = float((high - low).max()) or 1.0
        self._caster = _make_caster(self)
        self.engine = self._caster.name

    @cached_property
    def orientation(self) -> NDArray[np.int8]:
        """(parts,) int8: 1 faces outward, -1 inside out, 0 where it cannot be told."""
        return orientation(self)

    def cast(
        self,
        origin: Floats,
        direction: Floats,
        depth: Floats | float,
        reach: Floats | float,
        *,
        progress: Progress = silent,
        stage: str = "casting rays",
    ) -> Layers:
        """Return every crossing with ``-depth <= t <= reach`` along N rays.

        Parameters
        ----------
        origin : (N, 3) float64 world positions.
        direction : (N, 3) float64 unit vectors.
        depth, reach : (N,) or a number, world units, 0 or more.
        """
        n = len(origin)
        origin = np.ascontiguousarray(origin, np.float64)
        direction = np.ascontiguousarray(direction, np.float64)
        depths = np.ascontiguousarray(np.broadcast_to(np.asarray(depth, np.float64), (n,)))
        reaches = np.ascontiguousarray(np.broadcast_to(np.asarray(reach, np.float64), (n,)))
        spans = [slice(a, min(a + BLOCK, n)) for a in range(0, n, BLOCK)]

        def work(span: slice) -> Any:
            return self._caster.block(origin[span], direction[span], depths[span], reaches[span])

        blocks = list(_in_order(work, spans, self.threads, n, progress, stage))
        counts = _joined([b[0] for b in blocks], np.int64)
        return Layers(
            first=np.concatenate([np.zeros(1, np.int64), np.cumsum(counts)]),
            t=_joined([b[1] for b in blocks], np.float64),
            face=_joined([b[2] for b in blocks], np.int32),
            front=_joined([b[3] for b in blocks], np.bool_),
            depth=depths,
            reach=reaches,
        )

    def first_hits(
        self,
        origin: Floats,
        direction: Floats,
        start: Floats,
        depth: float,
        *,
        progress: Progress = silent,
        stage: str = "casting rays",
    ) -> Hits:
        """Return what N rays record: the outermost crossing with ``-depth <= t <= start``.

        The same as ``cast(...).recorded(start)``, several times faster. Where two faces lie
        within float32 rounding of each other, either may be named.

        Parameters
        ----------
        origin, direction : as for `cast`; start : (N,) world units, negative below the origin.
        depth : world units, the same for all rays.
        """
        n = len(origin)
        origin = np.ascontiguousarray(origin, np.float64)
        direction = np.ascontiguousarray(direction, np.float64)
        start = np.ascontiguousarray(start, np.float64)
        hits = Hits(np.empty(n, np.int32), np.empty(n))
        spans = [slice(a, min(a + BLOCK, n)) for a in range(0, n, BLOCK)]

        def work(span: slice) -> int:
            out = Hits(hits.face[span], hits.t[span])
            return self._caster.first(origin[span], direction[span], start[span], depth, out)

        if sum(_in_order(work, spans, self.threads, n, progress, stage)):
            self._settle(origin, direction, start, depth, hits)
        return hits

    def _settle(
        self, origin: Floats, direction: Floats, start: Floats, depth: float, hits: Hits
    ) -> None:
        """Ask the layer table about the rays that are left in doubt."""
        doubtful = np.flatnonzero(hits.face == DOUBTFUL)
        begin = start[doubtful]
        layers = self.cast(origin[doubtful], direction[doubtful], depth, np.maximum(begin, 0.0))
        recorded = layers.recorded(begin)
        found = recorded != NO_LAYER
        hits.face[doubtful] = MISSED
        hits.face[doubtful[found]] = layers.face[recorded[found]]
        hits.t[doubtful[found]] = layers.t[recorded[found]]


def _joined(pieces: list[NDArray[Any]], kind: Any) -> NDArray[Any]:
    return np.concatenate(pieces) if pieces else np.zeros(0, kind)


def _in_order(
    work: Callable[[slice], Any],
    spans: list[slice],
    threads: int,
    total: int,
    progress: Progress,
    stage: str,
) -> Any:
    if threads <= 1 or len(spans) <= 1:
        for span in spans:
            yield work(span)
            progress(stage, span.stop, total)
        return
    with ThreadPoolExecutor(threads) as pool:
        for span, result in zip(spans, pool.map(work, spans), strict=True):
            yield result
            progress(stage, span.stop, total)


def _make_caster(scene: Scene) -> LayerCaster:
    try:
        return _NativeCaster(scene)
    except embree.EmbreeUnavailableError as reason:
        log.warning(
            "the fast ray engine is not available (%s); casting goes on, several times slower",
            reason,
        )
        return RestartCaster(scene.surface.positions, scene.triangles, scene.centre, scene.scale)


class _NativeCaster:
    name = "embree, all crossings in one traversal"

    def __init__(self, scene: Scene) -> None:
        embree.load()
        positions = scene.surface.positions
        padded = np.zeros((len(positions) + embree.VERTEX_PADDING, 3), np.float32)
        _recentre(positions, scene.centre, scene.scale, padded)
        self._native = embree.NativeScene(padded[:-1], scene.triangles.view(np.uint32))
        self._scene = scene

    def block(
        self, origin: Floats, direction: Floats, depth: Floats, reach: Floats
    ) -> tuple[NDArray[np.int64], Floats, NDArray[np.int32], NDArray[np.bool_]]:
        scene = self._scene
        counts, t, face, front = _cast_block(
            self._native.handle,
            embree.collector(),
            scene.surface.positions,
            scene.triangles,
            scene.centre,
            scene.scale,
            origin,
            origin.view(np.uint64),
            direction,
            depth,
            reach,
        )
        return counts, t, face, front

    def first(
        self, origin: Floats, direction: Floats, start: Floats, depth: float, out: Hits
    ) -> int:
        scene = self._scene
        doubtful: int = first_hits(
            self._native.handle,
            scene.surface.positions,
            scene.triangles,
            scene.centre,
            scene.scale,
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
def _cast_block(
    native: int,
    collector: int,
    positions: NDArray[Any],
    triangles: NDArray[np.int32],
    centre: Floats,
    scale: float,
    origin: Floats,
    origin_bits: NDArray[np.uint64],
    direction: Floats,
    depth: Floats,
    reach: Floats,
) -> Any:
    """Cast all rays, then refine all crossings, then sort and cut each ray's.

    Refining in a loop of its own lets the processor fetch many triangles at once; between two
    traversals it would wait for each.
    """
    n = len(origin)
    counts, t, face = _traverse_block(
        native, collector, centre, scale, origin, origin_bits, direction, depth, reach
    )
    slope = np.empty(len(t), np.float64)
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
    return counts, t[:used].copy(), face[:used].copy(), slope[:used] > 0


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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _tangent(cosine: float) -> float:
    """Tangent of the angle between ray and normal, at most 1000 (a grazing ray)."""
    c = max(abs(cosine), 1e-3)
    return np.sqrt(max(1.0 - c * c, 0.0)) / c


@njit(cache=True, nogil=True)
def _share_vertex(triangles: NDArray[np.int32], f: int, g: int) -> bool:
    for i in range(3):
        for j in range(3):
            if triangles[f, i] == triangles[g, j]:
                return True
    return False
