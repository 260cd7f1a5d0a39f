"""High-poly surface that no ray records: detail that the bake loses.

Points are spread over the high poly. One is seen when a recorded hit lies within the hits' own
spacing of it; the hits' spacing on the high poly is that of the samples on the low poly,
stretched where the high poly leans away from the ray.

Where pieces run into each other, or lie inside others, surface that no eye can reach from outside
is unseen and no loss: it is *buried*. The winding number just outside the surface tells, of all
the high parts that serve the same low parts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.near_points import (
    PointTree,
    most_below,
    nearest_of,
    nearest_point,
    nearest_points,
    room_for_search,
    square_to,
    tree_over,
)
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import Vector, dot, minus, moved, row, store
from cagecheck.defects.classify import Findings
from cagecheck.defects.targets import Ground, ground_of
from cagecheck.loops import njit
from cagecheck.meshes.facets import hit_normals, triangle_areas, unit_normal
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.rays.scene import Scene
from cagecheck.rays.winding import surrounded

# Quasi-random hits leave gaps of up to about twice their spacing. A lost area comes out smaller by
# this much along its rim.
SEEN_SPACINGS = 2.0
# Where the high poly leans by more than this (cosine), hits thin out faster than they can be told
# from a gap; the stretch is taken no larger.
LEAST_COSINE = 0.1
# Hits looked at around a high-poly point, and more where those of another side crowd around it.
HITS_LOOKED_AT = (4, 16, 64, 256)
# Outside of closed pieces the winding number is 0, inside of one it is 1. Between these, openings
# are near, and surface counts as buried where no straight line leads out either.
SURELY_OUTSIDE, SURELY_INSIDE = 0.25, 0.75


@dataclass(frozen=True, eq=False)
class HighPoints:
    """Points on the high poly: position (M, 3), face (M,), area (M,) each stands for."""

    position: Floats
    face: Ints
    area: Floats


@dataclass(frozen=True, eq=False)
class Unseen:
    """High-poly points and whether a ray records them.

    Attributes
    ----------
    points : the high-poly points.
    seen : (M,) bool.
    outward : (M,) bool: not seen, and faces away from the low poly's inside, so that a bake should
        see it. Inner walls and undersides are unseen by nature.
    gap : (M,) float64, distance to the nearest recorded hit, world units (infinity without any).
    low_triangle : (M,) int32, nearest low-poly triangle of the paired parts to what is not seen, -1
        without any.
    buried : (M,) bool: not seen, and inside of other surface of the same high parts.
    below : (M,) int64, the nearest ray of the part that lost points lie over, -1 for others.
    """

    points: HighPoints
    seen: NDArray[np.bool_]
    outward: NDArray[np.bool_]
    gap: Floats
    low_triangle: Ints
    buried: NDArray[np.bool_]
    below: NDArray[np.int64]

    @property
    def lost(self) -> NDArray[np.bool_]:
        """(M,) bool: outward surface that an eye can reach and that is not recorded."""
        return self.outward & ~self.buried

    @property
    def buried_area(self) -> float:
        """Area of the buried surface, world units squared."""
        return float(self.points.area[self.buried].sum())


def sample_high(surface: Surface, count: int, *, seed: int = 0) -> HighPoints:
    """Spread `count` points over the high poly by area (one per equal share, seeded)."""
    area = np.empty(surface.triangle_count)

    def measure(begin: int, end: int) -> None:
        triangle_areas(surface.positions, surface.triangles[begin:end], area[begin:end])

    in_blocks(len(area), measure)
    whole = _added_up(area)
    if whole <= 0:
        return HighPoints(np.zeros((0, 3)), np.zeros(0, np.int32), np.zeros(0))
    rng = np.random.default_rng([seed, 2])
    share = (np.arange(count) + rng.uniform(size=count)) * (whole / count)
    face = np.empty(count, np.int32)
    _faces_at(area, share, face)
    root, v = np.sqrt(rng.uniform(size=count)), rng.uniform(size=count)
    weights = np.stack([1 - root, root * (1 - v), root * v], axis=1)
    corners = surface.positions[surface.triangles[face]].astype(np.float64)
    position = np.einsum("ij,ijk->ik", weights, corners)
    return HighPoints(position, face, np.full(count, whole / count))


@njit(cache=True, nogil=True, makes_arrays=False)
def _added_up(area: Floats) -> float:
    """Return the sum, added up from front to back as `_faces_at` does."""
    whole = 0.0
    for value in area:
        whole += value
    return whole


@njit(cache=True, nogil=True, makes_arrays=False)
def _faces_at(area: Floats, share: Floats, face: Ints) -> None:
    """Write the triangle in which the running sum of areas passes each of the ascending shares."""
    at, total = 0, area[0]
    for k in range(len(share)):
        while total <= share[k] and at + 1 < len(area):
            at += 1
            total += area[at]
        face[k] = at


def find_unseen(
    low: LowPoly,
    scene: Scene,
    points: SurfacePoints,
    rays: Rays,
    layers: Layers,
    findings: Findings,
    paired: NDArray[np.bool_],
    high: HighPoints,
    *,
    ground: Ground | None = None,
    progress: Progress = silent,
) -> Unseen:
    """Tell which high-poly points the bake records. Parts without a partner are left out."""
    progress("looking for unseen surface", 0, 1)
    surface = scene.surface
    part = surface.triangle_part[high.face]
    has_partner = np.asarray(paired.any(axis=0))
    kept = np.flatnonzero(has_partner[part])
    high = HighPoints(high.position[kept], high.face[kept], high.area[kept])
    gap, seen = _near_a_hit(surface, points, rays, layers, findings.recorded, high)
    unseen = np.flatnonzero(~seen)
    outward, triangle = np.zeros(len(seen), bool), np.full(len(seen), -1, np.int32)
    ground = ground or ground_of(low, paired, scene)
    outward[unseen], triangle[unseen] = _towards(low, scene, ground, high, unseen)
    buried = np.zeros(len(seen), bool)
    buried[unseen] = _buried(scene, paired, high, unseen)
    lost = np.flatnonzero(outward & ~buried)
    below = np.full(len(seen), -1, np.int64)
    below[lost] = _rays_below(low, points, rays, high.position[lost], triangle[lost])
    progress("looking for unseen surface", 1, 1)
    return Unseen(high, seen, outward, gap, triangle, buried, below)


def _towards(
    low: LowPoly, scene: Scene, ground: Ground, high: HighPoints, rows: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], Ints]:
    """Tell of the points at `rows` whether they face outward, and of which low triangle."""
    face = high.face[rows]
    part = scene.surface.triangle_part[face]
    normal = hit_normals(scene.surface, face)
    # The faces of a part that is inside out as a whole show their backs.
    normal[scene.orientation[part] < 0] *= -1.0
    triangle, _, _ = ground.nearest.find(high.position[rows], part)
    along = np.einsum("ij,ij->i", normal, low.face_normals[triangle])
    along[ground.facing[low.triangle_part[triangle]] < 0] *= -1.0
    return np.asarray((along > 0) & (triangle >= 0)), triangle


def _buried(
    scene: Scene, paired: NDArray[np.bool_], high: HighPoints, rows: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell for the points at `rows` whether they lie inside of other surface.

    One body is all the high parts that serve the same low parts.
    """
    if len(rows) == 0:
        return np.zeros(0, bool)
    _, body = np.unique(paired.T, axis=0, return_inverse=True)
    body = body.ravel()
    face = high.face[rows]
    around = surrounded(scene, high.position[rows], face, body[:, None] == body)
    inside_out = scene.orientation[scene.surface.triangle_part[face]] < 0
    before = np.where(inside_out, -around.winding, around.winding) - 0.5
    sure = before > SURELY_INSIDE
    closed_in = (before > SURELY_OUTSIDE) & ~around.open & ~inside_out
    return np.asarray(sure | closed_in)


def _near_a_hit(
    surface: Surface,
    points: SurfacePoints,
    rays: Rays,
    layers: Layers,
    recorded: NDArray[np.int64],
    high: HighPoints,
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return (M,) how far the nearest hit is, and whether one shows the place."""
    m, hit = len(high.face), np.flatnonzero(recorded != NO_LAYER).astype(np.int32)
    gap, seen, crowded = np.full(m, np.inf), np.zeros(m, bool), np.zeros(m, bool)
    if len(hit) == 0 or m == 0:
        return gap, seen
    place = np.empty((len(hit), 3))
    hits = _Hits(
        hit, recorded, layers.face, layers.t, rays.origin, rays.direction, points.spacing,
        surface.positions, surface.triangles,
    )  # fmt: skip
    in_blocks(len(hit), lambda begin, end: _place_hits(hits, begin, end, place))
    tree = tree_over(place)
    most = np.minimum(HITS_LOOKED_AT, len(hit))

    def look(begin: int, end: int) -> None:
        near, room = (np.empty(most[0]), np.empty(most[0], np.int64)), room_for_search()
        here, hit = slice(begin, end), np.empty(end - begin, np.int32)
        _find_nearest(tree, high.position[here], *room, hit, gap[here])
        _look_around(
            hits, tree, high.position[here], high.face[here], hit, gap[here], *near, *room,
            seen[here], crowded[here],
        )  # fmt: skip

    in_blocks(m, look)
    rows = np.flatnonzero(crowded)
    if len(rows) > 0:
        _look_farther(hits, tree, high, rows, most, seen)
    return gap, seen


class _Hits(NamedTuple):
    """Hits on the high poly, H of N rays.

    ray : (H,) int32, their rays. recorded : (N,). The others are those of the layer table, of rays,
    of their points and of the high poly.
    """

    ray: NDArray[np.int32]
    recorded: NDArray[np.int64]
    face: Ints
    t: Floats
    origin: Floats
    direction: Floats
    spacing: Floats
    positions: NDArray[Any]
    triangles: NDArray[Any]


@njit(cache=True, nogil=True, makes_arrays=False)
def _place_hits(hits: _Hits, begin: int, end: int, place: Floats) -> None:
    """Write where hits lie."""
    for m in range(begin, end):
        i = hits.ray[m]
        t = hits.t[hits.recorded[i]]
        store(place, m, moved(row(hits.origin, i), t, row(hits.direction, i)))


@njit(cache=True, nogil=True, makes_arrays=False)
def _find_nearest(
    tree: PointTree,
    asked: Floats,
    stack: NDArray[np.int64],
    away: Floats,
    hit: NDArray[np.int32],
    gap: Floats,
) -> None:
    """Write which hit is nearest to each place, and how far it is."""
    guess = 0
    for m in range(len(asked)):
        x, y, z = row(asked, m)
        square, guess = nearest_point(tree, x, y, z, guess, stack, away)
        hit[m], gap[m] = guess, np.sqrt(square)


@njit(cache=True, nogil=True, makes_arrays=False)
def _look_around(
    hits: _Hits,
    tree: PointTree,
    asked: Floats,
    asked_face: Ints,
    nearest: NDArray[np.int32],
    gap: Floats,
    square: Floats,
    index: NDArray[np.int64],
    stack: NDArray[np.int64],
    away: Floats,
    seen: NDArray[np.bool_],
    crowded: NDArray[np.bool_],
) -> None:
    """Write whether one of the very nearest hits shows the place.

    nearest, gap : the nearest hit and how far it is. crowded : whether hits farther off may show
    the place. square, index : room for as many of the nearest hits as are looked at.
    """
    for m in range(len(asked)):
        normal, hit = unit_normal(hits.positions, hits.triangles, asked_face[m]), nearest[m]
        # Mostly the very nearest one shows the place.
        seen[m] = _faces(hits, hit, normal) and gap[m] <= _reach(hits, hit)
        if seen[m]:
            continue
        nearest_points(tree, asked[m, 0], asked[m, 1], asked[m, 2], square, index, stack, away)
        some = False
        for k in range(len(index)):
            # A hit on the other side of a thin wall does not show this side.
            if _faces(hits, index[k], normal):
                seen[m] |= np.sqrt(square[k]) <= _reach(hits, index[k])
            else:
                some = True
        crowded[m] = some and not seen[m]


def _look_farther(
    hits: _Hits,
    tree: PointTree,
    high: HighPoints,
    rows: NDArray[np.int64],
    most: NDArray[np.int64],
    seen: NDArray[np.bool_],
) -> None:
    """Look for hits that show the places at `rows`, which those of another side crowd around.

    most : how many of the nearest ones were looked at, and are looked at next.
    """
    reach = np.empty(len(hits.ray))
    in_blocks(len(reach), lambda begin, end: _reaches(hits, begin, end, reach))
    farthest = most_below(tree, reach)

    def look(begin: int, end: int) -> None:
        near = np.empty(most[-1]), np.empty(most[-1], np.int64)
        _look_past_others(
            hits, tree, reach, farthest, high.position, high.face, rows[begin:end], most, *near,
            *room_for_search(), seen,
        )  # fmt: skip

    in_blocks(len(rows), look)


@njit(cache=True, nogil=True, makes_arrays=False)
def _look_past_others(
    hits: _Hits,
    tree: PointTree,
    reach: Floats,
    farthest: Floats,
    asked: Floats,
    asked_face: Ints,
    rows: NDArray[np.int64],
    most: NDArray[np.int64],
    square: Floats,
    index: NDArray[np.int64],
    stack: NDArray[np.int64],
    away: Floats,
    seen: NDArray[np.bool_],
) -> None:
    """Mark the places at `rows` that a hit shows.

    farthest : the largest reach in every run of the tree. square, index : room for the most hits.
    """
    for m in rows:
        normal = unit_normal(hits.positions, hits.triangles, asked_face[m])
        for count in most:
            near, which = square[:count], index[:count]
            nearest_points(tree, asked[m, 0], asked[m, 1], asked[m, 2], near, which, stack, away)
            crowded = False
            for k in range(count):
                if _faces(hits, which[k], normal):
                    seen[m] |= np.sqrt(near[k]) <= reach[which[k]]
                else:
                    crowded = True
            if seen[m] or not crowded or np.sqrt(near[count - 1]) > farthest[0]:
                break
            # On such a wall the nearest hits may all be on the other side: look farther, where any
            # hit at all shows the place.
            if count == most[0]:
                here = row(asked, m)
                if not _any_shows(hits, tree, reach, farthest, here, normal, stack):
                    break


@njit(cache=True, nogil=True, makes_arrays=False)
def _reaches(hits: _Hits, begin: int, end: int, out: Floats) -> None:
    for m in range(begin, end):
        out[m] = _reach(hits, m)


@njit(cache=True, nogil=True, makes_arrays=False)
def _reach(hits: _Hits, hit: int) -> float:
    """Return how far from a hit surface counts as seen."""
    i = hits.ray[hit]
    normal = unit_normal(hits.positions, hits.triangles, hits.face[hits.recorded[i]])
    facing = dot(normal, row(hits.direction, i))
    return SEEN_SPACINGS * hits.spacing[i] / max(abs(facing), LEAST_COSINE)


@njit(cache=True, nogil=True, makes_arrays=False)
def _faces(hits: _Hits, hit: int, normal: Vector) -> bool:
    """Tell whether a hit's triangle faces as a normal does, more or less."""
    face = hits.face[hits.recorded[hits.ray[hit]]]
    return dot(unit_normal(hits.positions, hits.triangles, face), normal) > 0.0


@njit(cache=True, nogil=True, makes_arrays=False)
def _any_shows(
    hits: _Hits,
    tree: PointTree,
    reach: Floats,
    farthest: Floats,
    place: Vector,
    normal: Vector,
    stack: NDArray[np.int64],
) -> bool:
    """Tell whether a place lies within the reach of any hit that faces as it does."""
    stack[0], top = 0, 1
    while top > 0:
        top -= 1
        run = stack[top]
        if np.sqrt(square_to(tree.box, run, place[0], place[1], place[2])) > farthest[run]:
            continue
        if tree.child[run] > 0:
            stack[top], stack[top + 1] = tree.child[run], tree.child[run] + 1
            top += 2
            continue
        for i in range(tree.begin[run], tree.end[run]):
            way = minus(row(tree.points, i), place)
            near = np.sqrt(dot(way, way)) <= reach[i]
            if near and _faces(hits, i, normal):
                return True
    return False


def _rays_below(
    low: LowPoly, points: SurfacePoints, rays: Rays, place: Floats, low_triangle: Ints
) -> NDArray[np.int64]:
    """Return (M,) the nearest ray to each place among those of its low triangle's part."""
    out = np.full(len(place), -1, np.int64)
    of_place, of_ray = low.triangle_part[low_triangle], low.triangle_part[points.triangle]
    for part in np.unique(of_place):
        mine, asked = np.flatnonzero(of_ray == part), np.flatnonzero(of_place == part)
        tree = tree_over(np.take(rays.origin, mine, axis=0))

        def look(begin: int, end: int, mine=mine, asked=asked, tree=tree) -> None:  # type: ignore[no-untyped-def]
            few = asked[begin:end]
            out[few] = mine[nearest_of(tree, place[few], 1)[1][:, 0]]

        in_blocks(len(asked), look)
    return out
