"""From a region to its likely cause and its cure, in words.

The sentences state what the layer table shows; a cure is a proposal until a new cast confirms it
(`cagecheck tune` does that for offsets).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.classify import Findings
from cagecheck.defects.kinds import Defect
from cagecheck.defects.regions import Group, worst_measure
from cagecheck.defects.rims import rim_within
from cagecheck.defects.targets import Targets
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Floats, Surface
from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints

# When more of a part than this finds nothing, the whole part is the problem, not a place on it.
WHOLE_PART = 0.5
# A border of the high poly this near to a region's rim (in region radii) is the rim of a hole.
RIM_RADII = 1.5


# Cause, cure, other part.
Words = tuple[str, str, str | None]


@dataclass(frozen=True, eq=False)
class Scan:
    """All that one prediction knows, for the functions that explain it."""

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


def explain(scan: Scan, groups: list[Group]) -> list[Words]:
    """Return (cause, cure, other part) of every group of samples."""
    missing = [k for k, group in enumerate(groups) if group.defect == Defect.MISS_NOTHING]
    nothing = dict(zip(missing, _nothing_there(scan, [groups[k] for k in missing]), strict=True))
    return [
        nothing[k] if k in nothing else _RULES[group.defect](scan, group)
        for k, group in enumerate(groups)
    ]


def _finite(values: Floats, fallback: float = 0.0) -> Floats:
    kept = values[np.isfinite(values)]
    return kept if len(kept) else np.array([fallback])


def _length(value: float) -> str:
    return f"{value:.4g}"


def _too_tight(scan: Scan, group: Group) -> Words:
    short = worst_measure(group, scan.findings.measures) or 0.0
    need = float(_finite(scan.targets.t[group.samples]).max())
    room = float(scan.targets.t_next[group.samples].min())
    cause = f"the surface here rises to {_length(need)} but rays start {_length(short)} lower"
    cure = f"raise the offset here above {_length(need)}"
    if room <= need:
        other, name = _neighbour(scan, group)
        cure += (
            f"; another layer ({name}) begins at {_length(room)} within the same region, so one "
            "value will not do: tune per vertex, or split the parts"
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
        return (
            f"no high-poly part is paired with {name}",
            "name a partner (see the pairing table; --pair gives the naming rule), or export the "
            "missing part",
            None,
        )
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
        f"the surface lies {_length(deepest)} below the low poly, rays look {_length(scan.depth)}",
        f"raise the depth to more than {_length(deepest)}, or pull the low poly in here",
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
    need, room = float(_finite(lower).max()), float(upper.min())
    if not np.isfinite(lower).any():
        return "no surface of its own lies here, so no offset can record one"
    if need < room:
        return f"keep the offset here between {_length(max(need, 0))} and {_length(room)}"
    clash = float(np.mean(lower >= upper))
    if clash > 0:
        return "the surfaces touch or cross here, so no offset separates them"
    return (
        f"no single value fits the whole region (it needs {_length(need)}, the neighbour begins at "
        f"{_length(room)}): tune per vertex"
    )


def _overshoot_own(scan: Scan, group: Group) -> Words:
    gap = float(_finite(scan.targets.t_next[group.samples]).min())
    return (
        f"the cage pokes through a neighbouring fold of {_recorded_part(scan, group)}, "
        f"{_length(gap)} away at the nearest",
        f"{_corridor_words(scan, group)}; or split the part here and bake the pieces apart",
        _recorded_part(scan, group),
    )


def _overshoot_other(scan: Scan, group: Group) -> Words:
    other = _recorded_part(scan, group)
    return (
        f"rays record {other} instead of this part's own surface",
        f"bake each pair by itself (--apart shows what that gives), or "
        f"{_corridor_words(scan, group)}",
        other,
    )


def _back_facing(scan: Scan, group: Group) -> Words:
    # Another face at the very same distance means doubled faces, not one flipped patch.
    same = scan.targets.t_next[group.samples] == scan.targets.t[group.samples]
    if np.mean(same) > 0.5:
        return (
            "the high poly has doubled faces here, one of them turned inside out",
            "delete the doubled faces",
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
        "straighten the rays here, add an edge loop near the hard change, or bring the low poly "
        "nearer to the high poly",
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


def _unseen(scan: Scan, group: Group) -> Words:
    return (
        "this high-poly surface is hidden from the rays (an undercut, a pocket, or above the cage)",
        "open the shape up, model it in the low poly, or accept the loss",
        None,
    )


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
    Defect.UNSEEN: _unseen,
}
