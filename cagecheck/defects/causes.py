"""From a region to its likely cause and its cure, in words.

The sentences state what the layer table shows; a cure is a proposal until a new cast confirms it
(`cagecheck tune` does that for offsets).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.classify import Findings
from cagecheck.defects.kinds import Defect
from cagecheck.defects.regions import Group, worst_measure
from cagecheck.defects.rims import rim_within
from cagecheck.defects.targets import Targets
from cagecheck.defects.unseen import Unseen
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.cage import Cage, Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.words.lengths import length_words

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
# A length below this share of the reach is rounding, and is written as 0.
NOUGHT = 1e-6


# Cause, cure, other part.
Words = tuple[str, str, str | None]


@dataclass(frozen=True, eq=False)
class Scan:
    """All that one prediction knows, for the functions that explain it.

    unseen : only where unseen high poly was looked for; regions of it index its points.
    offset : what the whole cage is pushed by, None where it is pushed unevenly.
    """

    low: LowPoly
    surface: Surface
    points: SurfacePoints
    rays: Rays
    layers: Layers
    targets: Targets
    findings: Findings
    paired: NDArray[np.bool_]
    depth: float
    reach: float
    unseen: Unseen | None = None
    offset: float | None = None


_NAME_A_PARTNER = (
    "name a partner (see the pairing table; --pair gives the naming rule), or export the missing "
    "part"
)


def explain(scan: Scan, groups: list[Group]) -> list[Words]:
    """Return (cause, cure, other part) of every group of samples."""
    out: dict[int, Words] = {}
    for defect, rule in _RULES_OF_ALL.items():
        rows = [k for k, group in enumerate(groups) if group.defect == defect]
        out.update(zip(rows, rule(scan, [groups[k] for k in rows]), strict=True))
    return [
        out[k] if k in out else _RULES[group.defect](scan, group) for k, group in enumerate(groups)
    ]


def _finite(values: Floats, fallback: float = 0.0) -> Floats:
    kept = values[np.isfinite(values)]
    return kept if len(kept) else np.array([fallback])


def _length(scan: Scan, value: float) -> str:
    return length_words(value, NOUGHT * scan.reach)


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


def _too_tight(scan: Scan, group: Group) -> Words:
    short = worst_measure(group, scan.findings.measures) or 0.0
    lower, upper = scan.targets.t[group.samples], scan.targets.t_next[group.samples]
    cause = (
        f"the surface here rises {_length(scan, float(_finite(lower).max()))} above the low poly, "
        f"rays start {_length(scan, short)} too low"
    )
    need = float(_finite(_as_offset(scan, group.samples, lower)).max())
    room = float(_as_offset(scan, group.samples, upper).min())
    cure = (
        f"raise the cage here by more than {_length(scan, short)}"
        if scan.offset is None
        else f"raise the offset here above {_length(scan, need)}"
    )
    if room <= need:
        other, name = _neighbour(scan, group)
        cure += (
            f"; another layer ({name}) begins at {_length(scan, room)} within the same region, so "
            "one value will not do: tune per vertex, or split the parts"
        )
        return cause, cure, other
    return cause, cure, None


def _nothing_there(scan: Scan, groups: list[Group]) -> list[Words]:
    """Explain groups where nothing belongs; the high poly is searched once for all of them."""
    part = scan.low.triangle_part[scan.points.triangle]
    count = len(scan.low.part_names)
    samples = np.bincount(part, minlength=count)
    lost = np.bincount(part[~scan.targets.found], minlength=count)
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
    return [
        _nothing_words(scan, group, bool(paired[group.part]), bool(elsewhere[group.part]), near_rim)
        for group, near_rim in zip(groups, rim.tolist(), strict=True)
    ]


def _nothing_words(
    scan: Scan, group: Group, is_paired: bool, is_elsewhere: bool, near_rim: bool
) -> Words:
    name = scan.low.part_names[group.part]
    pull = "pull the low poly in here, or extend the high poly"
    if not is_paired:
        return f"no high-poly part is paired with {name}", _NAME_A_PARTNER, None
    if is_elsewhere:
        return (
            f"most of {name} finds no surface of its own: low and high do not lie on each other",
            "check that both were exported with the same place, scale and axes",
            None,
        )
    if near_rim:
        return (
            "the high poly has a hole here",
            "close the hole in the high poly; no offset can record what is not there",
            None,
        )
    if np.mean(scan.findings.recorded[group.samples] != NO_LAYER) > 0.5:
        cause = "the low poly sticks out beyond the high poly: rays pass it and reach the far side"
        return cause, pull, None
    return "the low poly sticks out where the high poly ends", pull, None


def _too_deep(scan: Scan, group: Group) -> Words:
    deepest = float(-_finite(scan.targets.t[group.samples]).min())
    return (
        f"the surface lies {_length(scan, deepest)} below the low poly, rays look "
        f"{_length(scan, scan.depth)}",
        f"raise the depth to more than {_length(scan, deepest)}, or pull the low poly in here",
        None,
    )


def _neighbour(scan: Scan, group: Group) -> tuple[str | None, str]:
    """Return the part that the group's next layers mostly belong to, and words for it."""
    layer = scan.targets.next_layer[group.samples]
    layer = layer[layer != NO_LAYER]
    if len(layer) == 0:
        return None, "the same part"
    part = int(np.bincount(scan.surface.triangle_part[scan.layers.face[layer]]).argmax())
    name = scan.surface.part_names[part]
    return name, name


def _recorded_part(scan: Scan, group: Group) -> str:
    layer = scan.findings.recorded[group.samples]
    layer = layer[layer != NO_LAYER]
    part = int(np.bincount(scan.surface.triangle_part[scan.layers.face[layer]]).argmax())
    return scan.surface.part_names[part]


def _corridor_words(scan: Scan, group: Group) -> str:
    """Say which offsets would do for the group, or that none would."""
    lower = scan.targets.t[group.samples]
    upper = scan.targets.t_next[group.samples]
    if not np.isfinite(lower).any():
        return "no offset helps: no surface of this part lies here"
    # An offset of zero is the least there is.
    if np.mean(np.fmax(lower, 0.0) >= upper) > MOSTLY:
        return "no offset helps: the other surface lies on this one or covers it"
    lower, upper = (_as_offset(scan, group.samples, t) for t in (lower, upper))
    need, room = max(float(_finite(lower).max()), 0.0), max(float(upper.min()), 0.0)
    if need < room and not _run_together(scan, group):
        return f"keep the offset here between {_length(scan, need)} and {_length(scan, room)}"
    return (
        "tune per vertex: no single offset fits the whole region (it needs "
        f"{_length(scan, need)}, the other surface begins at {_length(scan, room)})"
    )


def _run_together(scan: Scan, group: Group) -> bool:
    """Tell whether the gap to the other surface narrows to nothing within the group."""
    room = float(scan.targets.t_next[group.samples].min())
    return room < NARROWS * float(np.median(scan.rays.start[group.samples]))


def _overshoot_own(scan: Scan, group: Group) -> Words:
    recorded = _recorded_part(scan, group)
    if _is_doubled(scan, group):
        return (
            "the high poly has doubled faces here, one of them turned inside out: which of the two "
            "a ray records is chance",
            "delete the doubled faces",
            None,
        )
    if _run_together(scan, group):
        cause = f"the cage pokes through another surface of {recorded} that runs into this one here"
    else:
        gap = float(_finite(scan.targets.t_next[group.samples]).min())
        cause = (
            f"the cage pokes through a neighbouring fold of {recorded}, "
            f"{_length(scan, gap)} away at the nearest"
        )
    cure = f"{_corridor_words(scan, group)}; or split the part here and bake the pieces apart"
    return cause, cure, recorded


def _is_doubled(scan: Scan, group: Group) -> bool:
    """Tell whether mostly a back is recorded that lies exactly on the surface that belongs."""
    apart = scan.findings.hit_distance[group.samples] - scan.targets.t[group.samples]
    back = ~scan.layers.front[scan.findings.recorded[group.samples]]
    return bool(np.mean(back & (apart <= SAME_PLACE * scan.low.diagonal())) > 0.5)


def _overshoot_other(scan: Scan, group: Group) -> Words:
    other = _recorded_part(scan, group)
    if not scan.paired[group.part].any():
        name = scan.low.part_names[group.part]
        return (
            f"no high-poly part is paired with {name}; its rays record {other}",
            _NAME_A_PARTNER,
            other,
        )
    return (
        f"rays record {other} instead of this part's own surface",
        f"bake each pair by itself (--apart shows what that gives); with all parts together: "
        f"{_corridor_words(scan, group)}",
        other,
    )


def _back_facing(scan: Scan, group: Group) -> Words:
    part_area = float(scan.low.area[scan.low.triangle_part == group.part].sum())
    if group.area > WHOLE_PART * part_area:
        return (
            "the high poly is turned inside out here: most of the part shows its backs",
            "flip all faces of the high-poly part",
            None,
        )
    return (
        "the high poly's faces are flipped here: they show their backs",
        "flip the faces of this patch in the high poly",
        None,
    )


def _skew(scan: Scan, group: Group) -> Words:
    slant = float(scan.findings.slant[group.samples].max())
    return (
        f"rays lean up to {slant:.0f} degrees from the low-poly face, so detail at a height slides "
        "sideways",
        "straighten the rays here (tune --straighten tries it), add an edge loop near the hard "
        "change, or bring the low poly nearer to the high poly",
        None,
    )


def _steep(scan: Scan, group: Group) -> Words:
    lean = float(_finite(scan.findings.lean[group.samples]).max())
    return (
        f"recorded normals lean up to {lean:.0f} degrees from the shading normal",
        "give the low poly more shape here, or bake to 16 bits; expect banding in 8 bits and mip "
        "levels",
        None,
    )


def _fold(scan: Scan, group: Group) -> Words:
    return (
        "the cage folds over in this concave corner, so neighbouring rays cross",
        "lower the offset here, or straighten the rays",
        None,
    )


def _split(scan: Scan, group: Group) -> Words:
    return (
        "rays follow split normals and part at this hard edge",
        "average the cage's normals here (keep the low poly's shading as it is)",
        None,
    )


def _unseen(scan: Scan, groups: list[Group]) -> list[Words]:
    """Explain groups of unseen high poly by what the rays below them record."""
    hidden = _what_hides(scan, groups)
    return [
        _unseen_words(scan, group, above, cover)
        for group, (above, cover) in zip(groups, hidden, strict=True)
    ]


def _unseen_words(scan: Scan, group: Group, above: float, cover: int | None) -> Words:
    if above > MOSTLY:
        return (
            "this high-poly surface lies above the cage, where rays start",
            "raise the offset here, or model it in the low poly",
            None,
        )
    if cover is None:
        return (
            "this high-poly surface is hidden from the rays (an undercut or a pocket)",
            "open the shape up, model it in the low poly, or accept the loss",
            None,
        )
    name = scan.surface.part_names[cover]
    if scan.paired[group.part, cover]:
        return (
            f"{name} lies over this high-poly surface and is recorded in its place",
            "nothing to mend where it is meant to (floating detail); else give it a low part",
            name,
        )
    return (
        f"{name} is recorded in place of this high-poly surface",
        "bake each pair by itself (--apart), or keep the offset below it here",
        name,
    )


def _what_hides(scan: Scan, groups: list[Group]) -> list[tuple[float, int | None]]:
    """Return each group's share of points above the cage, and the high part over most of it.

    Each point is judged by the nearest ray of its low part: where that starts, and what it
    records. None where that is the point's own part, or nothing.
    """
    unseen = scan.unseen
    if unseen is None or len(scan.layers.t) == 0 or len(groups) == 0:
        return [(0.0, None)] * len(groups)
    chosen = np.concatenate([group.samples for group in groups])
    ray = _ray_below(scan, unseen.points.position[chosen], unseen.low_triangle[chosen])
    offset = unseen.points.position[chosen] - scan.rays.origin[ray]
    height = np.einsum("ij,ij->i", offset, scan.rays.direction[ray])
    above = height > scan.rays.start[ray]
    layer = scan.findings.recorded[ray]
    safe = np.maximum(layer, 0)
    part = scan.surface.triangle_part[scan.layers.face[safe]]
    own = scan.surface.triangle_part[unseen.points.face[chosen]]
    over = (layer != NO_LAYER) & (part != own) & (scan.layers.t[safe] > height)
    out: list[tuple[float, int | None]] = []
    bounds = np.cumsum([len(group.samples) for group in groups])[:-1]
    for up, covered, of in zip(*(np.split(x, bounds) for x in (above, over, part)), strict=True):
        cover = int(np.bincount(of[covered]).argmax()) if np.mean(covered) > MOSTLY else None
        out.append((float(np.mean(up)), cover))
    return out


def _ray_below(scan: Scan, place: Floats, low_triangle: Ints) -> NDArray[np.int64]:
    """Return (M,) the nearest ray to each place among those of its low triangle's part."""
    low = scan.low
    part = low.triangle_part[low_triangle]
    wanted = np.zeros(len(low.part_names), bool)
    wanted[part] = True
    of_ray = low.triangle_part[scan.points.triangle]
    rays = np.flatnonzero(wanted[of_ray])
    # Parts lie apart in a fourth coordinate, so that one tree serves all of them.
    apart = 4.0 * float(np.linalg.norm(np.ptp(np.concatenate([scan.rays.origin, place]), axis=0)))
    tree = cKDTree(np.column_stack([scan.rays.origin[rays], apart * of_ray[rays]]))
    nearest: NDArray[np.int64] = rays[tree.query(np.column_stack([place, apart * part]))[1]]
    return nearest


_RULES = {
    Defect.MISS_TIGHT: _too_tight,
    Defect.MISS_DEEP: _too_deep,
    Defect.OVERSHOOT_OWN: _overshoot_own,
    Defect.OVERSHOOT_OTHER: _overshoot_other,
    Defect.BACK_FACING: _back_facing,
    Defect.SKEW: _skew,
    Defect.STEEP: _steep,
    Defect.FOLD: _fold,
    Defect.SPLIT: _split,
}
# What is looked up for all groups at once.
_RULES_OF_ALL = {Defect.MISS_NOTHING: _nothing_there, Defect.UNSEEN: _unseen}
