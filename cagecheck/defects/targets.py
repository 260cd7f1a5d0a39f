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
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.near_points import nearest_of, tree_over
from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.belonging import (
    DOUBT_TO,
    Mask,
    Met,
    Shot,
    all_that_may_belong,
    shot_of,
    those_of_pieces,
)
from cagecheck.defects.nearest import NearestPaired
from cagecheck.defects.related import Pieces, related_pieces
from cagecheck.defects.surface_distance import SurfaceGraph, surface_graph
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.rays.scene import Scene
from cagecheck.rays.winding import orientation

# From this ratio on geometry alone does not decide, and neighbouring samples are asked.
DOUBT_FROM = 1.5
NEIGHBOURS = 8
# Triangles of a part that are asked whether low and high poly face against each other there.
FACING_TRIANGLES = 256
# Beyond this slope (75 degrees) between a sample and those around it, what they found says nothing
# about it.
STEEPEST = float(np.tan(np.radians(75.0)))
# Crossings worked on at once: bounds the memory.
BLOCK = 1 << 20


@dataclass(frozen=True, eq=False)
class Targets:
    """The target and the corridor of every ray.

    Attributes
    ----------
    layers : the layer table that all of it is about.
    layer : (N,) int64 index into the table, `NO_LAYER` where nothing belongs.
    belongs : (L,) bool for every crossing of the table that had to be asked: where an outward
        one belongs, inward ones and those nearer to another place are not.
    doubtful : (N,) bool, decided by neighbouring samples.
    """

    layers: Layers
    layer: NDArray[np.int64]
    belongs: NDArray[np.bool_]
    doubtful: NDArray[np.bool_]

    @property
    def found(self) -> NDArray[np.bool_]:
        """(N,) bool, the ray has a target."""
        return self.layer != NO_LAYER

    @cached_property
    def t(self) -> Floats:
        """(N,) float64, distance of the target, NaN where there is none."""
        return self.distances(np.arange(len(self.layer)))

    @cached_property
    def front(self) -> NDArray[np.bool_]:
        """(N,) bool, the target faces outward."""
        out = self.found
        out[out] = self.layers.front[self.layer[out]]
        return out

    @cached_property
    def t_next(self) -> Floats:
        """(N,) float64, distance of the next crossing outside the target, see `next_distances`."""
        return self.next_distances(np.arange(len(self.layer)))

    @cached_property
    def next_layer(self) -> NDArray[np.int64]:
        """(N,) int64 its index, or `NO_LAYER`."""
        return self.next_layers(np.arange(len(self.layer)))

    def distances(self, rows: NDArray[np.int64]) -> Floats:
        """Return (n,) the distances of some rays' targets, NaN where there is none."""
        return _at_crossings(self.layers.t, self.layer[rows], np.nan)

    def next_distances(self, rows: NDArray[np.int64]) -> Floats:
        """Return (n,) the next crossings outside some rays' targets: what starts beyond record.

        Infinity where there is none within reach.
        """
        return _at_crossings(self.layers.t, self.next_layers(rows), np.inf)

    def next_layers(self, rows: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return (n,) the indices of the next crossings outside some rays' targets."""
        layer = self.layer[rows]
        last = layer + 1 >= self.layers.first[1:][rows]
        return np.where((layer == NO_LAYER) | last, NO_LAYER, layer + 1)


def _at_crossings(values: Floats, layer: NDArray[np.int64], without: float) -> Floats:
    out, met = np.full(len(layer), without), layer != NO_LAYER
    out[met] = values[layer[met]]
    return out


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
    ground = ground or ground_of(low, paired, scene)
    shot = shot_of(low, points, rays, layers, scene.surface, paired, ground.turned)
    pieces = ground.pieces
    if pieces is None or ground.near_pieces is None:
        high_part = scene.surface.triangle_part
        met = all_that_may_belong(shot, high_part, ground.nearest, ground.graph, deep, progress)
    else:
        met = those_of_pieces(
            shot, pieces.low, pieces.high, pieces.related, ground.near_pieces, ground.nearest,
            ground.graph, deep, progress,
        )  # fmt: skip
    targets = _targets_of(shot, met)
    _ask_neighbours(low, shot, met, targets)
    return targets


def _targets_of(shot: Shot, met: Met) -> Targets:
    n = len(shot.layers)
    out = Targets(shot.layers, np.empty(n, np.int64), met.belongs, np.zeros(n, bool))

    def choose(begin: int, end: int) -> None:
        _choose(np.arange(begin, end), *_of_choice(shot, met, out))

    in_blocks(n, choose)
    return out


def _of_choice(shot: Shot, met: Met, out: Targets) -> tuple[Any, ...]:
    layers = shot.layers
    return layers.first, layers.t, met.belongs, met.claimed, shot.outward, out.layer


@njit(cache=True, nogil=True, makes_arrays=False)
def _choose(
    asked: NDArray[np.int64],
    first: NDArray[np.int64],
    t: Floats,
    belongs: Mask,
    claimed: Mask,
    outward: Mask,
    layer: NDArray[np.int64],
) -> None:
    """Write the targets of the rays `asked`."""
    for i in asked:
        best, best_rank = NO_LAYER, 4
        for k in range(first[i + 1] - 1, first[i] - 1, -1):
            if not belongs[k]:
                continue
            rank = (0 if outward[k] else 2) + (1 if claimed[k] else 0)
            nearer = rank == best_rank and claimed[k] and abs(t[k]) < abs(t[best])
            if rank < best_rank or nearer:
                best, best_rank = k, rank
        layer[i] = best


def _ask_neighbours(low: LowPoly, shot: Shot, met: Met, targets: Targets) -> None:
    """Settle rays with a crossing whose detour lies in the doubtful band, and those without target.

    Such a ray takes the front-facing candidate whose distance is nearest to the median target
    distance of the undoubted samples around it (same part). Without an outward target, crossings
    that no other place claims are candidates too, if they lie no steeper to those samples than
    surface is.
    """
    points, rays, layers = shot.points, shot.rays, shot.layers
    aimed, doubtful = np.empty(len(layers), bool), np.empty(len(layers), bool)
    _doubt(
        layers.first, met.asked, met.ratio, met.claimed, shot.outward, targets.layer, aimed,
        doubtful,
    )  # fmt: skip
    ask = np.flatnonzero(doubtful)
    if len(ask) == 0:
        return
    count = len(low.part_names)
    wanted = np.zeros(count, bool)
    wanted[low.triangle_part[points.triangle[ask]]] = True
    sure = np.empty(len(layers), np.int64)
    known_count = _take_sure(aimed, doubtful, points.triangle, low.triangle_part, wanted, sure)
    sure = sure[:known_count]
    askeds, knowns = (
        rows_by_label(low.triangle_part[points.triangle[rows]], count) for rows in (ask, sure)
    )
    for asked, known in zip(askeds, knowns, strict=True):
        if len(asked) == 0 or len(known) == 0:
            continue
        asked, known = ask[asked], sure[known]
        distance, index = nearest_of(tree_over(rays.origin[known]), rays.origin[asked], NEIGHBOURS)
        expected = np.median(targets.distances(known)[index], axis=1)
        close = distance[:, 0] < NEIGHBOURS * points.spacing[asked]
        _settle(
            layers.first, layers.t, met.ratio, met.asked, met.claimed, shot.outward, aimed,
            asked[close], expected[close], STEEPEST * distance[close, 0], met.belongs,
        )  # fmt: skip
    _choose(ask, *_of_choice(shot, met, targets))
    targets.doubtful[ask] = targets.layer[ask] != NO_LAYER


@njit(cache=True, nogil=True, makes_arrays=False)
def _take_sure(
    aimed: Mask,
    doubtful: Mask,
    triangle: Ints,
    triangle_part: Ints,
    wanted: Mask,
    out: NDArray[np.int64],
) -> int:
    """Write the rays with a target beyond doubt on the wanted parts; return how many these are."""
    count = 0
    for i in range(len(aimed)):
        if aimed[i] and not doubtful[i] and wanted[triangle_part[triangle[i]]]:
            out[count] = i
            count += 1
    return count


@njit(cache=True, nogil=True, makes_arrays=False)
def _doubt(
    first: NDArray[np.int64],
    asked: Mask,
    ratio: Floats,
    claimed: Mask,
    outward: Mask,
    layer: NDArray[np.int64],
    aimed: Mask,
    doubtful: Mask,
) -> None:
    """Mark rays with an outward target, and those with a crossing that neighbours decide on."""
    for i in range(len(first) - 1):
        aimed[i] = layer[i] != NO_LAYER and outward[layer[i]]
        doubtful[i] = False
        for k in range(first[i], first[i + 1]):
            if outward[k] and not claimed[k]:
                between = DOUBT_FROM < ratio[k] <= DOUBT_TO
                doubtful[i] |= between or (asked[k] and ratio[k] > DOUBT_TO and not aimed[i])


@njit(cache=True, nogil=True, makes_arrays=False)
def _settle(
    first: NDArray[np.int64],
    t: Floats,
    ratio: Floats,
    may: Mask,
    claimed: Mask,
    outward: Mask,
    aimed: Mask,
    asked: NDArray[np.int64],
    expected: Floats,
    room: Floats,
    belongs: Mask,
) -> None:
    """Have one crossing of each of the rays `asked` belong; may : (L,) bool, it may do so."""
    for m in range(len(asked)):
        i = asked[m]
        best = -1
        for k in range(first[i], first[i + 1]):
            if not outward[k]:
                continue
            away = abs(t[k] - expected[m])
            open_still = may[k] and not aimed[i] and not claimed[k]
            candidate = ratio[k] <= DOUBT_TO or (open_still and away <= room[m])
            if candidate and (best < 0 or away <= abs(t[best] - expected[m])):
                best = k
        if best >= 0:
            for k in range(first[i], first[i + 1]):
                belongs[k] = k == best or (belongs[k] and t[k] < t[best])
