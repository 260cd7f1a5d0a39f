"""From a region to its likely cause and its cure, as codes with values.

They state what the layer table shows; a cure is a proposal until a new cast confirms it
(`cagecheck tune` does that for offsets).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.classify import Findings
from cagecheck.defects.kinds import Defect
from cagecheck.defects.reasons import CauseCode, CureCode, Explanation, Reason, Values
from cagecheck.defects.regions import Group, worst_measure
from cagecheck.defects.rims import rim_within
from cagecheck.defects.rough import rough_crossings
from cagecheck.defects.targets import Targets
from cagecheck.defects.unseen import Unseen
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.cage import Cage, Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.rays.scene import Scene

# When more of a part than this finds nothing, the whole part is the problem, not a place on it.
WHOLE_PART = 0.5
# Surfaces nearer than this share of the low poly's diagonal lie on each other: float64 rounding of
# distances to triangles in one plane, with room.
SAME_PLACE = 1e-9
# A border of the high poly this near to a region's rim (in region radii) is the rim of a hole.
RIM_RADII = 1.5
# What holds for more than this of a region's samples is said of the region.
MOSTLY = 0.5
# A gap that somewhere is less than this of the offset is one that closes: surfaces meet there
# (common practice, no source).
NARROWS = 0.1
# A length below this share of the reach is rounding, and is told as 0.
NOUGHT = 1e-6
# Surface deeper than this many depths is a pit: rays that look for detail are not meant to find it,
# and a depth that does finds other surface as well (common practice, no source).
PIT_DEPTHS = 3.0


@dataclass(frozen=True, eq=False)
class Scan:
    """All that one prediction knows, for the functions that explain it.

    unseen : only where unseen high poly was looked for; regions of it index its points.
    offset : what the whole cage is pushed by, None where it is pushed unevenly.
    low_facing, high_facing : (parts,) int8, see `cagecheck.rays.winding.orientation`.
    """

    low: LowPoly
    scene: Scene
    points: SurfacePoints
    rays: Rays
    layers: Layers
    targets: Targets
    findings: Findings
    paired: NDArray[np.bool_]
    depth: float
    reach: float
    low_facing: NDArray[np.int8]
    high_facing: NDArray[np.int8]
    unseen: Unseen | None = None
    offset: float | None = None

    @property
    def surface(self) -> Surface:
        """The high poly."""
        return self.scene.surface


def explain(scan: Scan, groups: list[Group]) -> list[Explanation]:
    """Return why every group of samples is wrong, and what to do about it."""
    out: dict[int, Explanation] = {}
    for defect, rule in _RULES_OF_ALL.items():
        rows = [k for k, group in enumerate(groups) if group.defect == defect]
        if not rows:
            continue
        out.update(zip(rows, rule(scan, [groups[k] for k in rows]), strict=True))
    return [
        out[k] if k in out else _RULES[group.defect](scan, group) for k, group in enumerate(groups)
    ]


def _finite(values: Floats, fallback: float = 0.0) -> Floats:
    kept = values[np.isfinite(values)]
    return kept if len(kept) else np.array([fallback])


def _length(scan: Scan, value: float) -> float:
    """Return a length for telling: what is only rounding is 0."""
    return 0.0 if abs(value) <= NOUGHT * scan.reach else value


def _told(
    cause: CauseCode,
    cure: CureCode,
    cause_values: Values | None = None,
    cure_values: Values | None = None,
    *,
    also: CureCode | None = None,
    other: str | None = None,
) -> Explanation:
    values = cause_values or Values()
    return Explanation(Reason(cause, values), Reason(cure, cure_values or Values(), also), other)


def uniform_offset(cage: Cage) -> float | None:
    """Return what a cage is pushed by everywhere, None where it is pushed unevenly."""
    length = np.linalg.norm(cage.displacement, axis=2)
    least, most = float(length.min(initial=np.inf)), float(length.max(initial=0.0))
    return most if most > 0 and most - least <= NOUGHT * most else None


def _as_offset(scan: Scan, samples: NDArray[np.int64], t: Floats) -> Floats:
    """Return the uniform offsets at which rays start at distances `t` (n,).

    Where vertex normals part, the cage between them is nearer than the offset; the ray's start is
    proportional to it. Under an uneven cage the distances along the rays are returned.
    """
    start = scan.rays.start[samples]
    if scan.offset is None:
        return t
    return np.divide(t * scan.offset, start, out=t.copy(), where=start > 0)


def _too_tight(scan: Scan, group: Group) -> Explanation:
    short = worst_measure(group, scan.findings.measures) or 0.0
    lower, upper = scan.targets.distances(group.samples), scan.targets.next_distances(group.samples)
    rise = float(_finite(lower).max())
    need = float(_finite(_as_offset(scan, group.samples, lower)).max())
    room = float(_as_offset(scan, group.samples, upper).min())
    cause = Values(rise=_length(scan, rise), short=_length(scan, short))
    raised = CureCode.RAISE_CAGE if scan.offset is None else CureCode.RAISE_OFFSET
    cure = Values(short=cause.short) if scan.offset is None else Values(need=_length(scan, need))
    if room > need:
        return _told(CauseCode.TIGHT, raised, cause, cure)
    other = _neighbour(scan, group)
    cure = replace(cure, room=_length(scan, room), other_part=other)
    return _told(CauseCode.TIGHT, raised, cause, cure, also=CureCode.ONE_VALUE_FAILS, other=other)


def _nothing_there(scan: Scan, groups: list[Group]) -> list[Explanation]:
    """Explain groups where nothing belongs; the high poly is searched once for all of them."""
    count = len(scan.low.part_names)
    samples, lost = np.zeros(count, np.int64), np.zeros(count, np.int64)
    _count_lost(scan.points.triangle, scan.low.triangle_part, scan.targets.found, samples, lost)
    elsewhere = lost > WHOLE_PART * samples
    paired = np.asarray(scan.paired.any(axis=1))
    asked = [k for k, g in enumerate(groups) if paired[g.part] and not elsewhere[g.part]]
    rim = np.zeros(len(groups), bool)
    rim[asked] = rim_within(
        scan.surface,
        scan.paired[[groups[k].part for k in asked]],
        np.array([groups[k].centroid for k in asked]).reshape(-1, 3),
        np.array([RIM_RADII * groups[k].radius + scan.depth for k in asked]),
    )
    turned = [bool(elsewhere[part]) and _low_alone_is_turned(scan, part) for part in range(count)]
    return [
        _why_nothing(
            scan,
            group,
            bool(paired[group.part]),
            bool(elsewhere[group.part]),
            turned[group.part],
            near_rim,
        )
        for group, near_rim in zip(groups, rim.tolist(), strict=True)
    ]


@njit(cache=True, nogil=True, makes_arrays=False)
def _count_lost(
    triangle: Ints, part: Ints, found: NDArray[np.bool_], samples: Ints, lost: Ints
) -> None:
    """Count the samples of every part, and those to which nothing belongs."""
    for i in range(len(triangle)):
        samples[part[triangle[i]]] += 1
        lost[part[triangle[i]]] += not found[i]


def _why_nothing(
    scan: Scan,
    group: Group,
    is_paired: bool,
    is_elsewhere: bool,
    is_turned: bool,
    near_rim: bool,
) -> Explanation:
    part = Values(part=scan.low.part_names[group.part])
    if not is_paired:
        return _told(CauseCode.NOT_PAIRED, CureCode.NAME_PARTNER, part)
    if is_elsewhere and is_turned:
        return _told(CauseCode.LOW_INSIDE_OUT, CureCode.FLIP_LOW, part, part)
    if is_elsewhere:
        return _told(CauseCode.NOT_ALIGNED, CureCode.ALIGN, part)
    if near_rim:
        return _told(CauseCode.HOLE, CureCode.CLOSE_HOLE)
    if np.mean(scan.findings.recorded[group.samples] != NO_LAYER) > MOSTLY:
        return _told(CauseCode.STICKS_OUT_PAST, CureCode.PULL_IN)
    return _told(CauseCode.STICKS_OUT, CureCode.PULL_IN)


def _high_is_turned(scan: Scan, part: int) -> bool:
    """Tell whether the high parts paired with a low part are inside out, as far as can be told."""
    facing = scan.high_facing[scan.paired[part]]
    return bool((facing < 0).any() and not (facing > 0).any())


def _low_alone_is_turned(scan: Scan, part: int) -> bool:
    return bool(scan.low_facing[part] < 0) and not _high_is_turned(scan, part)


def _too_deep(scan: Scan, group: Group) -> Explanation:
    deepest = float(-_finite(scan.targets.distances(group.samples)).min())
    deep = Values(deep=_length(scan, deepest))
    cause = replace(deep, depth=_length(scan, scan.depth))
    if deepest > PIT_DEPTHS * scan.depth:
        return _told(CauseCode.PIT, CureCode.MODEL_PIT, cause, deep)
    return _told(CauseCode.DEEP, CureCode.RAISE_DEPTH, cause, deep)


def _neighbour(scan: Scan, group: Group) -> str:
    """Return the part that the group's next layers mostly belong to; some ray has one."""
    layer = scan.targets.next_layers(group.samples)
    layer = layer[layer != NO_LAYER]
    part = int(np.bincount(scan.surface.triangle_part[scan.layers.face[layer]]).argmax())
    return scan.surface.part_names[part]


def _recorded_part(scan: Scan, group: Group) -> str:
    layer = scan.findings.recorded[group.samples]
    layer = layer[layer != NO_LAYER]
    part = int(np.bincount(scan.surface.triangle_part[scan.layers.face[layer]]).argmax())
    return scan.surface.part_names[part]


def _corridor(scan: Scan, group: Group) -> tuple[CureCode, Values]:
    """Say which offsets would do for the group, or that none would."""
    lower = scan.targets.distances(group.samples)
    upper = scan.targets.next_distances(group.samples)
    if not np.isfinite(lower).any():
        return CureCode.NO_OFFSET_NOTHING, Values()
    # An offset of zero is the least there is.
    if np.mean(np.fmax(lower, 0.0) >= upper) > MOSTLY:
        return CureCode.NO_OFFSET_COVERED, Values()
    lower, upper = (_as_offset(scan, group.samples, t) for t in (lower, upper))
    need, room = max(float(_finite(lower).max()), 0.0), max(float(upper.min()), 0.0)
    values = Values(need=_length(scan, need), room=_length(scan, room))
    fits = need < room and not _run_together(scan, group)
    return (CureCode.KEEP_BETWEEN if fits else CureCode.TUNE_PER_VERTEX), values


def _run_together(scan: Scan, group: Group) -> bool:
    """Tell whether the gap to the other surface narrows to nothing within the group."""
    room = float(scan.targets.next_distances(group.samples).min())
    return room < NARROWS * float(np.median(scan.rays.start[group.samples]))


def _overshoot_own(scan: Scan, groups: list[Group]) -> list[Explanation]:
    """Explain groups that record another layer of their part; all are asked about noise at once."""
    rough = rough_crossings(
        scan.surface,
        [_faces(scan, scan.findings.recorded[g.samples]) for g in groups],
        [_faces(scan, scan.targets.layer[g.samples]) for g in groups],
        [_past_targets(scan, g) for g in groups],
        site=lambda: scan.scene.sites,
    )
    return [_which_overshoot(scan, g, gap) for g, gap in zip(groups, rough, strict=True)]


def _past_targets(scan: Scan, group: Group) -> Floats:
    """Return (n,) how far a group's samples record above their targets, world units."""
    found = scan.findings.found
    return found.distances(group.samples) - scan.targets.distances(group.samples)


def _faces(scan: Scan, layer: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the high faces of crossings, -1 for none."""
    face = scan.layers.face[np.maximum(layer, 0)].astype(np.int64)
    return np.where(layer == NO_LAYER, -1, face)


def _which_overshoot(scan: Scan, group: Group, rough: float | None) -> Explanation:
    recorded = _recorded_part(scan, group)
    other = Values(other_part=recorded)
    if _is_doubled(scan, group):
        return _told(CauseCode.DOUBLED, CureCode.DELETE_DOUBLED)
    if rough is not None:
        cause = replace(other, gap=_length(scan, rough))
        return _told(CauseCode.ROUGH, CureCode.SMOOTH_HIGH, cause, other=recorded)
    cure, values = _corridor(scan, group)
    if _run_together(scan, group):
        return _told(
            CauseCode.RUNS_INTO, cure, other, values, also=CureCode.SPLIT_PART, other=recorded
        )
    gap = float(_finite(scan.targets.next_distances(group.samples)).min())
    cause = replace(other, gap=_length(scan, gap))
    return _told(CauseCode.FOLD_NEAR, cure, cause, values, also=CureCode.SPLIT_PART, other=recorded)


def _is_doubled(scan: Scan, group: Group) -> bool:
    """Tell whether mostly a back is recorded that lies exactly on the surface that belongs."""
    apart = _past_targets(scan, group)
    back = ~scan.layers.front[scan.findings.recorded[group.samples]]
    return bool(np.mean(back & (apart <= SAME_PLACE * scan.low.diagonal())) > 0.5)


def _overshoot_other(scan: Scan, group: Group) -> Explanation:
    other = _recorded_part(scan, group)
    cause = Values(other_part=other)
    if not scan.paired[group.part].any():
        cause = replace(cause, part=scan.low.part_names[group.part])
        return _told(CauseCode.NOT_PAIRED_RECORDS_OTHER, CureCode.NAME_PARTNER, cause, other=other)
    also, values = _corridor(scan, group)
    return _told(
        CauseCode.RECORDS_OTHER, CureCode.BAKE_APART, cause, values, also=also, other=other
    )


def _back_facing(scan: Scan, group: Group) -> Explanation:
    part_area = float(scan.low.area[scan.low.triangle_part == group.part].sum())
    if group.area <= WHOLE_PART * part_area:
        return _told(CauseCode.FLIPPED, CureCode.FLIP_PATCH)
    part = Values(part=scan.low.part_names[group.part])
    if _high_is_turned(scan, group.part) and scan.low_facing[group.part] >= 0:
        return _told(CauseCode.HIGH_INSIDE_OUT, CureCode.FLIP_HIGH)
    if _low_alone_is_turned(scan, group.part):
        return _told(CauseCode.LOW_INSIDE_OUT, CureCode.FLIP_LOW, part, part)
    return _told(CauseCode.FACE_AGAINST, CureCode.FLIP_ONE, None, part)


def _skew(scan: Scan, group: Group) -> Explanation:
    slant = float(scan.findings.found.slants(group.samples).max())
    return _told(CauseCode.SLANTED, CureCode.STRAIGHTEN, Values(degrees=slant))


def _steep(scan: Scan, group: Group) -> Explanation:
    lean = float(_finite(scan.findings.found.leans(group.samples)).max())
    return _told(CauseCode.STEEP, CureCode.MORE_SHAPE, Values(degrees=lean))


def _fold(scan: Scan, group: Group) -> Explanation:
    return _told(CauseCode.CAGE_FOLDS, CureCode.LOWER_OR_STRAIGHTEN)


def _split(scan: Scan, group: Group) -> Explanation:
    return _told(CauseCode.RAYS_PART, CureCode.AVERAGE_NORMALS)


def _unseen(scan: Scan, groups: list[Group]) -> list[Explanation]:
    """Explain groups of unseen high poly by what the rays below them record."""
    hidden = _what_hides(scan, groups)
    return [
        _why_unseen(scan, group, above, cover)
        for group, (above, cover) in zip(groups, hidden, strict=True)
    ]


def _why_unseen(scan: Scan, group: Group, above: float, cover: int | None) -> Explanation:
    if above > MOSTLY:
        return _told(CauseCode.ABOVE_CAGE, CureCode.RAISE_OR_MODEL)
    if cover is None:
        return _told(CauseCode.HIDDEN, CureCode.OPEN_UP)
    name = scan.surface.part_names[cover]
    cause = Values(other_part=name)
    if scan.paired[group.part, cover]:
        return _told(CauseCode.COVERED, CureCode.ALLOW_COVER, cause, other=name)
    return _told(CauseCode.REPLACED, CureCode.APART_OR_BELOW, cause, other=name)


def _what_hides(scan: Scan, groups: list[Group]) -> list[tuple[float, int | None]]:
    """Return each group's share of points above the cage, and the high part over most of it.

    Each point is judged by the nearest ray of its low part: where that starts, and what it
    records. None where that is the point's own part, or nothing.
    """
    unseen = scan.unseen
    if unseen is None or len(groups) == 0:
        return [(0.0, None)] * len(groups)
    chosen = np.concatenate([group.samples for group in groups])
    place = unseen.points.position[chosen]
    ray = unseen.below[chosen]
    offset = place - scan.rays.origin[ray]
    height = np.einsum("ij,ij->i", offset, scan.rays.direction[ray])
    above = height > scan.rays.start[ray]
    layer = scan.findings.recorded[ray]
    own = scan.surface.triangle_part[unseen.points.face[chosen]]
    part, hit = own.copy(), np.flatnonzero(layer != NO_LAYER)
    part[hit] = scan.surface.triangle_part[scan.layers.face[layer[hit]]]
    over = part != own
    over[hit] &= scan.layers.t[layer[hit]] > height[hit]
    out: list[tuple[float, int | None]] = []
    bounds = np.cumsum([len(group.samples) for group in groups])[:-1]
    for up, covered, of in zip(*(np.split(x, bounds) for x in (above, over, part)), strict=True):
        cover = int(np.bincount(of[covered]).argmax()) if np.mean(covered) > MOSTLY else None
        out.append((float(np.mean(up)), cover))
    return out


_RULES = {
    Defect.MISS_TIGHT: _too_tight,
    Defect.MISS_DEEP: _too_deep,
    Defect.OVERSHOOT_OTHER: _overshoot_other,
    Defect.BACK_FACING: _back_facing,
    Defect.SKEW: _skew,
    Defect.STEEP: _steep,
    Defect.FOLD: _fold,
    Defect.SPLIT: _split,
}
# What is looked up for all groups at once.
_RULES_OF_ALL = {
    Defect.MISS_NOTHING: _nothing_there,
    Defect.OVERSHOOT_OWN: _overshoot_own,
    Defect.UNSEEN: _unseen,
}
