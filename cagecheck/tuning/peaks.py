"""Points whose rays run through the places where the high poly comes nearest to the cage.

Between samples the high poly can rise unseen, but not anywhere. A cage triangle is flat, and so
are the faces of the high poly: over one low triangle a surface of flat faces is highest above the
cage (and the next layer lowest) at one of its own vertices, or where one of its edges passes from
the rays of one low triangle to those of the next. Those places are found exactly: vertices by
their prism coordinates, crossings by a root search along the edge. Low-poly vertices, where prisms
meet, are samples of their own.
"""

from __future__ import annotations

import igl
import numpy as np
from numba import njit
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.points import SurfacePoints, join_points
from cagecheck.rays.rounding import SHIFT
from cagecheck.rays.scene import Scene
from cagecheck.tuning.prisms import NO_NEIGHBOUR, Located, Prisms, locate, points_at

# Vertices projected at once: bounds the memory.
BLOCK = 1 << 20
# Of the places in one cell of a triangle (this many along a side) only the nearest is kept.
CELLS = 8
# A vertex is looked at when it or an edge of it may reach farther out than this share of the
# triangle's least offset.
LOOK_SHARE = 0.5
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


def longest_edges(scene: Scene) -> Floats:
    """Return (V,) the length of the longest edge at every vertex of the high poly."""
    out = np.zeros(len(scene.surface.positions))
    _longest_edges(scene.surface.positions, scene.triangles, out)
    return out


@njit(cache=True, nogil=True)
def _longest_edges(
    positions: NDArray[np.floating], triangles: NDArray[np.int32], out: Floats
) -> None:
    for f in range(len(triangles)):
        for k in range(3):
            a, b = triangles[f, k], triangles[f, (k + 1) % 3]
            squared = 0.0
            for c in range(3):
                squared += (np.float64(positions[a, c]) - np.float64(positions[b, c])) ** 2
            length = np.sqrt(squared)
            out[a], out[b] = max(out[a], length), max(out[b], length)


def peak_points(
    prisms: Prisms, scene: Scene, paired: NDArray[np.bool_], clearance: float, longest: Floats
) -> SurfacePoints:
    """Return points (of area 0) whose rays run through places of the high poly near the cage.

    Places that lie below the cage by `clearance` (world units) or more are left out.
    longest : see `longest_edges`.
    """
    low, surface = prisms.low, scene.surface
    used = np.zeros(len(surface.positions), bool)
    found: list[SurfacePoints] = [_no_points()]
    _, group = np.unique(paired.T, axis=0, return_inverse=True)
    for g in np.unique(group):
        parts = group.ravel() == g
        allowed = paired[:, int(np.flatnonzero(parts)[0])]
        candidates = np.flatnonzero(allowed[low.triangle_part] & (low.area > 0))
        if len(candidates) == 0:
            continue
        used[:] = False
        faces = np.flatnonzero(parts[surface.triangle_part])
        used[scene.triangles[faces].ravel()] = True
        vertices = np.flatnonzero(used)
        pieces = []
        for a in range(0, len(vertices), BLOCK):
            block = vertices[a : a + BLOCK]
            place = _places(scene, block)
            pieces.append((block, *_near_cage(prisms, candidates, place, longest[block])))
        for block, near, at in pieces:
            found.append(_nearest_per_cell(at, at.room, (at.t > 0) & (at.room < clearance)))
            found.append(_crossed(prisms, scene, faces, block[near], at, clearance, 1.0))
    return join_points(found)


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
    return join_points(
        [
            _nearest_per_cell(at, -at.room, at.room > -clearance),
            _crossed(prisms, scene, face, vertex, at, clearance, -1.0),
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


def _near_cage(
    prisms: Prisms, candidates: NDArray[np.int64], place: Floats, longest: Floats
) -> tuple[NDArray[np.int64], Located]:
    """Return which places or edges reach well out towards the cage, and the prism coordinates."""
    low = prisms.low
    squared, index, foot = igl.point_mesh_squared_distance(
        place, low.positions, np.ascontiguousarray(low.triangles[candidates], dtype=np.int64)
    )
    triangle = candidates[index].astype(np.int32)
    least = np.linalg.norm(prisms.cage.displacement, axis=2).min(axis=1)[triangle]
    height = np.sqrt(squared)
    height *= np.sign(np.einsum("ij,ij->i", place - foot, low.face_normals[triangle]))
    near = np.flatnonzero(height + longest > LOOK_SHARE * least)
    return near, locate(prisms, place[near], triangle[near])


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
    faces: NDArray[np.integer],
    vertex: NDArray[np.integer],
    at: Located,
    clearance: float,
    side: float,
) -> SurfacePoints:
    """Return the points where edges at located vertices pass from one prism to the next.

    side : 1 to look for places above the cage, -1 for places below it.
    """
    number = np.full(len(scene.surface.positions), -1, np.int64)
    number[vertex] = np.arange(len(vertex))
    edges = _edges_at(scene.triangles[faces], number >= 0)
    edges = np.where((number[edges[:, 0]] < 0)[:, None], edges[:, ::-1], edges)
    a, b = _places(scene, edges[:, 0]), _places(scene, edges[:, 1])
    own = number[edges[:, 0]]
    # Across a crease of the cage an edge can be nearer to it than its ends, by its length at most.
    near = side * at.room[own] < clearance + np.linalg.norm(a - b, axis=1)
    a, b, first = a[near], b[near], at.take(own[near])
    second = locate(prisms, b, first.triangle)
    found = [
        _leaving(prisms, a, b, first, second),
        _leaving(prisms, b, a, second, first),
    ]
    for halving in range(HALVINGS + 1):
        apart = first.triangle != second.triangle
        a, b, first, second = a[apart], b[apart], first.take(apart), second.take(apart)
        which, corner = np.nonzero(prisms.neighbour[first.triangle] == second.triangle[:, None])
        which, once = np.unique(which, return_index=True)
        found.append(_roots(prisms, a[which], b[which], first.take(which), corner[once]))
        if halving == HALVINGS:
            break
        far = np.ones(len(a), bool)
        far[which] = False
        a, b, first, second = a[far], b[far], first.take(far), second.take(far)
        middle = 0.5 * (a + b)
        between = locate(prisms, middle, first.triangle)
        a, b = np.concatenate([a, middle]), np.concatenate([middle, b])
        first, second = _joined(first, between), _joined(between, second)
    where = _joined(*found)
    chosen = (side * where.room < clearance) & (where.t > 0)
    return _nearest_per_cell(where, side * where.room, chosen)


def _leaving(prisms: Prisms, a: Floats, b: Floats, first: Located, second: Located) -> Located:
    """Return where segments from a to b leave the low poly over its open border."""
    corner = np.argmin(second.barycentric, axis=1)
    border = prisms.neighbour[second.triangle, corner] == NO_NEIGHBOUR
    outside = second.missed > OUTSIDE * np.linalg.norm(b - a, axis=1)
    inside = first.missed <= OUTSIDE * np.linalg.norm(b - a, axis=1)
    rows = np.flatnonzero(border & outside & inside & (first.triangle == second.triangle))
    return _roots(prisms, a[rows], b[rows], first.take(rows), corner[rows])


def _edges_at(triangles: NDArray[np.integer], marked: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return (E, 2) the edges of triangles with a marked end."""
    ends = triangle_edges(triangles[marked[triangles].any(axis=1)]).ends
    return ends[marked[ends].any(axis=1)]


def _joined(*sets: Located) -> Located:
    return Located(
        np.concatenate([s.triangle for s in sets]),
        np.concatenate([s.barycentric for s in sets]),
        np.concatenate([s.t for s in sets]),
        np.concatenate([s.start for s in sets]),
        np.concatenate([s.missed for s in sets]),
    )


def _roots(
    prisms: Prisms, a: Floats, b: Floats, first: Located, corner: NDArray[np.int64]
) -> Located:
    """Return where segments from a to b leave the prisms that a lies in, opposite `corner`."""
    rows = np.arange(len(a))

    def weight(u: Floats) -> Floats:
        place = (1 - u)[:, None] * a + u[:, None] * b
        w: Floats = locate(prisms, place, first.triangle, hop=False).barycentric[rows, corner]
        return w

    near, far = np.zeros(len(a)), np.ones(len(a))
    at_near, at_far = first.barycentric[rows, corner], np.minimum(weight(far), -1e-12)
    u = far
    for _ in range(ROOT_STEPS):
        u = near + (far - near) * np.clip(at_near / (at_near - at_far + 1e-300), 0.0, 1.0)
        value = weight(u)
        inside = value > 0
        near, at_near = np.where(inside, u, near), np.where(inside, value, at_near)
        far, at_far = np.where(inside, far, u), np.where(inside, at_far, np.minimum(value, -1e-12))
    place = (1 - u)[:, None] * a + u[:, None] * b
    where = locate(prisms, place, first.triangle, hop=False)
    barycentric = np.clip(where.barycentric, 0.0, None)
    barycentric[rows, corner] = 0.0
    total = barycentric.sum(axis=1)
    # A place that is all on the corner's side of the edge was not found on it: missed by far.
    off = total <= 0
    barycentric[off] = np.where(np.arange(3) == corner[off, None], 0.0, 0.5)
    barycentric /= barycentric.sum(axis=1, keepdims=True)
    return Located(
        where.triangle, barycentric, where.t, where.start, np.where(off, np.inf, where.missed)
    )
