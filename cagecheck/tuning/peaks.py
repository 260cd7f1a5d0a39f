"""Points whose rays run through the places where the high poly comes nearest to the cage.

Between samples the high poly can rise unseen, but not anywhere. A cage triangle is flat, and so
are the faces of the high poly: over one low triangle a surface of flat faces is highest above the
cage (and the next layer lowest) at one of its own vertices, or where one of its edges passes from
the rays of one low triangle to those of the next. Those places are found exactly: vertices by
their prism coordinates, crossings by a root search along the edge. Low-poly vertices, where prisms
meet, are samples of their own.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import usable_cores
from cagecheck.arrays.types import Floats
from cagecheck.defects.match import Matcher
from cagecheck.loops import njit
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.points import SurfacePoints, join_points
from cagecheck.rays.rounding import SHIFT
from cagecheck.rays.scene import Scene
from cagecheck.tuning.prisms import (
    NO_NEIGHBOUR,
    Located,
    PrismArrays,
    Prisms,
    along_ray,
    coordinates,
    locate,
    points_at,
)
from cagecheck.tuning.rings import triangles_around

# Vertices projected at once: bounds the memory.
BLOCK = 1 << 20
# Edges followed by one thread at a time.
_TASK = 1 << 14
# Of the places in one cell of a triangle (this many along a side) only the nearest is kept.
CELLS = 8
# A vertex is looked at when it or an edge of it may reach farther out than this share of the
# triangle's least offset.
LOOK_SHARE = 0.5
# Triangles so many edges around changed ones are looked at anew; what is nearest to those as far
# around them again may lie over them.
CHANGED_RINGS = 2
# Halvings of an edge whose ends lie over low triangles that are not neighbours.
HALVINGS = 5
# A ray passes through a place when it misses it by less than this share of the edge there.
OUTSIDE = 1e-6
# Steps of the root search; each is a false position on a nearly linear function.
ROOT_STEPS = 3
# Rays beside a place pass it by this much (unit scene): more than rays are shifted and rounded,
# and less than the clearance that is kept for a baker's rounding.
BESIDE = 8 * SHIFT
# As many points as `with_beside` gives for one: itself, and towards and away from three corners.
BESIDE_POINTS = 7


@dataclass(frozen=True, eq=False)
class _Reachable:
    """Vertices and edges of high parts that serve the same low parts.

    vertices : (M,) int64; edges : (E, 2) int64; triangle : (M,) int32 the low triangle nearest to
    each vertex, of those that they serve; height : (M,) float64 how far in front of it the vertex
    and its edges may reach.
    """

    vertices: NDArray[np.int64]
    edges: NDArray[np.int64]
    triangle: NDArray[np.int32]
    height: Floats


@dataclass(frozen=True, eq=False)
class _Found:
    """The points of one cage: its displacement (T, 3, 3), and how near was near."""

    displacement: Floats
    clearance: float
    points: SurfacePoints


@dataclass(eq=False)
class Peaks:
    """Finds where a high poly comes near to one cage after the other.

    What no cage changes is found once: what each vertex is nearest to, and the edges. Of the last
    cage that was looked at as a whole the points are kept for triangles that the next one leaves
    as they are.
    """

    matcher: Matcher
    last: _Found | None = field(init=False, default=None)

    @cached_property
    def _groups(self) -> list[_Reachable]:
        low, scene, paired = self.matcher.low, self.matcher.scene, self.matcher.paired
        surface = scene.surface
        longest = _longest_edges(surface.positions, scene.triangles)
        used = np.zeros(len(surface.positions), bool)
        out = []
        _, group = np.unique(paired.T, axis=0, return_inverse=True)
        for g in np.unique(group):
            parts = np.flatnonzero(group.ravel() == g)
            candidates = paired[:, parts[0]][low.triangle_part] & (low.area > 0)
            if not candidates.any():
                continue
            faces = np.flatnonzero((group.ravel() == g)[surface.triangle_part])
            used[:] = False
            used[scene.triangles[faces].ravel()] = True
            vertices = np.flatnonzero(used)
            triangle = np.empty(len(vertices), np.int32)
            height = np.empty(len(vertices))
            for a in range(0, len(vertices), BLOCK):
                here = slice(a, a + BLOCK)
                place = _places(scene, vertices[here])
                asked = np.full(len(place), parts[0], np.int32)
                near, foot, distance = self.matcher.ground.nearest.find(place, asked)
                side = np.einsum("ij,ij->i", place - foot, low.face_normals[near])
                triangle[here], height[here] = near, distance * np.sign(side)
            height += longest[vertices]
            ends = triangle_edges(scene.triangles[faces]).ends
            out.append(_Reachable(vertices, ends.astype(np.int64), triangle, height))
        return out

    def points(
        self, prisms: Prisms, clearance: float, chosen: NDArray[np.bool_] | None = None
    ) -> SurfacePoints:
        """Return points (of area 0) whose rays run through places of the high poly near the cage.

        Places that lie below the cage by `clearance` (world units) or more are left out.
        chosen : (T,) bool, only vertices nearest to these low triangles, and edges at them.
        """
        if chosen is not None:
            return self._points(prisms, clearance, chosen)
        displacement, last = prisms.cage.displacement, self.last
        if last is None or last.clearance != clearance:
            found = self._points(prisms, clearance, None)
        else:
            low = self.matcher.low
            changed = (displacement != last.displacement).any(axis=(1, 2))
            again = triangles_around(low, changed, CHANGED_RINGS)
            new = self._points(prisms, clearance, triangles_around(low, again, CHANGED_RINGS))
            kept = last.points.take(~again[last.points.triangle])
            found = join_points([kept, new.take(again[new.triangle])])
        self.last = _Found(displacement, clearance, found)
        return found

    def _points(
        self, prisms: Prisms, clearance: float, chosen: NDArray[np.bool_] | None
    ) -> SurfacePoints:
        """Find the points of `points` without regard to what was found before."""
        scene = self.matcher.scene
        offset = np.linalg.norm(prisms.cage.displacement, axis=2).min(axis=1)
        number = np.full(len(scene.surface.positions), -1, np.int64)
        found: list[SurfacePoints] = [_no_points()]
        for group in self._groups:
            near = group.height > LOOK_SHARE * offset[group.triangle]
            if chosen is not None:
                near &= chosen[group.triangle]
            vertex = group.vertices[near]
            at = locate(prisms, _places(scene, vertex), group.triangle[near])
            found.append(_nearest_per_cell(at, at.room, (at.t > 0) & (at.room < clearance)))
            number[vertex] = np.arange(len(vertex))
            found.append(_crossed(prisms, scene, group.edges, number, at, clearance, 1.0))
            number[vertex] = -1
        return join_points(found)


@njit(cache=True, nogil=True)
def _longest_edges(positions: NDArray[np.floating], triangles: NDArray[np.int32]) -> Floats:
    """Return (V,) the length of the longest edge at every vertex."""
    out = np.zeros(len(positions))
    for f in range(len(triangles)):
        for k in range(3):
            a, b = triangles[f, k], triangles[f, (k + 1) % 3]
            squared = 0.0
            for c in range(3):
                squared += (np.float64(positions[a, c]) - np.float64(positions[b, c])) ** 2
            length = np.sqrt(squared)
            out[a], out[b] = max(out[a], length), max(out[b], length)
    return out


def dip_points(
    prisms: Prisms,
    scene: Scene,
    face: NDArray[np.int32],
    hint: NDArray[np.int32],
    clearance: float,
) -> SurfacePoints:
    """Return points whose rays run through places of given faces that come down to the cage.

    face : (K,) faces of next layers; hint : (K,) low triangle whose rays met them. Places above
    the cage by `clearance` (world units) or more are left out.
    """
    face, first = np.unique(face, return_index=True)
    if len(face) == 0:
        return _no_points()
    vertex, place_of = np.unique(scene.triangles[face], return_index=True)
    at = locate(prisms, _places(scene, vertex), hint[first][place_of // 3])
    number = np.full(len(scene.surface.positions), -1, np.int64)
    number[vertex] = np.arange(len(vertex))
    edges = triangle_edges(scene.triangles[face]).ends.astype(np.int64)
    return join_points(
        [
            _nearest_per_cell(at, -at.room, at.room > -clearance),
            _crossed(prisms, scene, edges, number, at, clearance, -1.0),
        ]
    )


def with_beside(low: LowPoly, points: SurfacePoints, distance: float) -> SurfacePoints:
    """Return points, and then six more times as many, just beside each within its triangle.

    distance : how far beside, world units. They lie towards and away from the three corners, so
    that a face with a right angle at the place is over one of them, save over slivers.
    """
    w = points.barycentric
    way = low.positions[low.triangles[points.triangle]] - points.positions(low)[:, None]
    share = distance / np.maximum(np.linalg.norm(way, axis=2), 2 * distance)
    beside = [w]
    for corner in range(3):
        step = share[:, corner, None] * (np.eye(3)[corner] - w)
        beside += [w + step, np.clip(w - step, 0.0, None)]
    moved = np.concatenate(beside)
    return points_at(
        np.tile(points.triangle, BESIDE_POINTS), moved / moved.sum(axis=1, keepdims=True)
    )


def _no_points() -> SurfacePoints:
    return points_at(np.zeros(0, np.int32), np.zeros((0, 3)))


def _places(scene: Scene, vertex: NDArray[np.integer]) -> Floats:
    return np.ascontiguousarray(scene.surface.positions[vertex], np.float64)


def _nearest_per_cell(at: Located, room: Floats, chosen: NDArray[np.bool_]) -> SurfacePoints:
    rows = np.flatnonzero(chosen)
    cell = np.minimum((at.barycentric[rows, :2] * CELLS).astype(np.int64), CELLS - 1)
    key = at.triangle[rows].astype(np.int64) * CELLS**2 + cell[:, 0] * CELLS + cell[:, 1]
    order = np.lexsort((room[rows], key))
    first = np.ones(len(rows), bool)
    first[1:] = np.diff(key[order]) != 0
    kept = rows[order[first]]
    return points_at(at.triangle[kept], at.barycentric[kept])


def _crossed(
    prisms: Prisms,
    scene: Scene,
    edges: NDArray[np.int64],
    number: NDArray[np.int64],
    at: Located,
    clearance: float,
    side: float,
) -> SurfacePoints:
    """Return the points where edges at located vertices pass from one prism to the next.

    number : (V,) the rows of located vertices in `at`, -1 for others. side : 1 to look for places
    above the cage, -1 for places below it.
    """
    edges = edges[(number[edges] >= 0).any(axis=1)]
    positions, arrays = scene.surface.positions, prisms.arrays()

    def work(first: int) -> tuple[NDArray[np.int32], Floats, Floats]:
        return _cross_edges(
            arrays, positions, edges[first : first + _TASK], number, at.triangle, at.barycentric,
            at.t, at.start, at.missed, clearance, side,
        )  # fmt: skip

    with ThreadPoolExecutor(usable_cores()) as pool:
        pieces = list(pool.map(work, range(0, len(edges), _TASK)))
    if not pieces:
        return _no_points()
    triangle, barycentric, room = (np.concatenate(x) for x in zip(*pieces, strict=True))
    where = Located(triangle, barycentric, -room, np.zeros(len(room)), np.zeros(len(room)))
    return _nearest_per_cell(where, side * room, np.ones(len(room), bool))


# A place on a segment as loops pass it on: x, y, z, triangle, barycentrics, start - t, missed.
_Spot = tuple[float, float, float, int, tuple[float, float, float], float, float]


@njit(cache=True, nogil=True)
def _spot(prisms: PrismArrays, x: float, y: float, z: float, hint: int) -> _Spot:
    f, w = coordinates(prisms, x, y, z, hint, True)
    t, start, missed = along_ray(prisms, x, y, z, f, w)
    return x, y, z, f, w, start - t, missed


@njit(cache=True, nogil=True)
def _cross_edges(
    prisms: PrismArrays,
    positions: NDArray[np.floating],
    edges: NDArray[np.int64],
    number: NDArray[np.int64],
    triangle: NDArray[np.int32],
    barycentric: Floats,
    t: Floats,
    start: Floats,
    missed: Floats,
    clearance: float,
    side: float,
) -> tuple[NDArray[np.int32], Floats, Floats]:
    """Return triangle, barycentrics and room below the cage where edges cross near to it."""
    neighbour = prisms[3]
    out_triangle, out_w, out_room = np.empty(256, np.int32), np.empty((256, 3)), np.empty(256)
    count = 0
    for e in range(len(edges)):
        i, j = edges[e, 0], edges[e, 1]
        if number[i] < 0:
            i, j = j, i
        k, x = number[i], positions
        ax, ay, az = float(x[i, 0]), float(x[i, 1]), float(x[i, 2])
        bx, by, bz = float(x[j, 0]), float(x[j, 1]), float(x[j, 2])
        length = np.sqrt((ax - bx) ** 2 + (ay - by) ** 2 + (az - bz) ** 2)
        # Across a crease of the cage an edge can be nearer to it than its ends, by its length at
        # most.
        if not side * (start[k] - t[k]) < clearance + length:
            continue
        w = (float(barycentric[k, 0]), float(barycentric[k, 1]), float(barycentric[k, 2]))
        hint, room, off = int(triangle[k]), float(start[k] - t[k]), float(missed[k])
        first: _Spot = (ax, ay, az, hint, w, room, off)
        second: _Spot = _spot(prisms, bx, by, bz, hint)
        # Segments to look at: the edge from both ends for where it leaves the low poly over its
        # open border, then halves of it until their ends lie over the same triangle or neighbours.
        stack = [(first, second, -1), (second, first, -1), (first, second, 0)]
        while len(stack) > 0:
            near, far, halvings = stack.pop()
            corner = -1
            if halvings < 0:
                corner = _leaving(neighbour, near, far, OUTSIDE * length)
            elif near[3] != far[3]:
                for c in range(2, -1, -1):
                    if neighbour[near[3], c] == far[3]:
                        corner = c
                if corner < 0 and halvings < HALVINGS:
                    middle = _spot(
                        prisms, 0.5 * (near[0] + far[0]), 0.5 * (near[1] + far[1]),
                        0.5 * (near[2] + far[2]), near[3],
                    )  # fmt: skip
                    stack.append((near, middle, halvings + 1))
                    stack.append((middle, far, halvings + 1))
            if corner < 0:
                continue
            out, room, above = _root(prisms, near, far, corner)
            if not (side * room < clearance and above > 0.0):
                continue
            if count == len(out_room):
                out_triangle = np.concatenate((out_triangle, np.empty_like(out_triangle)))
                out_w = np.concatenate((out_w, np.empty_like(out_w)))
                out_room = np.concatenate((out_room, np.empty_like(out_room)))
            out_triangle[count], out_room[count] = near[3], room
            out_w[count, 0], out_w[count, 1], out_w[count, 2] = out
            count += 1
    return out_triangle[:count], out_w[:count], out_room[:count]


@njit(cache=True, nogil=True)
def _leaving(neighbour: NDArray[np.int32], near: _Spot, far: _Spot, outside: float) -> int:
    """Return the corner opposite the open border that a segment leaves the low poly over, or -1."""
    w = far[4]
    corner = 0
    if w[1] < w[corner]:
        corner = 1
    if w[2] < w[corner]:
        corner = 2
    leaves = near[3] == far[3] and far[6] > outside and near[6] <= outside
    return corner if leaves and neighbour[far[3], corner] == NO_NEIGHBOUR else -1


@njit(cache=True, nogil=True)
def _weight(prisms: PrismArrays, a: _Spot, b: _Spot, u: float, corner: int) -> float:
    """Return the barycentric of `corner` in the triangle of a, at the share u from a to b."""
    x, y, z = (1 - u) * a[0] + u * b[0], (1 - u) * a[1] + u * b[1], (1 - u) * a[2] + u * b[2]
    _, w = coordinates(prisms, x, y, z, a[3], False)
    return w[corner]


@njit(cache=True, nogil=True)
def _root(
    prisms: PrismArrays, a: _Spot, b: _Spot, corner: int
) -> tuple[tuple[float, float, float], float, float]:
    """Return barycentrics, room and t where a segment leaves the prism of a opposite `corner`."""
    near, far = 0.0, 1.0
    at_near, at_far = a[4][corner], min(_weight(prisms, a, b, 1.0, corner), -1e-12)
    u = far
    for _ in range(ROOT_STEPS):
        u = near + (far - near) * min(max(at_near / (at_near - at_far + 1e-300), 0.0), 1.0)
        value = _weight(prisms, a, b, u, corner)
        if value > 0:
            near, at_near = u, value
        else:
            far, at_far = u, min(value, -1e-12)
    x, y, z = (1 - u) * a[0] + u * b[0], (1 - u) * a[1] + u * b[1], (1 - u) * a[2] + u * b[2]
    f, w = coordinates(prisms, x, y, z, a[3], False)
    t, start, _ = along_ray(prisms, x, y, z, f, w)
    w0 = 0.0 if corner == 0 else max(w[0], 0.0)
    w1 = 0.0 if corner == 1 else max(w[1], 0.0)
    w2 = 0.0 if corner == 2 else max(w[2], 0.0)
    total = w0 + w1 + w2
    if total <= 0.0:
        # All on the corner's side of the edge: it was not found on it.
        half = (
            0.0 if corner == 0 else 0.5,
            0.0 if corner == 1 else 0.5,
            0.0 if corner == 2 else 0.5,
        )
        return half, start - t, t
    return (w0 / total, w1 / total, w2 / total), start - t, t
