"""Faulty texels of a map grouped into numbered regions with cause and cure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, minimum_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.harm import Seen, seen_of
from cagecheck.defects.reasons import Reason, Values
from cagecheck.defects.regions import LINK_SPACINGS, Region, by_harm, group_samples
from cagecheck.locating.bake_reach import BakeReach
from cagecheck.locating.compare import TITLES, Evidence, Fault
from cagecheck.locating.fault_reasons import FaultCause, FaultCure
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage, rays_through
from cagecheck.rays.points import SurfacePoints

UNITS: dict[Fault, str] = {
    Fault.OTHER_PART: "units",
    Fault.OTHER_FOLD: "units",
    Fault.TOO_DEEP: "units",
    Fault.MISSED: "degrees",
    Fault.SKEW: "texels",
    Fault.BACK_FACING: "degrees",
    Fault.ISLAND_MOVED: "texels",
    Fault.HIGH_MOVED: "units",
    Fault.SEAM: "degrees",
    Fault.PADDING: "texels",
    Fault.NOISE: "degrees",
    Fault.UNEXPLAINED: "degrees",
}
# Smaller groups are specks that no eye finds; they are counted, not listed.
SMALLEST_REGION = 8
# So are small groups, unexplained or scattered, that differ by less than shading shows (common
# practice, no source): filters leave them at borders.
FAINT_TEXELS, FAINT_DEGREES = 50, 6.0
# What holds for more than this of a region's texels is said of the region.
MOSTLY = 0.5
# Samples farther from each other are no neighbours on the surface, so that texels farther from the
# end of their place touch nothing beyond it.
TOUCH_TEXELS = int(np.ceil(LINK_SPACINGS))
# Of places that fill less of the box around them most texels are near an end.
DENSE_SHARE = 1 / 16


@dataclass(frozen=True, eq=False)
class FaultyTexels:
    """All faulty texels of all tiles.

    points, positions : on the low poly, world units; tile, x, y : (N,) int32 which texel; fault :
    (N,) uint8; measure : (N,) in the fault's unit; gap, target, angle : (N,) see `TileView`;
    other : (N,) int32 high part or -1; patch : (N,) int32, texels that touch in the picture and
    have one fault share a number; weight : (N,) texels that each stands for; error : (N,) visible
    error, degrees; evidence : (N,) uint8 `Evidence`.
    """

    points: SurfacePoints
    positions: Floats
    tile: Ints
    x: Ints
    y: Ints
    fault: NDArray[np.uint8]
    measure: Floats
    gap: Floats
    target: Floats
    angle: Floats
    other: Ints
    patch: Ints
    weight: Floats
    error: Floats
    evidence: NDArray[np.uint8]

    def mostly(self, members: NDArray[np.int64], evidence: Evidence) -> bool:
        """Tell whether a piece of evidence holds for most of some texels."""
        return bool(np.mean((self.evidence[members] & evidence) > 0) > MOSTLY)

    def __len__(self) -> int:
        return len(self.fault)


@dataclass(frozen=True, eq=False)
class Bake:
    """What is known of the bake: how deep it is taken to have looked, where its rays are taken to
    have started, how far it really looked, and the low parts that it left out.
    """

    depth: float
    cage: Cage
    reach: BakeReach
    left_out: frozenset[int] = frozenset()


def fault_regions(
    low: LowPoly, texels: FaultyTexels, part_names: Sequence[str], bake: Bake
) -> tuple[list[Region], int]:
    """Return the regions, the most harmful first, and how many faulty texels are in none.

    part_names : names of the high parts.
    `Region.samples` index `texels`.
    """
    part_area = np.zeros(len(low.part_names))
    np.add.at(part_area, low.triangle_part, low.area)
    found: list[tuple[Fault, NDArray[np.int64]]] = []
    specks = 0
    for fault in TITLES:
        chosen = np.flatnonzero(texels.fault == fault)
        for members in _joined(low, texels, chosen):
            faint = fault in (Fault.UNEXPLAINED, Fault.NOISE) and (
                len(members) < FAINT_TEXELS and np.median(texels.angle[members]) < FAINT_DEGREES
            )
            if faint or (fault != Fault.PADDING and len(members) < SMALLEST_REGION):
                specks += len(members)
            else:
                found.append((fault, members))
    found.sort(key=lambda f: (*_by_harm(texels, f[1]), f[0], int(f[1][0])))
    regions = [
        _region(low, texels, number, fault, members, part_names, part_area, bake)
        for number, (fault, members) in enumerate(found, start=1)
    ]
    return regions, specks


def _seen(texels: FaultyTexels, members: NDArray[np.int64]) -> Seen:
    return seen_of(texels.error[members], texels.weight[members], texels.points.area[members])


def _by_harm(texels: FaultyTexels, members: NDArray[np.int64]) -> tuple[float, ...]:
    return by_harm(_seen(texels, members).harm, float(texels.weight[members].sum()), 0.0)


def _joined(
    low: LowPoly, texels: FaultyTexels, chosen: NDArray[np.int64]
) -> list[NDArray[np.int64]]:
    """Join texels that touch in the picture or, across seams, on the surface."""
    if len(chosen) == 0:
        return []
    _, patch = np.unique(
        texels.patch[chosen].astype(np.int64) * (len(low.part_names) + 1)
        + low.triangle_part[texels.points.triangle[chosen]],
        return_inverse=True,
    )
    rim = _near_ends(texels, chosen, patch)
    on_surface = group_samples(low, texels.points, texels.positions, chosen[rim])
    patches = int(patch.max()) + 1
    nodes = patches + int(on_surface.max(initial=-1)) + 1
    ends = (patch[rim], patches + on_surface)
    graph = coo_array((np.ones(len(on_surface), np.int8), ends), (nodes, nodes))
    label = connected_components(graph, directed=False)[1][patch]
    order = np.argsort(label, kind="stable")
    bounds = np.flatnonzero(np.diff(label[order])) + 1
    return [chosen[members] for members in np.split(order, bounds)]


def _near_ends(
    texels: FaultyTexels, chosen: NDArray[np.int64], patch: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell which texels lie so near to an end of their patch that others may touch them there.

    patch : (N,) of each of those `chosen`. Sparse texels are all told to.
    """
    near = np.ones(len(chosen), bool)
    for tile in np.unique(texels.tile[chosen]):
        mine = np.flatnonzero(texels.tile[chosen] == tile)
        y, x = texels.y[chosen[mine]], texels.x[chosen[mine]]
        top, left = int(y.min()), int(x.min())
        shape = int(y.max()) - top + 1, int(x.max()) - left + 1
        if len(mine) < DENSE_SHARE * shape[0] * shape[1]:
            continue
        names = np.full(shape, -1, np.int32)
        names[y - top, x - left] = patch[mine]
        inner = np.ones(shape, bool)
        for extreme in (minimum_filter, maximum_filter):
            inner &= extreme(names, 2 * TOUCH_TEXELS + 1, mode="constant", cval=-1) == names
        # Of two maps of one tile the last has its name there.
        near[mine] = ~inner[y - top, x - left] | (names[y - top, x - left] != patch[mine])
    return near


def _region(
    low: LowPoly,
    texels: FaultyTexels,
    number: int,
    fault: Fault,
    members: NDArray[np.int64],
    part_names: Sequence[str],
    part_area: Floats,
    bake: Bake,
) -> Region:
    place = texels.positions[members]
    middle = place.mean(axis=0)
    centre = place[np.argmin(np.linalg.norm(place - middle, axis=1))]
    tiles, count = np.unique(texels.tile[members], return_counts=True)
    part = int(low.triangle_part[texels.points.triangle[members[0]]])
    area = float(texels.points.area[members].sum())
    measure = texels.measure[members]
    measure = measure[np.isfinite(measure)]
    other = _commonest(texels.other[members])
    other_name = part_names[other] if other >= 0 else None
    if fault == Fault.MISSED and part in bake.left_out:
        cause, cure = _told(
            FaultCause.LEFT_OUT, FaultCure.INCLUDE, Values(part=low.part_names[part])
        )
    elif fault == Fault.MISSED:
        start = rays_through(low, bake.cage, texels.points.take(members)).start
        cause, cure = _missed(texels, members, low.part_names[part], bake, start)
    else:
        cause, cure = _RULES[fault](texels, members, other_name, low.part_names[part])
    seen = _seen(texels, members)
    return Region(
        number=number,
        defect=fault,
        part=low.part_names[part],
        tile=int(tiles[np.argmax(count)]),
        centroid=(float(centre[0]), float(centre[1]), float(centre[2])),
        radius=float(np.linalg.norm(place - centre, axis=1).max()),
        area=area,
        percent=100 * area / part_area[part] if part_area[part] else 0.0,
        texels=float(texels.weight[members].sum()),
        worst=float(np.abs(measure).max()) if len(measure) else None,
        unit=UNITS[fault],
        why=cause,
        remedy=cure,
        sample_count=len(members),
        other_part=other_name,
        visible_error=seen.error,
        texels_seen=seen.texels,
        area_seen=seen.area,
        harm=seen.harm,
        samples=members,
    )


def _commonest(numbers: Ints) -> int:
    known = numbers[numbers >= 0]
    return int(np.bincount(known).argmax()) if len(known) else -1


def _finite(values: Floats) -> Floats:
    kept = values[np.isfinite(values)]
    return kept if len(kept) else np.array([np.nan])


Told = tuple[Reason, Reason]


def _told(
    cause: FaultCause, cure: FaultCure, values: Values | None = None, told: Values | None = None
) -> Told:
    """Return cause and cure; told : the values of the cure."""
    return Reason(cause, values or Values()), Reason(cure, told or Values())


def _other_layer(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Told:
    gap, target = texels.gap[members], texels.target[members]
    above = _finite(np.where(np.isfinite(target), target + gap, gap))
    room = float(above.min())
    high = float(_finite(target).max())
    cause = FaultCause.SHOWS_LAYER if other is None else FaultCause.SHOWS_PART
    if other is not None and texels.mostly(members, Evidence.SEEN):
        cause = FaultCause.RECORDED_PART
    values = Values(part=part, other_part=other, gap=float(np.nanmedian(gap)))
    # Another layer of the same part comes along however the parts are baked.
    folded = Fault(int(texels.fault[members[0]])) == Fault.OTHER_FOLD
    if np.isfinite(high) and room <= high:
        return _told(cause, FaultCure.SPLIT if folded else FaultCure.APART, values)
    cure = FaultCure.KEEP_BELOW_OR_SPLIT if folded else FaultCure.KEEP_BELOW_OR_APART
    return _told(cause, cure, values, Values(room=max(room, 0.0)))


def _too_deep(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Told:
    target = _finite(texels.target[members])
    gap = float(np.abs(_finite(texels.gap[members])).max())
    values = Values(part=part, other_part=other)
    if np.isnan(target).all():
        cause = FaultCause.SHOWS_LAYER_BEHIND if other is None else FaultCause.SHOWS_PART_BEHIND
        return _told(cause, FaultCure.CLOSE_OR_PULL_IN, values)
    rise = float(target.max())
    values = replace(values, gap=gap)
    if rise > 0:
        values = replace(values, rise=rise)
        return _told(FaultCause.STARTED_BENEATH, FaultCure.RAISE_OFFSET, values, Values(rise=rise))
    return _told(FaultCause.NOT_THERE, FaultCure.CHECK_CLOSED, values)


def _missed(
    texels: FaultyTexels, members: NDArray[np.int64], part: str, bake: Bake, start: Floats
) -> Told:
    """Say why texels were missed; start : (M,) how far out the rays are taken to have begun."""
    target = texels.target[members]
    found = np.isfinite(target)
    known, start = target[found], start[found]
    values = Values(part=part)
    if len(known) < MOSTLY * len(members):
        return _told(FaultCause.MISSED_NOTHING, FaultCure.CLOSE_PULL_IN_OR_PAIR, values)
    reach = bake.reach
    # What the bake's own distances part from what it recorded was lost for them, come what may.
    if reach.share is not None and np.mean(known > reach.share * start) > MOSTLY:
        rise = Values(rise=float(known.max()))
        values = replace(values, rise=rise.rise)
        return _told(FaultCause.MISSED_TIGHT, FaultCure.RAISE_OFFSET, values, rise)
    if reach.depth is not None and np.mean(-known > reach.depth) > MOSTLY:
        deep = Values(deep=float(-known.min()))
        values = replace(values, deep=deep.deep)
        return _told(FaultCause.MISSED_DEEP, FaultCure.RAISE_DEPTH, values, deep)
    if _in_reach(known, start, reach):
        return _told(FaultCause.MISSED_IN_REACH, FaultCure.CLOSE_OR_INCLUDE, values)
    if np.median(known) > 0:
        rise = Values(rise=float(known.max()))
        values = replace(values, rise=rise.rise)
        if np.mean(known < start) > MOSTLY:
            values = replace(values, start=float(np.median(start)))
            cure = FaultCure.RAISE_OFFSET_OR_INCLUDE
            return _told(FaultCause.MISSED_UNDER_CAGE, cure, values, rise)
        return _told(FaultCause.MISSED_TIGHT, FaultCure.RAISE_OFFSET, values, rise)
    deep = Values(deep=float(-known.min()))
    values = replace(values, deep=deep.deep)
    if -known.min() <= bake.depth:
        return _told(FaultCause.MISSED_WITHIN_DEPTH, FaultCure.CHECK_FACES, values)
    return _told(FaultCause.MISSED_DEEP, FaultCure.RAISE_DEPTH, values, deep)


def _in_reach(known: Floats, start: Floats, reach: BakeReach) -> bool:
    """Tell whether surface as far off as most of this was recorded elsewhere."""
    above, below = reach.recorded_share, reach.recorded_depth
    near = np.zeros(len(known), bool)
    if above is not None:
        near |= (known >= 0) & (known <= above * start)
    if below is not None:
        near |= (known < 0) & (-known <= below)
    return bool(np.mean(near) > MOSTLY)


def _back_facing(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Told:
    # Where the high poly in hand shows its back too, the comparison says 180 degrees sharp.
    in_hand = np.mean(texels.angle[members] == 180.0) > MOSTLY
    cause = FaultCause.LOOKS_INWARD if in_hand else FaultCause.TURNED_INWARD
    return _told(cause, FaultCure.TURN_OUTWARD, Values(part=part))


def _island_moved(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Told:
    shift = float(np.median(_finite(texels.measure[members])))
    return _told(FaultCause.ISLAND_ASIDE, FaultCure.UVS_BACK, Values(slide=shift))


def _high_moved(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Told:
    move = float(np.median(_finite(texels.gap[members])))
    return _told(FaultCause.HIGH_ASIDE, FaultCure.HIGH_BACK, Values(part=part, gap=move))


def _skew(texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str) -> Told:
    shift = float(np.median(_finite(texels.measure[members])))
    return _told(FaultCause.SLID, FaultCure.STRAIGHTEN, Values(slide=shift))


def _seam(texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str) -> Told:
    angle = _finite(texels.angle[members])
    middle = float(np.median(angle))
    if texels.mostly(members, Evidence.TURNED):
        return _told(FaultCause.FRAME_TURNED, FaultCure.SAME_BASIS, Values(degrees=middle))
    step = float(_finite(texels.measure[members]).max())
    return _told(FaultCause.SEAM_APART, FaultCure.SAME_BASIS, Values(degrees=step))


def _padding(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Told:
    bare = round(float(texels.weight[members].sum()))
    wanted = int(_finite(texels.measure[members]).max())
    cause = FaultCause.BARE_ONE if bare == 1 else FaultCause.BARE
    return _told(
        cause, FaultCure.MORE_PADDING, Values(part=part, texels=bare), Values(texels=wanted)
    )


def _noise(texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str) -> Told:
    size = float(np.median(_finite(texels.angle[members])))
    return _told(FaultCause.SCATTER, FaultCure.MORE_SAMPLES, Values(degrees=size))


def _unexplained(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Told:
    size = float(np.median(_finite(texels.angle[members])))
    if texels.mostly(members, Evidence.RIGHT):
        cure = FaultCure.TAKE_AS_BAKED
        return _told(FaultCause.RIGHT_SURFACE, cure, Values(degrees=size))
    if texels.mostly(members, Evidence.PAINTED):
        return _told(FaultCause.PAINTED, FaultCure.TAKE_AS_BAKED, Values(degrees=size))
    return _told(FaultCause.DIFFERS, FaultCure.CHECK_SOURCE, Values(degrees=size))


_RULES = {
    Fault.OTHER_PART: _other_layer,
    Fault.OTHER_FOLD: _other_layer,
    Fault.TOO_DEEP: _too_deep,
    Fault.SKEW: _skew,
    Fault.BACK_FACING: _back_facing,
    Fault.ISLAND_MOVED: _island_moved,
    Fault.HIGH_MOVED: _high_moved,
    Fault.SEAM: _seam,
    Fault.PADDING: _padding,
    Fault.NOISE: _noise,
    Fault.UNEXPLAINED: _unexplained,
}
