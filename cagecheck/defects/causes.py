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


def explain(scan: Scan, group: Group) -> tuple[str, str, str | None]:
    """Return (cause, cure, other part) of a group of samples."""
    if group.defect == Defect.MISS_NOTHING:
        return _nothing_there(scan, group)
    return _RULES[group.defect](scan, group)


def _finite(values: Floats, fallback: float = 0.0) -> Floats:
    kept = values[np.isfinite(values)]
    return kept if len(kept) else np.array([fallback])


def _length(value: float) -> str:
    return f"{value:.4g}"


def _too_tight(scan: Scan, group: Group) -> tuple[str, str, str | None]:
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


def _nothing_there(scan: Scan, group: Group) -> tuple[str, str, str | None]:
    part = group.part
    name = scan.low.part_names[part]
    if not scan.paired[part].any():
        return (
            f"no high-poly part is paired with {name}",
            "name a partner (see the pairing table; --pair gives the naming rule), or export the "
            "missing part",
            None,
        )
    mine = scan.low.triangle_part[scan.points.triangle] == part
    if np.mean(~scan.targets.found[mine]) > WHOLE_PART:
        return (
            f"most of {name} finds no surface of its own: low and high do not lie on each other",
            "check that both were exported with the same place, scale and axes",
            None,
        )
    if _rim_near(scan, group):
        return (
            "the high poly has a hole here",
            "close the hole in the high poly; no offset can record what is not there",
            None,
        )
    below = _hits_far_side(scan, group)
    if below:
        return (
            "the low poly sticks out beyond the high poly: rays pass it and reach the far side",
            "pull the low poly in here, or extend the high poly",
            None,
        )
    return (
        "the low poly sticks out where the high poly ends",
        "pull the low poly in here, or extend the high poly",
        None,
    )


def _hits_far_side(scan: Scan, group: Group) -> bool:
    return bool(np.mean(scan.findings.recorded[group.samples] != NO_LAYER) > 0.5)


def _rim_near(scan: Scan, group: Group) -> bool:
    """Tell whether open edges of the paired high parts run around the group's place."""
    parts = scan.paired[group.part]
    centre, radius = group.centroid, RIM_RADII * group.radius + scan.depth
    return len(open_border_near(scan.surface, parts, centre, radius)) > 0


def open_border_near(
    surface: Surface, parts: NDArray[np.bool_], centre: Floats, radius: float
) -> Floats:
    """Return the (B, 3) midpoints of open edges of some parts within a ball.

    An edge is open when only one triangle has it, by position (split vertices count as one).
    """
    near = np.zeros(len(surface.positions), bool)
    for a in range(0, len(near), 1 << 20):
        block = surface.positions[a : a + (1 << 20)].astype(np.float64) - centre
        near[a : a + (1 << 20)] = np.einsum("ij,ij->i", block, block) <= (1.5 * radius) ** 2
    rows = np.flatnonzero(near[surface.triangles].any(axis=1) & parts[surface.triangle_part])
    if len(rows) == 0:
        return np.zeros((0, 3))
    triangles = surface.triangles[rows]
    used, local = np.unique(triangles, return_inverse=True)
    place = surface.positions[used].astype(np.float64)
    _, weld = np.unique(place, axis=0, return_inverse=True)
    welded = weld.ravel()[local.reshape(-1, 3)]
    a, b = welded.ravel(), np.roll(welded, -1, axis=1).ravel()
    key = np.minimum(a, b).astype(np.int64) * len(used) + np.maximum(a, b)
    _, first, count = np.unique(key, return_index=True, return_counts=True)
    half = first[count == 1]
    corners = local.reshape(-1, 3)
    p, q = place[corners.ravel()[half]], place[np.roll(corners, -1, axis=1).ravel()[half]]
    middle = 0.5 * (p + q)
    # Triangles at the rim of the ball have neighbours outside the selection.
    out: Floats = middle[np.linalg.norm(middle - centre, axis=1) <= radius]
    return out


def _too_deep(scan: Scan, group: Group) -> tuple[str, str, str | None]:
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


def _overshoot_own(scan: Scan, group: Group) -> tuple[str, str, str | None]:
    gap = float(_finite(scan.targets.t_next[group.samples]).min())
    return (
        f"the cage pokes through a neighbouring fold of {_recorded_part(scan, group)}, "
        f"{_length(gap)} away at the nearest",
        f"{_corridor_words(scan, group)}; or split the part here and bake the pieces apart",
        _recorded_part(scan, group),
    )


def _overshoot_other(scan: Scan, group: Group) -> tuple[str, str, str | None]:
    other = _recorded_part(scan, group)
    return (
        f"rays record {other} instead of this part's own surface",
        f"bake each pair by itself (--apart shows what that gives), or "
        f"{_corridor_words(scan, group)}",
        other,
    )


def _back_facing(scan: Scan, group: Group) -> tuple[str, str, str | None]:
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


def _skew(scan: Scan, group: Group) -> tuple[str, str, str | None]:
    slant = float(scan.findings.slant[group.samples].max())
    return (
        f"rays lean up to {slant:.0f} degrees from the low-poly face, so detail at a height slides "
        "sideways",
        "straighten the rays here, add an edge loop near the hard change, or bring the low poly "
        "nearer to the high poly",
        None,
    )


def _steep(scan: Scan, group: Group) -> tuple[str, str, str | None]:
    lean = float(_finite(scan.findings.lean[group.samples]).max())
    return (
        f"recorded normals lean up to {lean:.0f} degrees from the shading normal",
        "give the low poly more shape here, or bake to 16 bits; expect banding in 8 bits and mip "
        "levels",
        None,
    )


def _fold(scan: Scan, group: Group) -> tuple[str, str, str | None]:
    return (
        "the cage folds over in this concave corner, so neighbouring rays cross",
        "lower the offset here, or straighten the rays",
        None,
    )


def _split(scan: Scan, group: Group) -> tuple[str, str, str | None]:
    return (
        "rays follow split normals and part at this hard edge",
        "average the cage's normals here (keep the low poly's shading as it is)",
        None,
    )


def _unseen(scan: Scan, group: Group) -> tuple[str, str, str | None]:
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
