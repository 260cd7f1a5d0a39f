"""Texel by texel: which layer of the high poly explains a baked map?

The map's normals are taken to world space and held against every layer along the texel's ray. The
layer that belongs to the texel (see `cagecheck.defects.targets`) is what the bake should have
recorded; where the map disagrees with it, another layer may explain what it shows instead, or the
fill colour of a miss. What no layer explains is left to the picture-based tests.

The tolerance of a texel grows with how much the expected normal changes towards its neighbours, so
that filters and sub-texel shifts are no defects.

Most texels of most maps show the surface that belongs to them, and near layers alone tell that.
Only the others, and a sample for the offset's votes, are cast through the whole of the high poly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import IntFlag
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.kinds import Trouble
from cagecheck.locating.goals import Goals, block_goals, some_rays
from cagecheck.loops import njit
from cagecheck.maps.encode import TangentBasis
from cagecheck.maps.texels import BlockChoice, Choice, TexelPoints, texel_blocks, texel_points
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.predicting.maps.bake import Baker, on_all_cores
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import Layers
from cagecheck.rays.points import SurfacePoints, join_points


class Fault(Trouble):
    """What a texel of a baked map shows; files carry the numbers, so none ever changes."""

    OTHER_PART = 0
    OTHER_FOLD = 1
    TOO_DEEP = 2
    MISSED = 3
    SKEW = 4
    SEAM = 5
    PADDING = 6
    NOISE = 7
    UNEXPLAINED = 8
    BACK_FACING = 9
    ISLAND_MOVED = 10
    HIGH_MOVED = 11
    CLEAN = 255

    @property
    def title(self) -> str:
        """The fault's name for people and files."""
        return TITLES[self]

    @property
    def sight(self) -> str:
        """What one sees of it."""
        return SIGHTS[self]


class Evidence(IntFlag):
    """What else is known of a faulty texel.

    TURNED : its island is turned by one rotation. PAINTED : one colour covers the place. SEEN :
    another map of the bake names the layer. RIGHT : another map of the bake shows that the right
    surface was recorded. GROWN : it is wrong for what lies beside it.
    """

    TURNED = 1
    PAINTED = 2
    SEEN = 4
    RIGHT = 8
    GROWN = 16


TITLES: dict[Fault, str] = {
    Fault.OTHER_PART: "recorded another part",
    Fault.OTHER_FOLD: "recorded another fold",
    Fault.TOO_DEEP: "recorded too deep",
    Fault.MISSED: "missed",
    Fault.BACK_FACING: "back-facing",
    Fault.ISLAND_MOVED: "island moved",
    Fault.HIGH_MOVED: "high poly moved",
    Fault.SKEW: "skew",
    Fault.SEAM: "seam mismatch",
    Fault.PADDING: "padding too thin",
    Fault.NOISE: "noise",
    Fault.UNEXPLAINED: "unexplained",
}
# What one sees of each, in words that stand after "one will see".
SIGHTS: dict[Fault, str] = {
    Fault.OTHER_PART: "another part printed over the surface",
    Fault.OTHER_FOLD: "a neighbouring fold printed over the surface",
    Fault.TOO_DEEP: "what lies behind the surface",
    Fault.MISSED: "blank patches",
    Fault.BACK_FACING: "patches lit from the wrong side",
    Fault.ISLAND_MOVED: "whole islands out of place",
    Fault.HIGH_MOVED: "the sculpt beside where it lies",
    Fault.SKEW: "detail that slid sideways",
    Fault.SEAM: "seams between islands",
    Fault.PADDING: "lines along seams from afar",
    Fault.NOISE: "grain",
    Fault.UNEXPLAINED: "shading that is not the sculpt's",
}
# The same numbers for compiled loops.
_CLEAN, _MISSED, _UNEXPLAINED = int(Fault.CLEAN), int(Fault.MISSED), int(Fault.UNEXPLAINED)
_OTHER_PART, _OTHER_FOLD = int(Fault.OTHER_PART), int(Fault.OTHER_FOLD)
_TOO_DEEP = int(Fault.TOO_DEEP)
_BACK_FACING = int(Fault.BACK_FACING)
# Half a degree of 8-bit rounding at either end of a comparison, and room for filtering.
TOLERANCE_DEGREES = 1.5
# A neighbour's normal may bleed in by this share before it counts (a box of two texels: a half).
BLEED = 0.75
WIDEST_TOLERANCE_DEGREES = 20.0
# Another layer explains a texel when it fits this much better than the expected one.
BETTER = 0.5
VOTE_BINS = 4000
# About so many texels of a tile vote on the offset: all of a 512 map. More would not move it.
MOST_VOTERS = 250_000


@dataclass(frozen=True, eq=False)
class TileView:
    """One tile of a map beside what it should show; pictures with row 0 on top.

    Attributes
    ----------
    tile, size : UDIM number and texels along the edge.
    shown : (H, W, 3) float32 world normals of the map, zero off the low poly.
    expected : (H, W, 3) float32 world normals of the layers that belong, zero where there is none.
    triangle : (H, W) int32 low triangle, -1 off the low poly.
    fault : (H, W) uint8 `Fault`.
    angle : (H, W) float32, degrees between shown and expected, NaN where nothing is expected.
    gap : (H, W) float32, height of the explaining layer above the expected one, world units, or
        how far the high poly moved since the bake; NaN where neither explains the texel.
    other : (H, W) int32 high part of the explaining layer, -1 where there is none.
    target : (H, W) float32 height of the expected layer above the low poly, NaN where none.
    start : (H, W) float32 distance of the cage, world units, 0 off the low poly.
    votes : what the texels say about the cage's distance.
    """

    tile: int
    size: int
    shown: NDArray[np.float32]
    expected: NDArray[np.float32]
    triangle: Ints
    fault: NDArray[np.uint8]
    angle: NDArray[np.float32]
    gap: NDArray[np.float32]
    other: Ints
    target: NDArray[np.float32]
    start: NDArray[np.float32]
    votes: OffsetVotes


@dataclass(frozen=True, eq=False)
class OffsetVotes:
    """Which shares of the cage's distance texels speak for.

    balance : (VOTE_BINS + 2,) float64, running sum = texels that agree with that share of
        `largest`; voters : texels that could tell.
    """

    largest: float
    balance: Floats
    voters: int


Vectors = Callable[[NDArray[np.float32]], NDArray[np.float32]]


@dataclass(frozen=True)
class CompareRule:
    """Settings of a comparison.

    depth, reach : world units searched for layers below and above the low poly; target_depth,
    target_reach : how far below and above the surface that belongs to a texel may lie (above also
    at most `TARGET_SHARE` times as far as the cage). largest_share : of the cage's own distance
    that texels vote on. base_degrees : tolerance on flat ground. fills : (K, 3) values from 0 to 1
    that stand for "nothing recorded"; fill_step : how near a value must be. enlarged : how many
    times the map was enlarged, which makes neighbours bleed in as much farther. faceted : the
    low poly's frames jump from triangle to triangle.
    """

    depth: float
    reach: float
    target_depth: float
    target_reach: float
    largest_share: float
    base_degrees: float
    fills: tuple[tuple[float, float, float], ...]
    fill_step: float = 1.0 / 255
    enlarged: int = 1
    faceted: bool = False


def compare_tile(
    baker: Baker,
    vectors: Vectors,
    values: NDArray[np.float32],
    basis: TangentBasis | None,
    tile: int,
    rule: CompareRule,
    *,
    progress: Progress = silent,
) -> TileView:
    """Compare one tile's map with the layers along its rays.

    Parameters
    ----------
    vectors : turns (N, 3) values into normals by our conventions; values : (H, W, 3) the map's
        values from 0 to 1, turned upright but otherwise as stored.
    basis : frames of the map, or None for an object-space map.
    """
    size = values.shape[0]
    view = _empty_view(tile, size, rule, baker.scene.threads)
    every = max(covered_texels(baker.low, tile, size) // MOST_VOTERS, 1)

    def work(block: TexelPoints) -> tuple[Floats, int]:
        return _compare_block(baker, vectors, values, basis, block, rule, every, view)

    total, done, voters = covered_texels(baker.low, tile, size), 0, 0
    blocks = texel_blocks(baker.low, size, tile)
    for block, (balance, count) in on_all_cores(work, blocks, baker.scene.threads):
        view.votes.balance[:] += balance
        voters += count
        done += len(block)
        progress(f"comparing tile {tile}", min(done, total), total)
    progress(f"comparing tile {tile}", total, total)
    votes = OffsetVotes(rule.largest_share, view.votes.balance, voters)
    return TileView(**{**view.__dict__, "votes": votes})


def covered_texels(low: LowPoly, tile: int, size: int) -> int:
    """Return about how many texels of a tile lie on the low poly (at least 1)."""
    share = float(np.abs(low.uv_area[low.tile == tile]).sum())
    return max(int(share * size * size), 1)


def one_in(every: int, x: Ints, y: Ints) -> NDArray[np.bool_]:
    """Pick one in so many texels by their places, so that blocks and variants change nothing."""
    place = x.astype(np.int64) * 7919 + y.astype(np.int64) * 104_729
    picked: NDArray[np.bool_] = place % every == 0
    return picked


def _empty_view(tile: int, size: int, rule: CompareRule, threads: int = 1) -> TileView:
    shape = (size, size)
    kinds: dict[str, tuple[type, float]] = {
        "triangle": (np.int32, -1), "fault": (np.uint8, Fault.CLEAN), "angle": (np.float32, np.nan),
        "gap": (np.float32, np.nan), "other": (np.int32, -1), "target": (np.float32, np.nan),
    }  # fmt: skip
    filled: dict[str, Any] = {name: np.empty(shape, kind) for name, (kind, _) in kinds.items()}

    def work(name: str) -> None:
        filled[name].fill(kinds[name][1])

    for _ in on_all_cores(work, kinds, threads):
        pass
    return TileView(
        tile=tile,
        size=size,
        shown=np.zeros((*shape, 3), np.float32),
        expected=np.zeros((*shape, 3), np.float32),
        start=np.zeros(shape, np.float32),
        votes=OffsetVotes(rule.largest_share, np.zeros(VOTE_BINS + 2), 0),
        **filled,
    )


def _compare_block(
    baker: Baker,
    vectors: Vectors,
    values: NDArray[np.float32],
    basis: TangentBasis | None,
    block: TexelPoints,
    rule: CompareRule,
    every: int,
    view: TileView,
) -> tuple[Floats, int]:
    """Fill the block's texels of `view`; return the votes of one in `every` texels."""
    points, x, y = block.points, block.x, block.y
    rays = baker.matcher.rays(baker.cage, points)
    goal = block_goals(baker, block, rays, rule.target_depth, rule.target_reach)
    # One number a texel finds its place in a third of the time that two take.
    at = y.astype(np.int64) * view.size + x
    mine = values.reshape(-1, values.shape[2]).take(at, axis=0)
    stored = vectors(mine).astype(np.float64)
    shown = stored if basis is None else basis.decode(points.triangle, points.barycentric, stored)
    expected = baker.shading.along(goal.face, rays.origin, rays.direction, goal.t)
    angle = np.where(goal.face >= 0, _angles(shown, expected), np.nan)
    votes = one_in(every, x, y)
    with np.errstate(invalid="ignore"):
        # What lies within the tolerance of flat ground needs none of its own.
        open_to_doubt = votes | ~(angle <= rule.base_degrees)
    tolerance = _tolerances(expected, x, y, open_to_doubt, rule)
    if basis is not None and (rule.faceted or basis.rule.tangents != "mikktspace"):
        # Frames that jump from triangle to triangle are filtered over just as the surface is.
        stored_goal = basis.encode(points.triangle, points.barycentric, expected)
        more = _tolerances(stored_goal, x, y, open_to_doubt, rule)
        tolerance = np.maximum(tolerance, more)
    with np.errstate(invalid="ignore"):
        clean = angle <= tolerance
    fault = np.where(clean, Fault.CLEAN, Fault.UNEXPLAINED).astype(np.uint8)
    rows = np.flatnonzero(votes | ~clean)
    fill = is_fill(mine[rows], rule.fills, rule.fill_step)
    part = np.zeros(len(rows), np.uint8), np.empty(len(rows)), np.empty(len(rows), np.int32)
    balance = np.zeros(VOTE_BINS + 2)
    voters = _ask_all_layers(
        baker, points.take(rows), some_rays(rays, rows), goal.take(rows), expected[rows],
        rule, shown[rows], fill, tolerance[rows], votes[rows], *part, balance,
    )  # fmt: skip
    fault[rows] = part[0]
    # The surface itself is turned over here, and the map shows just that.
    turned = np.flatnonzero(clean & ~goal.front)
    inward = np.einsum("ij,ij->i", expected[turned], rays.direction[turned]) < 0
    fault[turned[inward]], angle[turned[inward]] = Fault.BACK_FACING, 180.0
    _put(
        at, shown, expected, points.triangle, fault, angle, goal.t, rays.start,
        view.shown.reshape(-1, 3), view.expected.reshape(-1, 3), view.triangle.reshape(-1),
        view.fault.reshape(-1), view.angle.reshape(-1), view.target.reshape(-1),
        view.start.reshape(-1),
    )  # fmt: skip
    view.gap.reshape(-1)[at[rows]], view.other.reshape(-1)[at[rows]] = part[1:]
    return balance, voters


@njit(cache=True, nogil=True)
def _put(
    at: NDArray[np.int64],
    shown: Floats,
    expected: Floats,
    triangle: Ints,
    fault: NDArray[np.uint8],
    angle: Floats,
    target: Floats,
    start: Floats,
    all_shown: NDArray[np.float32],
    all_expected: NDArray[np.float32],
    all_triangle: Ints,
    all_fault: NDArray[np.uint8],
    all_angle: NDArray[np.float32],
    all_target: NDArray[np.float32],
    all_start: NDArray[np.float32],
) -> None:
    """Write what is known of some texels into flat pictures."""
    for i in range(len(at)):
        k = at[i]
        for c in range(3):
            all_shown[k, c] = shown[i, c]
            all_expected[k, c] = expected[i, c]
        all_triangle[k], all_fault[k] = triangle[i], fault[i]
        all_angle[k], all_target[k], all_start[k] = angle[i], target[i], start[i]


def _ask_all_layers(
    baker: Baker,
    points: SurfacePoints,
    rays: Rays,
    goal: Goals,
    expected: Floats,
    rule: CompareRule,
    shown: Floats,
    fill: NDArray[np.bool_],
    tolerance: Floats,
    votes: NDArray[np.bool_],
    fault: NDArray[np.uint8],
    gap: Floats,
    other: Ints,
    balance: Floats,
) -> int:
    """Judge texels by every layer along their rays; return the number of voters.

    votes : (N,) bool, who may vote: an even sample, so that faulty texels, which are all here, do
    not outvote the others.
    """
    if len(points) == 0:
        return 0
    reach = np.maximum(rays.start * rule.largest_share, rule.reach)
    # Maps that should have been baked part by part may have been baked together all the same.
    layers = replace(baker.matcher, apart=False).layers(points, rays, rule.depth, reach)
    return int(
        _explain(
            layers.first, layers.t, layers.face, baker.scene.surface.triangle_part,
            layer_normals(baker, rays, layers), goal.face, goal.t, expected,
            baker.matcher.paired, baker.matcher.apart,
            baker.low.triangle_part[points.triangle], rays.start, rule.largest_share,
            shown, fill, tolerance, votes, fault, gap, other, balance,
        )
    )  # fmt: skip


def layer_normals(baker: Baker, rays: Rays, layers: Layers) -> Floats:
    """Return the (L, 3) unit normals of all crossings of a layer table."""
    ray = layers.ray
    place = rays.origin[ray] + layers.t[:, None] * rays.direction[ray]
    return baker.shading.at(layers.face, place)


def is_fill(
    values: NDArray[np.float32], fills: tuple[tuple[float, float, float], ...], step: float
) -> NDArray[np.bool_]:
    """Tell which (N, 3) map values are one of the fill colours, to within `step`."""
    out = np.zeros(len(values), bool)
    for fill in fills:
        out |= (np.abs(values - np.array(fill, np.float32)) <= step).all(axis=1)
    return out


def _tolerances(
    expected: Floats, x: Ints, y: Ints, wanted: NDArray[np.bool_], rule: CompareRule
) -> Floats:
    """Return (N,) degrees: the base, and where wanted a share of the steepest change beside it."""
    left, top = int(x.min()), int(y.min())
    shape = (int(y.max()) - top + 1, int(x.max()) - left + 1)
    index = np.full(shape, -1, np.int64)
    index[y - top, x - left] = np.arange(len(x))
    out = np.empty(len(x))
    _steepest(expected, index, wanted, out)
    return np.minimum(rule.base_degrees + BLEED * rule.enlarged * out, WIDEST_TOLERANCE_DEGREES)


@njit(cache=True, nogil=True)
def _between(a: Floats, b: Floats) -> float:
    """Angle in degrees between two unit vectors; 180 where one of them is zero."""
    minus = plus = 0.0
    for k in range(3):
        minus += (a[k] - b[k]) ** 2
        plus += (a[k] + b[k]) ** 2
    if a[0] == a[1] == a[2] == 0.0 or b[0] == b[1] == b[2] == 0.0:
        return 180.0
    return float(np.degrees(2.0 * np.arctan2(np.sqrt(minus), np.sqrt(plus))))


@njit(cache=True, nogil=True)
def _angles(a: Floats, b: Floats) -> Floats:
    """Return (N,) angles in degrees between rows."""
    out = np.empty(len(a))
    for i in range(len(a)):
        out[i] = _between(a[i], b[i])
    return out


@njit(cache=True, nogil=True)
def _steepest(
    expected: Floats, index: NDArray[np.int64], wanted: NDArray[np.bool_], out: Floats
) -> None:
    rows, columns = index.shape
    for r in range(rows):
        for c in range(columns):
            i = index[r, c]
            if i < 0:
                continue
            worst = 0.0
            if not wanted[i]:
                out[i] = worst
                continue
            for dr, dc in ((0, 1), (1, 0), (0, -1), (-1, 0)):
                if 0 <= r + dr < rows and 0 <= c + dc < columns:
                    j = index[r + dr, c + dc]
                    if j >= 0:
                        step = _between(expected[i], expected[j])
                        # Where one of them expects nothing there is no change to speak of.
                        if step < 180.0:
                            worst = max(worst, step)
            out[i] = worst


@njit(cache=True, nogil=True)
def _explain(
    first: NDArray[np.int64],
    t: Floats,
    face: Ints,
    face_part: Ints,
    normals: Floats,
    goal_face: Ints,
    goal_t: Floats,
    goal_normal: Floats,
    paired: NDArray[np.bool_],
    apart: bool,
    low_part: Ints,
    start: Floats,
    largest_share: float,
    shown: Floats,
    fill: NDArray[np.bool_],
    tolerance: Floats,
    votes: NDArray[np.bool_],
    fault: NDArray[np.uint8],
    gap: Floats,
    other: Ints,
    balance: Floats,
) -> int:
    """Judge every texel and let it vote for the cage distance; return the number of voters."""
    voters = 0
    for i in range(len(first) - 1):
        gap[i], other[i] = np.nan, -1
        goal = goal_face[i]
        expected = _between(shown[i], goal_normal[i]) if goal >= 0 else np.nan
        # The goal in this table: the crossing of its face (a ray crosses a triangle once).
        mine = -1
        if goal >= 0:
            for k in range(first[i], first[i + 1]):
                if face[k] == goal:
                    mine = k
        if votes[i]:
            voters += _vote(
                first[i], first[i + 1], t, normals, start[i], largest_share, shown[i], fill[i],
                tolerance[i], apart, paired[low_part[i]], face_part, face, balance,
            )  # fmt: skip
        if goal >= 0 and expected <= tolerance[i]:
            fault[i] = _CLEAN
            continue
        if fill[i]:
            fault[i] = _MISSED
            continue
        if goal >= 0 and expected >= 180.0 - tolerance[i]:
            fault[i] = _BACK_FACING
            continue
        best, found = 180.0, -1
        for k in range(first[i], first[i + 1]):
            if k != mine:
                a = _between(shown[i], normals[k])
                if a < best:
                    best, found = a, k
        if found < 0 or best > tolerance[i] or (goal >= 0 and best > BETTER * expected):
            # Where nothing belongs and no layer fits, the texel was filled from elsewhere.
            fault[i] = _UNEXPLAINED if goal >= 0 else _MISSED
            continue
        part = face_part[face[found]]
        other[i] = part
        wanted = goal_t[i] if goal >= 0 else np.nan
        fault[i], gap[i] = fault_of_layer(t[found], wanted, paired[low_part[i], part])
    return voters


@njit(cache=True, nogil=True)
def fault_of_layer(t: float, wanted: float, paired: bool) -> tuple[int, float]:
    """Return the fault of a texel that recorded a wrong layer at t, and how far out that lies.

    wanted : where the surface that belongs lies, NaN where there is none: then heights count from
    the low poly. paired : the layer is on a part that may be recorded.
    """
    if t < wanted:
        return _TOO_DEEP, t - wanted
    above = t if np.isnan(wanted) else t - wanted
    if not paired:
        return _OTHER_PART, above
    return (_OTHER_FOLD if above > 0 else _TOO_DEEP), above


@njit(cache=True, nogil=True)
def _vote(
    begin: int,
    end: int,
    t: Floats,
    normals: Floats,
    start: float,
    largest: float,
    shown: Floats,
    fill: bool,
    tolerance: float,
    apart: bool,
    own: NDArray[np.bool_],
    face_part: Ints,
    face: Ints,
    balance: Floats,
) -> int:
    """Add the shares of the cage distance at which this texel would show what it shows.

    A share s records the outermost layer with t <= s * start. Texels to which every share gives the
    same picture, or that no share explains, do not vote. A bake part by part records no other part.
    """
    if start <= 0.0:
        return 0
    fits, total = 0, 0
    # Candidate -1 is a start below every layer: a miss.
    for k in range(begin - 1, end):
        if k >= begin and apart and not own[face_part[face[k]]]:
            continue
        following = _following(k, end, apart, own, face_part, face)
        below = 0.0 if k < begin else max(t[k] / start, 0.0)
        above = largest if following >= end else min(max(t[following] / start, 0.0), largest)
        if above <= below:
            continue
        total += 1
        fits += _fits(k, begin, normals, shown, fill, tolerance)
    if fits == 0 or fits == total:
        return 0
    for k in range(begin - 1, end):
        if k >= begin and apart and not own[face_part[face[k]]]:
            continue
        following = _following(k, end, apart, own, face_part, face)
        below = 0.0 if k < begin else max(t[k] / start, 0.0)
        above = largest if following >= end else min(max(t[following] / start, 0.0), largest)
        if above > below and _fits(k, begin, normals, shown, fill, tolerance):
            balance[min(int(np.ceil(below / largest * VOTE_BINS)), VOTE_BINS + 1)] += 1.0
            balance[min(int(np.ceil(above / largest * VOTE_BINS)), VOTE_BINS + 1)] -= 1.0
    return 1


@njit(cache=True, nogil=True)
def _following(
    k: int, end: int, apart: bool, own: NDArray[np.bool_], face_part: Ints, face: Ints
) -> int:
    """Return the next crossing outside crossing k that the bake could have recorded, or `end`."""
    for j in range(k + 1, end):
        if not apart or own[face_part[face[j]]]:
            return j
    return end


@njit(cache=True, nogil=True)
def _fits(k: int, begin: int, normals: Floats, shown: Floats, fill: bool, tolerance: float) -> bool:
    if k < begin:
        return fill
    return not fill and _between(shown, normals[k]) <= tolerance


def is_known(picture: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Tell (...) where a picture (..., 3) holds a normal; where nothing is known it is zero."""
    # Several times faster than a maximum over so short an axis.
    out: NDArray[np.bool_] = picture[..., 0] != 0
    out |= picture[..., 1] != 0
    out |= picture[..., 2] != 0
    return out


def chosen_points(
    low: LowPoly, tile: int, chosen: NDArray[np.bool_]
) -> tuple[SurfacePoints, Ints, Ints]:
    """Return the surface points of the chosen texels of a tile, and their columns and rows."""
    return picked_points(
        low, tile, chosen.shape[0], lambda x, y: chosen[y, x],
        lambda rows, columns: bool(chosen[rows, columns].any()),
    )  # fmt: skip


def picked_points(
    low: LowPoly, tile: int, size: int, chosen: Choice, wanted: BlockChoice | None = None
) -> tuple[SurfacePoints, Ints, Ints]:
    """Return what `chosen_points` does, of texels that are chosen by their columns and rows.

    wanted : tells which blocks hold any of them.
    """
    blocks = texel_blocks(low, size, tile, chosen=chosen, wanted=wanted)
    kept = [(block.points, block.x, block.y) for block in blocks]
    if not kept:
        none = texel_points(low, 8, tile)
        empty = np.zeros(0, np.int64)
        return none.points.take(empty), none.x[empty], none.y[empty]
    return (
        join_points([k[0] for k in kept]),
        np.concatenate([k[1] for k in kept]),
        np.concatenate([k[2] for k in kept]),
    )
