"""What one will see of a defect: how far the recorded normal is from the one that belongs there.

The *visible error* of a point is the angle between the shading normal that the bake records and the
shading normal that it should record, in degrees. What it should record is the surface that belongs
to the point (`cagecheck.defects.targets`), met by a *straight* ray: along the face normal of the
low poly, or along the averaged normal for points on an edge or a vertex, where faces meet. Eyes
look at a face from all sides; the point of the high poly that they see behind a point of the low
poly moves about, and on the mean it lies straight above. The smooth normal leans as slanted rays
do. `tests/defects/test_visible.py` draws low polys with either from many views: the face normal
comes nearer to the high poly, by a few percent.

- Nothing recorded: maps are flat there, so it is the angle between what belongs and the low poly's
  own shading normal. Other maps of the bake have a hole all the same, so it is at least
  `HOLE_DEGREES`.
- Nothing there that belongs: `NOTHING_THERE`, as far off as a normal can be.
- Another surface, a flipped one, one that slid sideways, folded or split rays: the angle. Where the
  detail is flat, sliding changes nothing and the error is 0.
- A slide of less than half a texel stays within the texel: error 0.
- Steep normals: what one step of 8 bits turns them by, if that is more (`rounding_degrees`).
- High poly that no ray records: the angle between its own normal and what is recorded below it.

Where the straight ray finds nothing that belongs, the target of the bake's own ray stands in.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import (
    COSINE_ROUNDING,
    Vector,
    blend,
    corners,
    dot,
    moved,
    row,
    scaled,
    store,
    unit,
)
from cagecheck.defects.kinds import Thresholds
from cagecheck.defects.match import DEEP_SEARCH, Matched, Matcher
from cagecheck.defects.rule import part_sizes
from cagecheck.defects.targets import BLOCK, STEEPEST, Targets, find_targets
from cagecheck.defects.unseen import Unseen
from cagecheck.loops import njit
from cagecheck.maps.high_normals import HighShading
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import normalised
from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import PointKind, SurfacePoints, interpolate

# Where no surface belongs, whatever is recorded is as wrong as can be.
NOTHING_THERE = 180.0
# A hole is never told as invisible. Places rank by harm as they do by renders for any floor up to
# 10 degrees (`scripts/seen.py`).
HOLE_DEGREES = 10.0
# A texel is read between its neighbours' centres: what slides less than half of one stays in it.
WITHIN_TEXELS = 0.5
_EDGE, _VERTEX = int(PointKind.EDGE), int(PointKind.VERTEX)
# One step of a component that 8 bits store between -1 and 1. The map's own rounding and that of its
# first mip level are half a step each.
STEP = 1 / 127.5


@dataclass(frozen=True, eq=False)
class Ideal:
    """What a bake should record at N points; it does not depend on the cage.

    Attributes
    ----------
    normal : (N, 3) float64, unit shading normal, outward; zero where nothing belongs.
    straight : (N,) bool, met by the straight ray; elsewhere taken from the bake's own ray.
    own : (N,) bool, the normal is the matcher's for the target of the bake's own ray, which is one
        of the targets `of`. None where that is not known.
    """

    normal: Floats
    straight: NDArray[np.bool_]
    own: NDArray[np.bool_] | None = None
    of: Targets | None = None


def find_ideal(
    matcher: Matcher,
    cast: Matched,
    *,
    depth: float,
    map_size: int,
    thresholds: Thresholds | None = None,
    shading: HighShading | None = None,
) -> Ideal:
    """Find what belongs straight above every point of a cast.

    shading : normals of the high poly, the matcher's own by default.

    Only points whose own ray meets the surface more than half a texel aside need a straight ray;
    and of these only the ones that do not plainly meet the same sheet need the rule for targets.
    """
    low, points, rays, targets = matcher.low, cast.points, cast.rays, cast.targets
    shading, averaged = shading or matcher.shading, low.corner_rays
    per_unit = texels_everywhere(low, map_size, thresholds or Thresholds())
    has_partner = np.asarray(matcher.paired.any(axis=1))[low.triangle_part]
    normal, met = np.empty((len(points), 3)), np.empty(len(points), bool)
    asked_in: dict[int, NDArray[np.int64]] = {}

    def meet(begin: int, end: int) -> None:
        here = slice(begin, end)
        some, along = _part_of(points, here), _part_of(rays, here)
        place = _places(cast.layers, targets.layer[here])
        normal[here] = place.shaded(shading, along)
        aside, _ = _beside(low, averaged, some, along, place.t)
        near = aside * per_unit[some.triangle] <= WITHIN_TEXELS
        met[here] = near & (targets.layer[here] != NO_LAYER)
        asked_in[begin] = begin + np.flatnonzero(has_partner[some.triangle] & ~met[here])

    in_blocks(len(points), meet)
    asked = np.concatenate([asked_in[begin] for begin in sorted(asked_in)])
    own = np.ones(len(points), bool) if shading is matcher.shading else None
    if len(asked) == 0:
        return Ideal(normal, met, own, targets)
    few, along = points.take(asked), rays.take(asked)
    beside = _beside(low, averaged, few, along, targets.distances(asked))
    along = replace(along, direction=straight_directions(low, few))
    place = _met_straight(matcher, cast, few, along, asked, *beside, depth)
    found = place.face >= 0
    normal[asked[found]] = place.shaded(shading, along)[found]
    met[asked] = found
    if own is not None:
        own[asked] = ~found
    return Ideal(normal, met, own, targets)


def visible_error(
    matcher: Matcher,
    cast: Matched,
    recorded: NDArray[np.int64],
    ideal: Ideal,
    *,
    thresholds: Thresholds | None = None,
) -> Floats:
    """Return (N,) degrees between what is recorded and what should be.

    recorded : (N,) index into the layer table, `NO_LAYER` for a miss.
    """
    out = np.empty(len(cast))

    def judge(begin: int, end: int) -> None:
        here = slice(begin, end)
        normal = _recorded(matcher, cast, recorded, ideal, here)
        points = _part_of(cast.points, here)
        out[here] = error_of_normals(matcher.low, points, normal, ideal.normal[here], thresholds)

    in_blocks(len(out), judge)
    return out


def layer_error(matcher: Matcher, cast: Matched, ideal: Ideal) -> NDArray[np.float32]:
    """Return (L,) degrees between every crossing's shading normal and what its ray should record.

    What rays record at another cage distance has the error of its crossing.
    """
    rays, layers = cast.rays, cast.layers
    ray = layers.ray
    out = np.empty(len(layers.t), np.float32)
    for a in range(0, len(out), BLOCK):
        block = slice(a, a + BLOCK)
        few = ray[block]
        normal = matcher.shading.along(
            layers.face[block], rays.origin[few], rays.direction[few], layers.t[block]
        )
        out[block] = error_of_normals(matcher.low, cast.points.take(few), normal, ideal.normal[few])
    return out


def hole_error(low: LowPoly, points: SurfacePoints, ideal: Ideal) -> Floats:
    """Return (N,) the visible error of points for which nothing is recorded, degrees."""
    return error_of_normals(low, points, np.zeros_like(ideal.normal), ideal.normal)


def unseen_error(
    matcher: Matcher, cast: Matched, recorded: NDArray[np.int64], unseen: Unseen
) -> Floats:
    """Return (M,) degrees between lost high-poly surface and what is recorded below it.

    The texels that should have shown it show that instead. 0 for points that are not lost.
    """
    out = np.zeros(len(unseen.lost))
    lost = np.flatnonzero(unseen.lost)
    if len(lost) == 0:
        return out
    place, high = unseen.points.position[lost], unseen.points.face[lost]
    below = unseen.below[lost]
    normal = _places(cast.layers, recorded[below]).along(matcher.shading, cast.rays.take(below))
    out[lost] = error_of_normals(
        matcher.low, cast.points.take(below), normal, matcher.shading.at(high, place)
    )
    return out


def error_of_normals(
    low: LowPoly,
    points: SurfacePoints,
    recorded: Floats,
    ideal: Floats,
    thresholds: Thresholds | None = None,
) -> Floats:
    """Return (N,) the visible error of normals (N, 3) at points of the low poly; zero for none."""
    out = np.empty(len(points))
    steep = float(np.radians((thresholds or Thresholds()).steep_degrees))
    place = np.ascontiguousarray(points.barycentric)
    recorded, ideal = np.ascontiguousarray(recorded), np.ascontiguousarray(ideal)

    def judge(begin: int, end: int) -> None:
        here = slice(begin, end)
        _errors(
            low.shading_normals, points.triangle[here], place[here], recorded[here], ideal[here],
            steep, out[here],
        )  # fmt: skip

    in_blocks(len(out), judge)
    return out


def lean_degrees(low: LowPoly, points: SurfacePoints, normals: Floats) -> Floats:
    """Return (N,) degrees between the low poly's shading normals and others (N, 3)."""
    corner = 3 * points.triangle[:, None].astype(np.int64) + np.arange(3)
    smooth = normalised(interpolate(low.shading_normals.reshape(-1, 3), corner, points.barycentric))
    cosine = np.einsum("ij,ij->i", smooth, normals)
    out: Floats = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return out


def straight_directions(low: LowPoly, points: SurfacePoints) -> Floats:
    """Return (N, 3) unit: the face normal; on edges and vertices the averaged normal."""
    out, averaged = np.empty((len(points), 3)), low.corner_rays

    def look(begin: int, end: int) -> None:
        for_points = points.triangle, points.barycentric, points.kind
        _look_straight(begin, end, low.face_normals, averaged, *for_points, out)

    in_blocks(len(points), look)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _look_straight(
    begin: int, end: int, face_normals: Floats, averaged: Floats, triangle: Ints,
    barycentric: Floats, kind: NDArray[np.uint8], out: Floats,
) -> None:  # fmt: skip
    for i in range(begin, end):
        store(out, i, _straight(face_normals, averaged, triangle[i], row(barycentric, i), kind[i]))


@njit(cache=True, nogil=True, makes_arrays=False)
def _straight(
    face_normals: Floats, averaged: Floats, f: int, barycentric: Vector, kind: int
) -> Vector:
    """Return the straight direction at a point of triangle f; averaged : (T, 3, 3)."""
    normal = row(face_normals, f)
    flat = normal[0] == 0.0 and normal[1] == 0.0 and normal[2] == 0.0
    if flat or kind in (_EDGE, _VERTEX):
        between = blend(*corners(averaged, f), barycentric)
        if between[0] != 0.0 or between[1] != 0.0 or between[2] != 0.0:
            normal = unit(between)
    return normal


def texels_everywhere(low: LowPoly, map_size: int, limits: Thresholds) -> Floats:
    """Return (T,) texels per world unit; without UVs those of a part that fills a tile."""
    per_unit, size = low.texels_per_unit(map_size), part_sizes(low)[low.triangle_part]
    without = limits.skew_texels / (limits.skew_share * size)
    out: Floats = np.where(per_unit > 0, per_unit, without)
    return out


def rounding_degrees(lean: Floats) -> Floats:
    """Return what a step of 8 bits turns normals by that lean so far (N,), degrees.

    Of a normal that leans by a, sin a is stored and cos a follows from it, as where a material
    reads two components; one step less is asin(sin a - step).
    """
    return np.array([np.degrees(_turn(np.radians(a))) for a in lean])


def _recorded(
    matcher: Matcher, cast: Matched, recorded: NDArray[np.int64], ideal: Ideal, here: slice
) -> Floats:
    """Return (n, 3) the shading normals that a block records, as a bake has them; zero for none.

    Where the target itself is recorded, its normal is known already.
    """
    layer, rays = recorded[here], _part_of(cast.rays, here)
    if ideal.own is None or ideal.of is not cast.targets:
        return _places(cast.layers, layer).along(matcher.shading, rays)
    known = ideal.own[here] & (layer == cast.targets.layer[here])
    rest = np.flatnonzero(~known)
    out = ideal.normal[here].copy()
    out[known & ~_places(cast.layers, layer).front] *= -1.0
    out[rest] = _places(cast.layers, layer[rest]).along(matcher.shading, rays.take(rest))
    return out


@dataclass(frozen=True, eq=False)
class _Place:
    """Places on the high poly that N rays meet: face -1, t NaN for none; front : it faces out."""

    face: Ints
    t: Floats
    front: NDArray[np.bool_]

    def along(self, shading: HighShading, rays: Rays) -> Floats:
        """Return (N, 3) their shading normals; zero for none."""
        out = np.empty((len(self.face), 3))

        def shade(begin: int, end: int) -> None:
            here = slice(begin, end)
            out[here] = shading.along(
                self.face[here], rays.origin[here], rays.direction[here], self.t[here]
            )

        in_blocks(len(out), shade)
        return out

    def shaded(self, shading: HighShading, rays: Rays) -> Floats:
        """Return (N, 3) their shading normals, turned outward; zero for none."""
        normal = self.along(shading, rays)
        normal[~self.front] *= -1.0
        return normal


_Record = TypeVar("_Record", SurfacePoints, Rays)


def _part_of(record: _Record, here: slice) -> _Record:
    """Return the points or rays of a block, whose arrays are parts of the whole ones."""
    return type(record)(**{f.name: getattr(record, f.name)[here] for f in fields(record)})


def _places(layers: Layers, layer: NDArray[np.int64]) -> _Place:
    """Return the places of crossings (N,), one of each ray or `NO_LAYER`."""
    n = len(layer)
    out = _Place(np.empty(n, np.int32), np.empty(n), np.empty(n, bool))

    def place(begin: int, end: int) -> None:
        here = slice(begin, end)
        _take_places(
            layer[here], layers.face, layers.t, layers.front, out.face[here], out.t[here],
            out.front[here],
        )  # fmt: skip

    in_blocks(n, place)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _take_places(
    layer: NDArray[np.int64], face: Ints, t: Floats, front: NDArray[np.bool_], out_face: Ints,
    out_t: Floats, out_front: NDArray[np.bool_],
) -> None:  # fmt: skip
    for i in range(len(layer)):
        k = layer[i]
        met = k != NO_LAYER
        out_face[i] = face[k] if met else -1
        out_t[i] = t[k] if met else np.nan
        out_front[i] = front[k] if met else True


def _met_straight(
    matcher: Matcher,
    cast: Matched,
    points: SurfacePoints,
    along: Rays,
    asked: NDArray[np.int64],
    aside: Floats,
    height: Floats,
    depth: float,
) -> _Place:
    """Return what belongs to the points at `asked`, which are `points`, on straight rays `along`.

    aside, height : (K,) where the bake's own rays have their targets, seen from the straight rays.
    """
    low, paired, surface = matcher.low, matcher.paired, matcher.scene.surface
    reach = float(cast.layers.reach.max(initial=0.0))
    layers = matcher.layers(points, along, DEEP_SEARCH * depth, reach)
    goal = _places(cast.layers, cast.targets.layer[asked])
    layer = np.full(len(asked), NO_LAYER, np.int64)
    _same_sheet(
        layers.first, layers.t, layers.face, layers.front, surface.triangle_part,
        low.triangle_part[points.triangle], paired, matcher.ground.turned, goal.face, goal.front,
        aside, height, layer,
    )  # fmt: skip
    out = _places(layers, layer)
    rest = np.flatnonzero(layer == NO_LAYER)
    if len(rest) == 0:
        return out
    few, rays, table = points.take(rest), along.take(rest), layers.take(rest)
    targets = find_targets(low, few, rays, table, matcher.scene, paired, ground=matcher.ground)
    deep = matcher.deeper(Matched(few, rays, table, targets))
    late = _places(deep.layers, deep.targets.layer)
    for mine, theirs in ((out.face, late.face), (out.t, late.t), (out.front, late.front)):
        mine[rest] = theirs
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _same_sheet(
    first: NDArray[np.int64],
    t: Floats,
    face: Ints,
    front: NDArray[np.bool_],
    high_part: Ints,
    low_part: Ints,
    paired: NDArray[np.bool_],
    turned: NDArray[np.bool_],
    goal_face: Ints,
    goal_front: NDArray[np.bool_],
    aside: Floats,
    height: Floats,
    out: NDArray[np.int64],
) -> None:
    """Write the crossing that plainly lies on the sheet that the own ray's target lies on.

    That is so where it is the outermost outward one of the paired parts, of the target's part, and
    the way from the target to it is no steeper than surface is.
    """
    for i in range(len(first) - 1):
        if goal_face[i] < 0:
            continue
        mine, part = low_part[i], high_part[goal_face[i]]
        if goal_front[i] == turned[mine, part]:
            continue
        for k in range(first[i + 1] - 1, first[i] - 1, -1):
            other = high_part[face[k]]
            if not paired[mine, other] or front[k] == turned[mine, other]:
                continue
            if other == part and abs(t[k] - height[i]) <= STEEPEST * aside[i]:
                out[i] = k
            break


def _beside(
    low: LowPoly, averaged: Floats, points: SurfacePoints, rays: Rays, t: Floats
) -> tuple[Floats, Floats]:
    """Return (n,) how far aside of the straight ray targets lie, and how high above the point.

    averaged : the low poly's `corner_rays`. t : where the targets are on the bake's own rays.
    """
    aside, height = np.empty(len(t)), np.empty(len(t))
    _split_up(
        low.face_normals, averaged, points.triangle, points.barycentric, points.kind,
        rays.direction, t, aside, height,
    )  # fmt: skip
    return aside, height


@njit(cache=True, nogil=True, makes_arrays=False)
def _split_up(
    face_normals: Floats, averaged: Floats, triangle: Ints, barycentric: Floats,
    kind: NDArray[np.uint8], direction: Floats, t: Floats, aside: Floats, height: Floats,
) -> None:  # fmt: skip
    for i in range(len(t)):
        ray = row(direction, i)
        up = _straight(face_normals, averaged, triangle[i], row(barycentric, i), kind[i])
        cosine = dot(ray, up)
        across = moved(ray, -cosine, up)
        aside[i] = abs(t[i]) * np.sqrt(dot(across, across))
        height[i] = t[i] * cosine


@njit(cache=True, nogil=True, error_model="numpy")
def _between(a: Vector, b: Vector) -> float:
    """Return the angle between two unit vectors, radians; as exact near 0 as elsewhere."""
    if a[0] == b[0] and a[1] == b[1] and a[2] == b[2]:
        return 0.0  # nearly always: what is recorded is what should be
    minus = (a[0] - b[0], a[1] - b[1], a[2] - b[2])
    plus = (a[0] + b[0], a[1] + b[1], a[2] + b[2])
    return 2.0 * np.arctan2(np.sqrt(dot(minus, minus)), np.sqrt(dot(plus, plus)))


@njit(cache=True, nogil=True, makes_arrays=False, error_model="numpy")
def _errors(
    shading: Floats,
    triangle: Ints,
    barycentric: Floats,
    recorded: Floats,
    ideal: Floats,
    steep: float,
    out: Floats,
) -> None:
    """Write the visible error of points, degrees; recorded, ideal : zero for none."""
    plain = np.cos(steep) + COSINE_ROUNDING
    for i in range(len(out)):
        mine, wanted = row(recorded, i), row(ideal, i)
        if dot(wanted, wanted) == 0.0:
            out[i] = NOTHING_THERE
            continue
        a, b, c = corners(shading, triangle[i])
        smooth = blend(a, b, c, row(barycentric, i))
        length = np.sqrt(dot(smooth, smooth))
        if dot(mine, mine) == 0.0:
            out[i] = HOLE_DEGREES
            if length > 0.0:
                flat = _between(scaled(smooth, 1.0 / length), wanted)
                out[i] = max(out[i], np.degrees(flat))
            continue
        angle = _between(mine, wanted)
        # Nearly all are plainly less steep than that, which the cosine tells at less cost.
        if length > 0.0 and dot(mine, smooth) < plain * length:
            lean = _between(mine, scaled(smooth, 1.0 / length))
            if lean > steep:
                angle = max(angle, _turn(lean))
        out[i] = np.degrees(angle)


@njit(cache=True, nogil=True)
def _turn(lean: float) -> float:
    """Return `rounding_degrees`, in radians and of radians."""
    sine = np.sin(lean)
    return np.arcsin(sine) - np.arcsin(max(sine - STEP, -1.0))
