"""Which crossings belong to the points whose rays met them, told crossing by crossing.

Every crossing that may belong is projected back to the low poly once, and what that tells is kept
in a few numbers per crossing; ways along the surface are measured only where the projection does
not land beside the point. The rule stands in `cagecheck.defects.targets`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import Vector, dot, einsum_dot, minus, moved, row
from cagecheck.defects.nearest import (
    Forest,
    NearestPaired,
    SearchRoom,
    nearest_in,
    nearest_row,
    row_in,
    search_room,
)
from cagecheck.defects.surface_distance import SurfaceGraph, detour_ratio, triangles_touch
from cagecheck.loops import njit
from cagecheck.meshes.facets import unit_normal
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.progress import Progress
from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import Layers
from cagecheck.rays.points import SurfacePoints

Mask = NDArray[np.bool_]

# Over one bend of a surface the walk is at most a half circle against its diameter, pi / 2; a
# quarter on top covers the overestimate of walking along edges.
MAX_DETOUR = 1.25 * np.pi / 2
# A ray slanted by a to the low poly crosses at cos(a) of its length from it. Beyond 75 degrees a
# crossing that lies nearer than that to another triangle says more about that triangle.
CLAIMED_BELOW = float(np.cos(np.radians(75.0)))
# Beyond this ratio not even neighbouring samples make a crossing belong.
DOUBT_TO = 1.5 * MAX_DETOUR
# A place this share of its depth beside a ray is met by it (common practice, no source).
ASIDE = 0.25
# Distances that differ by less than this share are equal, rounded: the two sides of a card.
SAME_PLACE = 1e-9
# Rays projected between two words of progress.
_RAYS_AT_ONCE = 1 << 20
# Rays that a core takes at a time: each of their crossings is a search.
_RAYS_A_TASK = 8192
# What is known of where a crossing's projection landed: nothing, beside its point, farther off.
_UNKNOWN, _BESIDE, _APART = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Shot:
    """Rays and all that they cross, L crossings.

    own : (L,) bool, of a high part that the point's part may be baked from. outward : (L,) bool, it
    faces outward, as far as parts that are inside out as wholes let it.
    """

    points: SurfacePoints
    rays: Rays
    layers: Layers
    surface: Surface
    own: Mask
    outward: Mask


@dataclass(frozen=True, eq=False)
class Met:
    """What is known of every crossing.

    asked : (L,) bool, it may belong. ratio : (L,) detour over chord, infinity where it was not
    measured. claimed : (L,) bool. belongs : (L,) bool, and no nearer surface of its parts hides it.
    """

    asked: Mask
    ratio: Floats
    claimed: Mask
    belongs: Mask


def shot_of(
    low: LowPoly,
    points: SurfacePoints,
    rays: Rays,
    layers: Layers,
    surface: Surface,
    paired: Mask,
    turned: Mask,
) -> Shot:
    """Return the shot; turned : (low parts, high parts) bool, one of the two is inside out."""
    count = len(layers.t)
    own, outward = np.empty(count, bool), np.empty(count, bool)

    def tell(begin: int, end: int) -> None:
        _tell_own(
            begin, end, layers.first, layers.face, layers.front, points.triangle,
            low.triangle_part, surface.triangle_part, paired, turned, own, outward,
        )  # fmt: skip

    in_blocks(len(layers), tell)
    return Shot(points, rays, layers, surface, own, outward)


@njit(cache=True, nogil=True, makes_arrays=False)
def _tell_own(
    begin: int, end: int, first: NDArray[np.int64], face: Ints, front: Mask, triangle: Ints,
    low_part: Ints, high_part: Ints, paired: Mask, turned: Mask, own: Mask, outward: Mask,
) -> None:  # fmt: skip
    for i in range(begin, end):
        mine = low_part[triangle[i]]
        for k in range(first[i], first[i + 1]):
            other = high_part[face[k]]
            own[k] = paired[mine, other]
            # Where one of the two is inside out as a whole, its fronts stand for backs.
            outward[k] = front[k] != turned[mine, other]


def all_that_may_belong(
    shot: Shot,
    label: Ints,
    nearest_on: NearestPaired,
    graph: SurfaceGraph,
    deep: bool,
    progress: Progress,
) -> Met:
    """Tell which of a shot's own crossings belong.

    label : (F,) the part of every high triangle, as `nearest_on` has them. deep : inward crossings
    and those that another place claims belong to nothing.
    """
    met = _nothing_met(len(shot.layers.t), shot.own)
    everyone = np.ones(len(shot.layers), bool)
    _fill(met, shot, everyone, label, nearest_on, graph, deep, progress)
    return met


def those_of_pieces(
    shot: Shot,
    low_piece: Ints,
    high_piece: Ints,
    related: Mask,
    of_pieces: NearestPaired,
    of_parts: NearestPaired,
    graph: SurfaceGraph,
    deep: bool,
    progress: Progress,
) -> Met:
    """Tell which belong among the own crossings of related pieces.

    On rays on which none does, all the own crossings are asked: what no piece of its own explains
    may be of another one. low_piece : (T,) of every low triangle; high_piece : (F,); related : (low
    pieces, high pieces) bool.
    """
    first, count = shot.layers.first, len(shot.layers)
    met = _nothing_met(len(shot.layers.t), shot.own.copy())
    _keep_related(first, shot.layers.face, shot.points.triangle, low_piece, high_piece, related,
                  met.asked)  # fmt: skip
    everyone = np.ones(count, bool)
    _fill(met, shot, everyone, high_piece, of_pieces, graph, deep, progress)
    lost = np.empty(count, bool)
    if _forget_lost(first, met.belongs, shot.own, lost, met.asked, met.ratio, met.claimed):
        part = shot.surface.triangle_part
        _fill(met, shot, lost, part, of_parts, graph, deep, progress)
    return met


def _nothing_met(count: int, asked: Mask) -> Met:
    return Met(asked, np.full(count, np.inf), np.zeros(count, bool), np.zeros(count, bool))


@njit(cache=True, nogil=True, makes_arrays=False)
def _keep_related(
    first: NDArray[np.int64], face: Ints, triangle: Ints, low_piece: Ints, high_piece: Ints,
    related: Mask, asked: Mask,
) -> None:  # fmt: skip
    for i in range(len(first) - 1):
        for k in range(first[i], first[i + 1]):
            asked[k] = asked[k] and related[low_piece[triangle[i]], high_piece[face[k]]]


@njit(cache=True, nogil=True, makes_arrays=False)
def _forget_lost(
    first: NDArray[np.int64], belongs: Mask, own: Mask, lost: Mask, asked: Mask, ratio: Floats,
    claimed: Mask,
) -> bool:  # fmt: skip
    """Mark the rays on which nothing belongs, and have all own crossings on them asked anew."""
    some = False
    for i in range(len(first) - 1):
        lost[i] = True
        for k in range(first[i], first[i + 1]):
            if belongs[k]:
                lost[i] = False
        if lost[i]:
            for k in range(first[i], first[i + 1]):
                asked[k], ratio[k], claimed[k] = own[k], np.inf, False
                some |= own[k]
    return some


def _fill(
    met: Met,
    shot: Shot,
    rays: Mask,
    label: Ints,
    nearest_on: NearestPaired,
    graph: SurfaceGraph,
    deep: bool,
    progress: Progress,
) -> None:
    """Fill in what is known of the crossings of some rays; rays : (N,) bool."""
    layers = shot.layers
    # Ways along the surface are dear and mostly not needed: the crossings of a lower rank only
    # matter on rays where no crossing of a higher rank belongs.
    settled = ~rays
    needed = np.zeros(nearest_on.group_count, bool)
    _mark_groups(layers.first, layers.face, met.asked, settled, label, nearest_on.group, needed)
    forest = nearest_on.forest(needed)
    nearest = np.empty(len(layers.t), np.int32)
    landed = np.full(len(layers.t), _UNKNOWN, np.uint8)
    for outward in (True,) if deep else (True, False):
        _project(met, shot, settled, outward, label, nearest_on, forest, nearest, landed, progress)
        for of_another in (False, True):
            rank = shot.outward, outward, met.claimed, of_another
            count = _count_apart(layers.first, landed, *rank, settled)
            apart, ray = np.empty(count, np.int64), np.empty(count, np.int64)
            _take_beside(layers.first, landed, *rank, settled, met.ratio, apart, ray)
            if count == 0:
                continue
            ratio = _detours(shot, nearest_on.low, graph, nearest[apart], apart, ray)
            met.ratio[apart] = ratio
            settled[ray[ratio <= MAX_DETOUR]] = True

    def judge(begin: int, end: int) -> None:
        _judge(
            begin, end, layers.first, layers.t, shot.outward, met.asked, rays, met.ratio,
            met.claimed, deep, met.belongs,
        )  # fmt: skip

    in_blocks(len(layers), judge)


@njit(cache=True, nogil=True, makes_arrays=False)
def _mark_groups(
    first: NDArray[np.int64], face: Ints, asked: Mask, settled: Mask, label: Ints,
    group: NDArray[np.int64], needed: Mask,
) -> None:  # fmt: skip
    for i in range(len(first) - 1):
        if not settled[i]:
            for k in range(first[i], first[i + 1]):
                if asked[k]:
                    needed[group[label[face[k]]]] = True


def _project(
    met: Met,
    shot: Shot,
    settled: Mask,
    outward: bool,
    label: Ints,
    nearest_on: NearestPaired,
    forest: Forest,
    nearest: NDArray[np.int32],
    landed: NDArray[np.uint8],
    progress: Progress,
) -> None:
    """Project the crossings of rays that are not settled which face outward, or those which do not.

    Fills `nearest`, `landed` and what is claimed, for these and no others.
    """
    points, rays, layers, surface = shot.points, shot.rays, shot.layers, shot.surface
    welded = nearest_on.low.welded
    for a in range(0, len(layers), _RAYS_AT_ONCE):
        count = min(_RAYS_AT_ONCE, len(layers) - a)

        def project(begin: int, end: int, a: int = a) -> None:
            _project_rays(
                a + begin, a + end, forest, nearest_on.group, label, welded,
                layers.first, layers.t, layers.face, met.asked, shot.outward, outward, settled,
                points.triangle, rays.origin, rays.direction,
                np.ascontiguousarray(layers.depth[a + begin : a + end]),
                surface.positions, surface.triangles, nearest, landed, met.claimed, search_room(),
            )  # fmt: skip

        in_blocks(count, project, _RAYS_A_TASK)
        progress("matching surfaces", a + count, len(layers))


@njit(cache=True, nogil=True, makes_arrays=False)
def _project_rays(
    begin: int, end: int, forest: Forest, group: NDArray[np.int64], label: Ints, welded: Ints,
    first: NDArray[np.int64], t: Floats, face: Ints, asked: Mask, outward: Mask, wanted: bool,
    settled: Mask, triangle: Ints, origin: Floats, direction: Floats, depth: Floats,
    positions: NDArray[Any], triangles: NDArray[Any], nearest: NDArray[np.int32],
    landed: NDArray[np.uint8], claimed: Mask, room: SearchRoom,
) -> None:  # fmt: skip
    """Project crossings; depth : (end - begin,).

    Inward ones are projected as if they were flipped. Where one is not known to be flipped, it
    lands nowhere if a place that faces as it does is nearer, or if the other skin of the low poly
    lies right below: what the ray met is that one's back. It is known to be where the next crossing
    below faces inward, too.
    """
    guess, guess_of, guess_in = -1, -1, -1
    for i in range(begin, end):
        if settled[i]:
            continue
        mine, along = triangle[i], row(direction, i)
        flipped = False
        for k in range(first[i], first[i + 1]):
            if not asked[k]:
                continue
            if outward[k] != wanted:
                flipped = not outward[k]
                continue
            place = moved(row(origin, i), t[k], along)
            facing = _facing(positions, triangles, face[k], along)
            g = group[label[face[k]]]
            if guess_of != mine or guess_in != g:
                guess, guess_of, guess_in = row_in(forest, g, mine), mine, g
            found, where = nearest_row(forest, g, guess, place, facing, room)
            height = np.inf
            if found >= 0:
                nearest[k] = forest.triangle[found]
                away = minus(where, place)
                height = np.sqrt(dot(away, away))
                beside = triangles_touch(welded, mine, nearest[k])
                landed[k] = _BESIDE if beside else _APART
            else:
                nearest[k] = -1
            if not wanted:
                if not flipped and _seen_through(
                    forest, g, place, facing, height, row(origin, i), along, depth[i - begin], room
                ):
                    nearest[k], landed[k] = -1, _UNKNOWN
                flipped = True
            claimed[k] = height < CLAIMED_BELOW * abs(t[k]) and nearest[k] != mine


@njit(cache=True, nogil=True, makes_arrays=False)
def _facing(positions: Any, triangles: Any, face: int, along: Vector) -> Vector:
    """Return where a crossing faces: halfway between its normal and its ray.

    A ray crosses steep detail on the skin that it was shot for, so where detail leans by nearly 90
    degrees the ray tells the two skins of a shell apart better than the detail does.
    """
    normal = unit_normal(positions, triangles, face)
    length = np.sqrt(dot(normal, normal))
    side = -1.0 if dot(normal, along) < 0.0 else 1.0
    if length > 0.0:
        normal = (normal[0] / length, normal[1] / length, normal[2] / length)
    return (
        normal[0] * side + along[0], normal[1] * side + along[1], normal[2] * side + along[2],
    )  # fmt: skip


@njit(cache=True, nogil=True, makes_arrays=False)
def _seen_through(
    forest: Forest, group: int, place: Vector, facing: Vector, height: float, origin: Vector,
    along: Vector, depth: float, room: SearchRoom,
) -> bool:  # fmt: skip
    """Tell whether an inward crossing is the back of what faces as it does."""
    opposite = (-facing[0], -facing[1], -facing[2])
    found, where = nearest_row(forest, group, -1, place, opposite, room)
    if found < 0:
        return False
    away = minus(where, place)
    if height >= np.sqrt(dot(away, away)) * (1 - SAME_PLACE):
        return True
    # Where another skin of the low poly lies on the ray, as deep as it looks, the ray must meet one
    # more back, or it met that skin's.
    away = minus(where, origin)
    below = -einsum_dot(away, along)
    across = moved(away, below, along)
    return 0.0 < below < depth and np.sqrt(dot(across, across)) < ASIDE * below


@njit(cache=True, nogil=True, makes_arrays=False)
def _count_apart(
    first: NDArray[np.int64], landed: NDArray[np.uint8], outward: Mask, wanted: bool,
    claimed: Mask, of_another: bool, settled: Mask,
) -> int:  # fmt: skip
    """Return how many crossings of a rank, on rays that are not settled, landed farther off."""
    count = 0
    for i in range(len(first) - 1):
        if settled[i]:
            continue
        for k in range(first[i], first[i + 1]):
            of_rank = outward[k] == wanted and claimed[k] == of_another
            count += landed[k] == _APART and of_rank
    return count


@njit(cache=True, nogil=True, makes_arrays=False)
def _take_beside(
    first: NDArray[np.int64], landed: NDArray[np.uint8], outward: Mask, wanted: bool,
    claimed: Mask, of_another: bool, settled: Mask, ratio: Floats, apart: NDArray[np.int64],
    ray: NDArray[np.int64],
) -> None:  # fmt: skip
    """Settle rays on which one of a rank landed beside its point; list what landed farther off."""
    count = 0
    for i in range(len(first) - 1):
        if settled[i]:
            continue
        for k in range(first[i], first[i + 1]):
            if outward[k] != wanted or claimed[k] != of_another or landed[k] == _UNKNOWN:
                continue
            if landed[k] == _BESIDE:
                ratio[k], settled[i] = 1.0, True
            else:
                apart[count], ray[count] = k, i
                count += 1


def _detours(
    shot: Shot, low: LowPoly, graph: SurfaceGraph, nearest: Ints, crossing: Ints, ray: Ints
) -> Floats:
    """Return (M,) detour over chord of crossings of the rays `ray`, which are nearest to others."""
    place = np.empty((len(ray), 3))
    corner = np.ascontiguousarray(low.positions[low.triangles[nearest]], np.float64)
    origin = shot.rays.origin[ray]
    _places_on(corner, origin, shot.rays.direction[ray], shot.layers.t[crossing], place)
    own = shot.points.triangle[ray]
    return detour_ratio(graph, own, origin, nearest, place, DOUBT_TO)


@njit(cache=True, nogil=True, makes_arrays=False)
def _places_on(corner: Floats, origin: Floats, direction: Floats, t: Floats, out: Floats) -> None:
    """Write the places on triangles (M, 3, 3) that are nearest to crossings."""
    for m in range(len(t)):
        place = moved(row(origin, m), t[m], row(direction, m))
        out[m, 0], out[m, 1], out[m, 2] = nearest_in(corner, m, place)


@njit(cache=True, nogil=True, makes_arrays=False)
def _judge(
    begin: int, end: int, first: NDArray[np.int64], t: Floats, outward: Mask, asked: Mask,
    rays: Mask, ratio: Floats, claimed: Mask, deep: bool, belongs: Mask,
) -> None:  # fmt: skip
    """Say what belongs.

    Not what faces inward and lies farther from p than an outward crossing of the paired parts.
    """
    for i in range(begin, end):
        if not rays[i]:
            continue
        nearest = np.inf
        for k in range(first[i], first[i + 1]):
            if asked[k] and outward[k]:
                nearest = min(nearest, abs(t[k]))
        for k in range(first[i], first[i + 1]):
            hidden = not outward[k] and abs(t[k]) > nearest
            belongs[k] = ratio[k] <= MAX_DETOUR and not hidden and not (deep and claimed[k])
