"""Casting: the high poly as a scene, and the layer table of rays through it."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.meshes.mesh import Floats, Surface
from cagecheck.progress import Progress, silent
from cagecheck.rays import embree
from cagecheck.rays.hashing import mix
from cagecheck.rays.layers import Layers

log = logging.getLogger(__name__)

# Rays per task: enough to hide Python's share, few enough to balance two threads and to keep a
# task's buffers in cache. 65,536 measured as fast as four times as many.
BLOCK = 65_536
# Crossings that a ray's buffers first have room for; they grow when a ray needs more.
FIRST_CAPACITY = 64
# Traversal works in float32 on a scene scaled to unit size: a position or direction is off by a
# few units in the last place. Segments are cast this much longer at both ends and cut to length
# in float64 afterwards, and two faces hit at one shared edge lie this far apart sideways.
SIDEWAYS = 8 * float(np.finfo(np.float32).eps)
SEGMENT_PAD = 32 * float(np.finfo(np.float32).eps)
# A ray that runs exactly through a vertex can slip between its triangles in float32, robust mode
# or not (0.4 % of such rays on a sphere). Every ray is therefore cast shifted by up to this much
# (unit scene), well within the rounding of its own origin, by a hash of its origin. One that finds
# nothing may have run along an open border of the high poly: it is cast again with shifts to all
# sides (in any plane at least every 45 degrees) before it counts as a miss.
SHIFT = 4 * float(np.finfo(np.float32).eps)
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
        from cagecheck.rays.restart import RestartCaster

        log.warning(
            "the fast ray engine is not available (%s); casting goes on, several times slower",
            reason,
        )
        return RestartCaster(scene)


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
    n = len(origin)
    counts = np.zeros(n, np.int64)
    room = max(2 * n, 16)
    t_out = np.empty(room, np.float64)
    face_out = np.empty(room, np.int32)
    front_out = np.empty(room, np.bool_)
    used = 0
    capacity = FIRST_CAPACITY
    query = embree.make_query(capacity)
    t_ray, face_ray, slope_ray = _scratch(capacity)
    start = np.empty(3, np.float32)
    along = np.empty(3, np.float32)
    pad = SEGMENT_PAD * scale
    for i in range(n):
        below = depth[i] + pad
        length = (below + reach[i] + pad) / scale
        found = 0
        for attempt in range(-1, len(ALL_SIDES)):
            for k in range(3):
                begin = (origin[i, k] - below * direction[i, k] - centre[k]) / scale
                shift = _unit_hash(origin_bits[i], np.uint64(k))
                if attempt >= 0:
                    shift = 2.0 * ALL_SIDES[attempt, k]
                start[k] = begin + SHIFT * shift
                along[k] = direction[i, k]
            found = embree.crossings(native, query, start, along, length)
            if found > 0:
                break
        if found > capacity:
            capacity = 2 * found
            query = embree.make_query(capacity)
            t_ray, face_ray, slope_ray = _scratch(capacity)
            found = embree.crossings(native, query, start, along, length)
        for k in range(found):
            face_ray[k] = np.int32(query[4][k])
            t_rough = np.float64(query[3][k]) * scale - below
            t_ray[k], slope_ray[k] = _refine(
                positions, triangles, face_ray[k], origin[i], direction[i], t_rough, scale
            )
        kept = _sort_and_merge(triangles, t_ray, face_ray, slope_ray, found, scale)
        if used + kept > room:
            room = 2 * (used + kept)
            t_out = _grown(t_out, used, room)
            face_out = _grown(face_out, used, room)
            front_out = _grown(front_out, used, room)
        for k in range(kept):
            if -depth[i] <= t_ray[k] <= reach[i]:
                t_out[used] = t_ray[k]
                face_out[used] = face_ray[k]
                front_out[used] = slope_ray[k] > 0
                used += 1
                counts[i] += 1
    return counts, t_out[:used].copy(), face_out[:used].copy(), front_out[:used].copy()


@njit(cache=True, nogil=True)
def _unit_hash(bits: NDArray[np.uint64], salt: np.uint64) -> float:
    """Return a number in [-1, 1] that depends on three words and a salt only."""
    z = mix(bits[0] + np.uint64(1), bits[1] + np.uint64(2), bits[2] + np.uint64(3) * salt)
    return 2.0 * (np.float64(z >> np.uint64(11)) / 2.0**53) - 1.0


@njit(cache=True, nogil=True)
def _scratch(capacity: int) -> Any:
    return (
        np.empty(capacity, np.float64),
        np.empty(capacity, np.int32),
        np.empty(capacity, np.float64),
    )


@njit(cache=True, nogil=True)
def _grown(array: Any, used: int, room: int) -> Any:
    out = np.empty(room, array.dtype)
    out[:used] = array[:used]
    return out


@njit(cache=True, nogil=True)
def _refine(
    positions: NDArray[Any],
    triangles: NDArray[np.int32],
    face: int,
    origin: Floats,
    direction: Floats,
    t_rough: float,
    scale: float,
) -> Any:
    """Return (t, cosine of ray direction and triangle normal), in float64 from the triangle."""
    a, b, c = triangles[face, 0], triangles[face, 1], triangles[face, 2]
    ax = np.float64(positions[a, 0])
    ay = np.float64(positions[a, 1])
    az = np.float64(positions[a, 2])
    ux, uy, uz = positions[b, 0] - ax, positions[b, 1] - ay, positions[b, 2] - az
    vx, vy, vz = positions[c, 0] - ax, positions[c, 1] - ay, positions[c, 2] - az
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    slope = nx * direction[0] + ny * direction[1] + nz * direction[2]
    length = np.sqrt(nx * nx + ny * ny + nz * nz)
    if slope == 0.0 or length == 0.0:
        return t_rough, 0.0
    height = nx * (ax - origin[0]) + ny * (ay - origin[1]) + nz * (az - origin[2])
    t = height / slope
    if abs(t - t_rough) > GRAZING_DISAGREEMENT * scale:
        t = t_rough
    return t, slope / length


@njit(cache=True, nogil=True)
def _sort_and_merge(
    triangles: NDArray[np.int32],
    t: Floats,
    face: NDArray[np.int32],
    slope: Floats,
    count: int,
    scale: float,
) -> int:
    """Sort crossings by (t, face) and keep one of those that a shared edge or vertex doubled."""
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
