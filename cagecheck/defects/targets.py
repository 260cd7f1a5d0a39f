"""Which crossing of a ray belongs to the point that it was shot for.

A crossing belongs to p when it lies on the high-poly parts paired with p's part and its nearest
place on the low poly is p's own neighbourhood: the same triangle, one that touches it, or a place
that is about as near along the surface as through space. The opposite wall, the neighbouring
finger and the next fold are near through space but far along the surface. For crossings that face
outward the nearest place is looked for among low triangles that face as they do; otherwise the
other skin of a cape would be nearest wherever detail is deeper than the cape is thick. Where a part
holds several pieces, only those count that the crossing's piece was made for
(`cagecheck.defects.related`); rays that find nothing of such a piece are asked for the whole part.

A belonging crossing is *claimed* by another place when it lies several times nearer to that place
than to p. The *target* of p is its outermost belonging crossing that faces outward and is not
claimed; failing that the nearest claimed one; failing that the same among crossings that face
inward (a flipped patch), but of those only one that lies nearer to p than every outward crossing of
the paired parts: where pieces of one part run into each other, the far wall is no flipped patch.
Nor is one whose nearest place faces as it does, which is another skin seen from behind through a
hole, unless the next crossing below faces inward too: that one is then the other skin.

Where pieces touch, the high poly of one may lie nearer to the low poly of the other, and rays there
find nothing of their own. They are settled by the samples around, which know how deep to look.
Where a whole part, low or high, is inside out, outward and inward change places for all of this.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import dot, row
from cagecheck.defects.blocks import in_blocks
from cagecheck.defects.nearest import NearestPaired
from cagecheck.defects.related import Pieces, related_pieces
from cagecheck.defects.surface_distance import SurfaceGraph, detour_ratio, surface_graph, touch
from cagecheck.loops import njit
from cagecheck.meshes.facets import unit_normal
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.rays.scene import Scene
from cagecheck.rays.winding import orientation

# Over one bend of a surface the walk is at most a half circle against its diameter, pi / 2; a
# quarter on top covers the overestimate of walking along edges.
MAX_DETOUR = 1.25 * np.pi / 2
# A ray slanted by a to the low poly crosses at cos(a) of its length from it. Beyond 75 degrees a
# crossing that lies nearer than that to another triangle says more about that triangle.
CLAIMED_BELOW = float(np.cos(np.radians(75.0)))
# Between these ratios geometry alone does not decide, and neighbouring samples are asked.
DOUBT_FROM, DOUBT_TO = 1.5, 1.5 * MAX_DETOUR
NEIGHBOURS = 8
# Triangles of a part that are asked whether low and high poly face against each other there.
FACING_TRIANGLES = 256
# Beyond this slope (75 degrees) between a sample and those around it, what they found says nothing
# about it.
STEEPEST = float(np.tan(np.radians(75.0)))
# A place this share of its depth beside a ray is met by it (common practice, no source).
ASIDE = 0.25
# Distances that differ by less than this share are equal, rounded: the two sides of a card.
SAME_PLACE = 1e-9
# Crossings projected at once: bounds the memory of the projection.
BLOCK = 1 << 20


@dataclass(frozen=True, eq=False)
class Targets:
    """The target and the corridor of every ray.

    Attributes
    ----------
    layer : (N,) int64 index into the layer table, `NO_LAYER` where nothing belongs.
    t : (N,) float64, distance of the target, NaN where there is none.
    front : (N,) bool, the target faces outward.
    t_next : (N,) float64, the next crossing outside the target (what a start beyond it records),
        infinity where there is none within reach.
    next_layer : (N,) int64 its index, or `NO_LAYER`.
    belongs : (L,) bool for every crossing of the table that had to be asked: where an outward
        one belongs, inward ones and those nearer to another place are not.
    doubtful : (N,) bool, decided by neighbouring samples.
    """

    layer: NDArray[np.int64]
    t: Floats
    front: NDArray[np.bool_]
    t_next: Floats
    next_layer: NDArray[np.int64]
    belongs: NDArray[np.bool_]
    doubtful: NDArray[np.bool_]

    @property
    def found(self) -> NDArray[np.bool_]:
        """(N,) bool, the ray has a target."""
        return self.layer != NO_LAYER


@dataclass(frozen=True, eq=False)
class Ground:
    """What finding targets needs of a low poly and its pairs; made once, it serves many casts.

    nearest : on the paired parts. facing : (low parts,) int8, see
    `cagecheck.rays.winding.orientation`. turned : (low parts, high parts) bool, one of the two is
    inside out. pieces : None where no part is of several; near_pieces : on the related pieces.
    """

    graph: SurfaceGraph
    nearest: NearestPaired
    facing: NDArray[np.int8]
    turned: NDArray[np.bool_]
    pieces: Pieces | None
    near_pieces: NearestPaired | None


def ground_of(low: LowPoly, paired: NDArray[np.bool_], scene: Scene) -> Ground:
    """Return the ground of a low poly; paired : (low parts, high parts) bool."""
    nearest, facing = NearestPaired(low, paired), low_orientation(low)
    turned = facing[:, None] * scene.orientation < 0
    turned &= _backs_lie_nearest(low, scene, paired, np.asarray(turned.any(axis=1)))[:, None]
    pieces = related_pieces(low, scene, nearest, turned)
    near_pieces = None if pieces is None else NearestPaired(low, pieces.related, pieces.low)
    return Ground(surface_graph(low), nearest, facing, turned, pieces, near_pieces)


def _backs_lie_nearest(
    low: LowPoly, scene: Scene, paired: NDArray[np.bool_], asked: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell (low parts,) whether the surface nearest along their faces' normals shows its back.

    Whether low and high poly face against each other must show where they lie on each other: a
    high part of several pieces may hold one that is inside out just as the low part is.

    asked : (low parts,) bool; False is returned for the others.
    """
    out = np.zeros(len(asked), bool)
    far = low.diagonal()
    for part in np.flatnonzero(asked):
        mine = np.flatnonzero((low.triangle_part == part) & (low.area > 0))
        mine = mine[:: max(len(mine) // FACING_TRIANGLES, 1)]
        middle = low.positions[low.triangles[mine]].mean(axis=1)
        layers = scene.cast(middle, low.face_normals[mine], far, far)
        layers = layers.where(paired[part, scene.surface.triangle_part[layers.face]])
        order = np.lexsort((np.abs(layers.t), layers.ray))
        _, first = np.unique(layers.ray[order], return_index=True)
        nearest = order[first]
        weight = low.area[mine][layers.ray[nearest]]
        out[part] = weight[~layers.front[nearest]].sum() > 0.5 * weight.sum()
    return out


def low_orientation(low: LowPoly) -> NDArray[np.int8]:
    """Return (parts,): 1 faces outward, -1 inside out, 0 cannot be told (sheets, cards)."""
    if len(low.triangles) == 0:
        return np.zeros(len(low.part_names), np.int8)
    surface = Surface(low.positions, low.triangles, low.triangle_part, low.part_names)
    return orientation(Scene(surface, threads=1))


def find_targets(
    low: LowPoly,
    points: SurfacePoints,
    rays: Rays,
    layers: Layers,
    scene: Scene,
    paired: NDArray[np.bool_],
    *,
    ground: Ground | None = None,
    deep: bool = False,
    progress: Progress = silent,
) -> Targets:
    """Find the target of every ray.

    Parameters
    ----------
    scene : the high poly that the layers are of.
    paired : (low parts, high parts) bool, which may be baked onto which.
    ground : `ground_of` the low poly and its pairs, for those who call this many times.
    deep : only outward crossings that no other place claims may be targets: so far below, a back is
        the far wall seen through a hole.
    """
    ray = layers.ray
    low_part = low.triangle_part[points.triangle]
    high_part = scene.surface.triangle_part
    ground = ground or ground_of(low, paired, scene)
    own = paired[low_part[ray], high_part[layers.face]]
    # Where one of the two parts is inside out as a whole, its fronts stand for backs.
    outward = layers.front ^ ground.turned[low_part[ray], high_part[layers.face]]
    shot = _Shot(points, rays, layers, ray, outward, scene.surface)
    pieces = ground.pieces
    if pieces is None or ground.near_pieces is None:
        met = _belonging(shot, own, high_part, ground.nearest, ground.graph, deep, progress)
    else:
        low_piece = pieces.low[points.triangle]
        of_piece = own & pieces.related[low_piece[ray], pieces.high[layers.face]]
        met = _belonging(
            shot, of_piece, pieces.high, ground.near_pieces, ground.graph, deep, progress
        )
        # What no piece of its own explains may be of another one.
        lost = np.ones(len(layers), bool)
        lost[ray[met.belongs & ~met.hidden]] = False
        if lost.any():
            rest = own & lost[ray]
            other = _belonging(shot, rest, high_part, ground.nearest, ground.graph, deep, progress)
            met = met.with_rays(lost[ray], other)
    targets = _targets_of(
        layers, met.belongs & ~met.hidden, met.claimed, outward, np.zeros(len(layers), bool)
    )
    return _ask_neighbours(points, rays, layers, met, outward, targets, low_part)


@dataclass(frozen=True, eq=False)
class _Shot:
    """Rays and all that they cross; ray, outward : (L,) of every crossing."""

    points: SurfacePoints
    rays: Rays
    layers: Layers
    ray: Ints
    outward: NDArray[np.bool_]
    surface: Surface


@dataclass(frozen=True, eq=False)
class _Met:
    """What is known of every crossing.

    own : (L,) bool, it may belong. ratio : detour over chord, infinity where it was not asked.
    claimed, belongs : (L,) bool. hidden : (L,) bool, see `_hidden`.
    """

    own: NDArray[np.bool_]
    ratio: Floats
    claimed: NDArray[np.bool_]
    belongs: NDArray[np.bool_]
    hidden: NDArray[np.bool_]

    def with_rays(self, rows: NDArray[np.bool_], other: _Met) -> _Met:
        """Return the same with the crossings at `rows` taken from another."""
        return _Met(
            np.where(rows, other.own, self.own),
            np.where(rows, other.ratio, self.ratio),
            np.where(rows, other.claimed, self.claimed),
            np.where(rows, other.belongs, self.belongs),
            np.where(rows, other.hidden, self.hidden),
        )


def _belonging(
    shot: _Shot,
    own: NDArray[np.bool_],
    label: Ints,
    nearest_on: NearestPaired,
    graph: SurfaceGraph,
    deep: bool,
    progress: Progress,
) -> _Met:
    """Tell which crossings belong, among those that are `own`.

    label : (F,) the part or piece of every high triangle, as `nearest_on` has them.
    """
    points, rays, layers, ray, outward = (
        shot.points, shot.rays, shot.layers, shot.ray, shot.outward,
    )  # fmt: skip
    rows = np.flatnonzero(own)
    sure = np.zeros(len(layers), bool)
    ratio = np.full(len(layers.t), np.inf)
    claimed = np.zeros(len(layers.t), bool)
    # Ways along the surface are dear and mostly not needed: the crossings of a lower rank only
    # matter on rays where no crossing of a higher rank belongs.
    for out in (True,) if deep else (True, False):
        open_rows = rows[(outward[rows] == out) & ~sure[ray[rows]]]
        own_skin = None if out else _back_below(layers.first, outward, own)[open_rows]
        nearest, place = _project_blocks(
            nearest_on, points, rays, layers, ray, open_rows, claimed, shot.surface, label,
            own_skin, progress,
        )  # fmt: skip
        for of_another in (False, True):
            chosen = (claimed[open_rows] == of_another) & ~sure[ray[open_rows]] & (nearest >= 0)
            asked = np.flatnonzero(chosen)
            some, here = open_rows[asked], nearest[asked]
            own_triangle = points.triangle[ray[some]]
            # Mostly it is the next triangle at the farthest, and there is no way to measure.
            near = touch(graph, own_triangle, here)
            ratio[some[near]] = 1.0
            far = np.flatnonzero(~near)
            ratio[some[far]] = detour_ratio(
                graph, own_triangle[far], rays.origin[ray[some[far]]], here[far],
                place[asked[far]], DOUBT_TO,
            )  # fmt: skip
            sure[ray[some[ratio[some] <= MAX_DETOUR]]] = True
    belongs = ratio <= MAX_DETOUR
    if deep:
        belongs &= ~claimed
    return _Met(own, ratio, claimed, belongs, _hidden(layers.first, layers.t, outward, own))


@njit(cache=True, nogil=True)
def _back_below(
    first: NDArray[np.int64], outward: NDArray[np.bool_], own: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Mark crossings whose next one below, of the paired parts, faces inward."""
    out = np.zeros(len(outward), np.bool_)
    for i in range(len(first) - 1):
        below = False
        for k in range(first[i], first[i + 1]):
            if own[k]:
                out[k] = below
                below = not outward[k]
    return out


@njit(cache=True, nogil=True)
def _hidden(
    first: NDArray[np.int64],
    t: Floats,
    front: NDArray[np.bool_],
    own: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Mark inward crossings that lie farther from p than an outward one of the paired parts."""
    out = np.zeros(len(t), np.bool_)
    for i in range(len(first) - 1):
        nearest = np.inf
        for k in range(first[i], first[i + 1]):
            if own[k] and front[k]:
                nearest = min(nearest, abs(t[k]))
        for k in range(first[i], first[i + 1]):
            out[k] = not front[k] and abs(t[k]) > nearest
    return out


def _project_blocks(
    nearest_on: NearestPaired,
    points: SurfacePoints,
    rays: Rays,
    layers: Layers,
    ray: Ints,
    rows: NDArray[np.int64],
    claimed: NDArray[np.bool_],
    surface: Surface,
    label: Ints,
    flipped: NDArray[np.bool_] | None,
    progress: Progress,
) -> tuple[Ints, Floats]:
    """Project the crossings at `rows`; fill `claimed` there, return nearest triangle and place.

    flipped : None for outward crossings. Inward ones are projected as if they were flipped. Those
    not known to be `flipped` get -1 where a place that faces as they do is nearer, or where the
    other skin of the low poly lies right below: what the ray met is that one's back.
    """
    nearest = np.empty(len(rows), np.int32)
    place = np.empty((len(rows), 3))
    for a in range(0, len(rows), BLOCK):
        block = rows[a : a + BLOCK]
        here = slice(a, a + len(block))
        of_ray, face, t = ray[block], layers.face[block], layers.t[block]
        crossing, facing = np.empty((len(block), 3)), np.empty((len(block), 3))
        _cross(surface, rays, of_ray, face, t, crossing, facing)
        triangle, part = points.triangle[of_ray], label[face]
        nearest[here], place[here], height = nearest_on.find(crossing, part, facing, triangle)
        if flipped is not None:
            _, other, as_it_faces = nearest_on.find(crossing, part, -facing)
            seen_through = height >= as_it_faces * (1 - SAME_PLACE)
            seen_through |= _straight_below(
                other - rays.origin[of_ray], rays.direction[of_ray], layers.depth[of_ray]
            )
            nearest[here][seen_through & ~flipped[here]] = -1
        claimed[block] = (height < CLAIMED_BELOW * np.abs(t)) & (nearest[here] != triangle)
        progress("matching surfaces", a + len(block), len(rows))
    return nearest, place


def _straight_below(away: Floats, direction: Floats, depth: Floats) -> NDArray[np.bool_]:
    """Tell whether places (M, 3, from the rays' origins) lie on the rays, as deep as these look.

    Where another skin of the low poly does, the ray must meet one more back, or it met that skin's.
    """
    below = -np.einsum("ij,ij->i", away, direction)
    aside = np.linalg.norm(away + below[:, None] * direction, axis=1)
    return np.asarray((below > 0) & (below < depth) & (aside < ASIDE * below))


def _cross(
    surface: Surface, rays: Rays, ray: Ints, face: Ints, t: Floats, place: Floats, facing: Floats
) -> None:
    """Fill in where crossings are and where they face, see `_crossings`, on all cores."""

    def work(begin: int, end: int) -> None:
        here = slice(begin, end)
        _crossings(
            surface.positions, surface.triangles, rays.origin, rays.direction, ray[here],
            face[here], t[here], place[here], facing[here],
        )  # fmt: skip

    in_blocks(len(ray), work)


@njit(cache=True, nogil=True)
def _crossings(
    positions: NDArray[Any],
    triangles: NDArray[Any],
    origin: Floats,
    direction: Floats,
    ray: Ints,
    face: Ints,
    t: Floats,
    place: Floats,
    facing: Floats,
) -> None:
    """Write where crossings are, and where they face: halfway between their normals and their rays.

    A ray crosses steep detail on the skin that it was shot for, so where detail leans by nearly 90
    degrees the ray tells the two skins of a shell apart better than the detail does.
    """
    for m in range(len(ray)):
        along = row(direction, ray[m])
        normal = unit_normal(positions, triangles, face[m])
        length = np.sqrt(dot(normal, normal))
        side = -1.0 if dot(normal, along) < 0.0 else 1.0
        for k in range(3):
            place[m, k] = origin[ray[m], k] + t[m] * along[k]
            unit = normal[k] / length if length > 0.0 else 0.0
            facing[m, k] = unit * side + along[k]


def _targets_of(
    layers: Layers,
    belongs: NDArray[np.bool_],
    claimed: NDArray[np.bool_],
    outward: NDArray[np.bool_],
    doubtful: NDArray[np.bool_],
) -> Targets:
    n = len(layers)
    layer = np.full(n, NO_LAYER, np.int64)
    _choose(layers.first, layers.t, belongs, claimed, outward, layer)
    found = layer != NO_LAYER
    safe = np.where(found, layer, 0)
    if len(layers.t) == 0:
        nothing = np.full(n, np.nan)
        return Targets(layer, nothing, found, np.full(n, np.inf), layer.copy(), belongs, doubtful)
    following = layer + 1
    has_next = found & (following < layers.first[1:])
    return Targets(
        layer=layer,
        t=np.where(found, layers.t[safe], np.nan),
        front=found & layers.front[safe],
        t_next=np.where(has_next, layers.t[np.where(has_next, following, 0)], np.inf),
        next_layer=np.where(has_next, following, NO_LAYER),
        belongs=belongs,
        doubtful=doubtful,
    )


@njit(cache=True, nogil=True)
def _choose(
    first: NDArray[np.int64],
    t: Floats,
    belongs: NDArray[np.bool_],
    claimed: NDArray[np.bool_],
    front: NDArray[np.bool_],
    out: NDArray[np.int64],
) -> None:
    for i in range(len(first) - 1):
        best, best_rank = NO_LAYER, 4
        for k in range(first[i + 1] - 1, first[i] - 1, -1):
            if not belongs[k]:
                continue
            rank = (0 if front[k] else 2) + (1 if claimed[k] else 0)
            nearer = rank == best_rank and claimed[k] and abs(t[k]) < abs(t[best])
            if rank < best_rank or nearer:
                best, best_rank = k, rank
        out[i] = best


def _ask_neighbours(
    points: SurfacePoints,
    rays: Rays,
    layers: Layers,
    met: _Met,
    outward: NDArray[np.bool_],
    targets: Targets,
    low_part: Ints,
) -> Targets:
    """Settle rays with a crossing whose detour lies in the doubtful band, and those without target.

    Such a ray takes the front-facing candidate whose distance is nearest to the median target
    distance of the undoubted samples around it (same part). Without an outward target, crossings
    that no other place claims are candidates too, if they lie no steeper to those samples than
    surface is.
    """
    own, ratio, claimed = met.own, met.ratio, met.claimed
    aimed = targets.found & outward[targets.layer] if len(outward) else targets.found
    open_still = own & ~(ratio <= DOUBT_TO) & ~aimed[layers.ray]
    unsure = (ratio > DOUBT_FROM) & (ratio <= DOUBT_TO)
    unsure = (unsure | open_still) & outward & ~claimed
    doubtful = np.zeros(len(layers), bool)
    doubtful[layers.ray[unsure]] = True
    sure = np.flatnonzero(~doubtful & aimed)
    ask = np.flatnonzero(doubtful)
    if len(ask) == 0 or len(sure) == 0:
        return targets
    from scipy.spatial import cKDTree  # rays that are sure do not wait for it to load

    belongs = targets.belongs.copy()
    count = int(low_part.max()) + 1
    knowns, askeds = (rows_by_label(low_part[rows], count) for rows in (sure, ask))
    for known, asked in zip(knowns, askeds, strict=True):
        if len(known) == 0 or len(asked) == 0:
            continue
        known, asked = sure[known], ask[asked]
        tree = cKDTree(rays.origin[known])
        distance, index = tree.query(rays.origin[asked], k=min(NEIGHBOURS, len(known)))
        index = index.reshape(len(asked), -1)
        expected = np.median(targets.t[known][index], axis=1)
        close = distance.reshape(len(asked), -1)[:, 0] < NEIGHBOURS * points.spacing[asked]
        room = STEEPEST * distance.reshape(len(asked), -1)[:, 0]
        _settle(
            layers.first, layers.t, ratio, outward, open_still & unsure, asked[close],
            expected[close], room[close], belongs,
        )  # fmt: skip
    settled = _targets_of(layers, belongs, claimed, outward, doubtful)
    doubtful &= settled.found
    return settled


@njit(cache=True, nogil=True)
def _settle(
    first: NDArray[np.int64],
    t: Floats,
    ratio: Floats,
    front: NDArray[np.bool_],
    open_still: NDArray[np.bool_],
    asked: NDArray[np.int64],
    expected: Floats,
    room: Floats,
    belongs: NDArray[np.bool_],
) -> None:
    for m in range(len(asked)):
        i = asked[m]
        best = -1
        for k in range(first[i], first[i + 1]):
            away = abs(t[k] - expected[m])
            candidate = front[k] and (ratio[k] <= DOUBT_TO or (open_still[k] and away <= room[m]))
            if candidate and (best < 0 or away <= abs(t[best] - expected[m])):
                best = k
        if best >= 0:
            for k in range(first[i], first[i + 1]):
                belongs[k] = k == best or (belongs[k] and t[k] < t[best])
