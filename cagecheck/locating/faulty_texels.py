"""The faulty texels of all maps, brought together on the low poly."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from cagecheck.arrays.mask_boxes import box_around
from cagecheck.defects.visible import HOLE_DEGREES
from cagecheck.locating.bake_reach import BakeReach
from cagecheck.locating.compare import Evidence, Fault, chosen_points
from cagecheck.locating.fault_regions import FaultyTexels
from cagecheck.locating.one_map import LocatedMap, TileRecord
from cagecheck.locating.patterns import grown_over
from cagecheck.locating.seam_check import seam_samples, seam_steps
from cagecheck.locating.variants import Variants
from cagecheck.locating.visible_faults import border_errors, texel_errors
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.points import join_points

# Unexplained texels this near to a broken seam are its doing.
SEAM_TEXELS = 6
# What padding may have made of a texel that was lost.
LOST_AS = (Fault.CLEAN, Fault.UNEXPLAINED, Fault.SKEW, Fault.NOISE, Fault.SEAM)
# Faulty texels of one kind this near to each other in the picture are one place.
JOIN_TEXELS = {Fault.SKEW: 6, Fault.UNEXPLAINED: 3, Fault.NOISE: 3}


def mark_seams(variants: Variants, located: list[LocatedMap]) -> list[LocatedMap]:
    """Tell unexplained texels at broken seams apart; views of one tile count once."""
    records = {m.record.tile: m.record for m in located if m.record is not None}
    sizes = {record.size for record in records.values()}
    out = list(located)
    for size in sorted(sizes):
        mine = {tile: record for tile, record in records.items() if record.size == size}
        steps = seam_steps(seam_samples(variants.low(variants.settings.quads), size), mine)
        broken = steps.broken(max(record.tolerance for record in mine.values()))
        for k, located_map in enumerate(out):
            record, fault = located_map.record, located_map.fault
            if record is None or fault is None or record.size != size:
                continue
            marks = np.zeros(fault.shape, bool)
            for side in range(2):
                rows = broken & (steps.samples.tile[:, side] == record.tile)
                marks[steps.samples.y[rows, side], steps.samples.x[rows, side]] = True
            if not marks.any():
                continue
            near = binary_dilation(marks, np.ones((3, 3), bool), iterations=SEAM_TEXELS)
            # Where paint crosses a seam, the paint is what broke it.
            near &= ~_painted(record, fault.shape)
            fault = fault.copy()
            fault[near & (fault == Fault.UNEXPLAINED)] = Fault.SEAM
            out[k] = replace(located_map, fault=fault)
    return out


def _painted(record: TileRecord, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    out = np.zeros(shape, bool)
    out.ravel()[record.key[(record.evidence & Evidence.PAINTED) > 0]] = True
    return out


def mark_lost(located: list[LocatedMap], reach: BakeReach) -> list[LocatedMap]:
    """Count what lies beyond the bake's own distances to the misses, as padding may have hid it.

    Also what is as near as a bend allows: nothing was recorded there, so it is off by more than
    flat ground allows because padding put a neighbour in its place.
    """
    out = list(located)
    for k, found in enumerate(located):
        record, fault = found.record, found.fault
        if record is None or fault is None:
            continue
        beyond = np.zeros(len(record.key), bool)
        with np.errstate(invalid="ignore"):
            if reach.depth is not None:
                beyond |= record.target < -reach.depth
            if reach.share is not None:
                beyond |= record.target > reach.share * record.start
        y, x = np.divmod(record.key, record.size)
        beyond &= np.isin(fault[y, x], LOST_AS)
        if beyond.any():
            fault = fault.copy()
            fault[y[beyond], x[beyond]] = Fault.MISSED
            out[k] = replace(found, fault=fault)
    return out


def faulty_texels(variants: Variants, located: list[LocatedMap]) -> FaultyTexels:
    """Collect the faulty texels of all maps with what `fault_regions` needs to know."""
    low = variants.low(variants.settings.quads)
    sets: list[dict[str, Any]] = []
    patch_base = 0
    for found in located:
        if found.record is None or found.fault is None:
            continue
        sets.append(_texels_of(variants, low, found, patch_base))
        patch_base += int(sets[-1]["patch"].max(initial=0)) + 1
        if found.padding is not None and found.padding.too_thin:
            sets.append(_padding_texels(variants, low, found, patch_base))
            patch_base += 1
    if not sets:
        sets = [_no_texels(low, located[0])]
    points = join_points([s["points"] for s in sets])
    joined = {name: np.concatenate([s[name] for s in sets]) for name in sets[0] if name != "points"}
    return FaultyTexels(points=points, positions=points.positions(low), **joined)


def _texels_of(
    variants: Variants, low: LowPoly, found: LocatedMap, patch_base: int
) -> dict[str, Any]:
    record, fault = found.record, found.fault
    assert record is not None and fault is not None
    points, x, y = chosen_points(low, record.tile, fault != Fault.CLEAN)
    covered = record.covered
    rows = record.rows(x, y)
    patch = np.zeros(fault.shape, np.int32)
    highest = 0
    for kind in np.unique(fault[y, x]):
        steps = JOIN_TEXELS.get(Fault(kind), 1)
        box = box_around(fault == kind, steps)
        labels = grown_over(fault[box] == kind, covered[box], steps)
        patch[box] = np.where(labels > 0, labels + highest, patch[box])
        highest += int(labels.max(initial=0))
    kind = fault[y, x]
    angle = record.angle[rows].astype(np.float64)
    measure = np.where(
        np.isin(kind, (Fault.OTHER_PART, Fault.OTHER_FOLD, Fault.TOO_DEEP, Fault.HIGH_MOVED)),
        np.abs(record.gap[rows]),
        angle,
    )
    if found.padding is not None:
        measure = np.where(kind == Fault.PADDING, float(found.padding.needed), measure)
    measure = np.where(np.isin(kind, (Fault.SKEW, Fault.ISLAND_MOVED)), record.slide[rows], measure)
    error = texel_errors(variants, found, points, x, y)
    missed = kind == Fault.MISSED
    error[missed] = np.maximum(error[missed], HOLE_DEGREES)
    n = len(points)
    return {
        "points": points,
        "tile": np.full(n, record.tile, np.int32),
        "x": x,
        "y": y,
        "error": error,
        "fault": kind,
        "measure": measure,
        "gap": record.gap[rows].astype(np.float64),
        "target": record.target[rows].astype(np.float64),
        "angle": angle,
        "other": record.other[rows],
        "patch": patch[y, x] + patch_base,
        "weight": np.ones(n),
        "evidence": record.evidence[rows],
    }


def _padding_texels(
    variants: Variants, low: LowPoly, found: LocatedMap, patch_base: int
) -> dict[str, Any]:
    """Return the island borders beside bare texels; each weighs as many as it should have fed."""
    record, padding = found.record, found.padding
    assert record is not None and padding is not None
    chosen = np.zeros(record.covered.shape, bool)
    chosen.ravel()[padding.starved] = True
    points, x, y = chosen_points(low, record.tile, chosen)
    n = len(points)
    nothing = np.full(n, np.nan)
    return {
        "points": points,
        "tile": np.full(n, record.tile, np.int32),
        "x": x,
        "y": y,
        "error": border_errors(variants, found, points, x, y),
        "fault": np.full(n, Fault.PADDING, np.uint8),
        "measure": np.full(n, float(padding.needed)),
        "gap": nothing,
        "target": nothing,
        "angle": nothing,
        "other": np.full(n, -1, np.int32),
        "patch": np.full(n, patch_base, np.int32),
        "weight": padding.missing[
            np.searchsorted(padding.starved, y.astype(np.int64) * record.size + x)
        ].astype(np.float64),
        "evidence": np.zeros(n, np.uint8),
    }


def _no_texels(low: LowPoly, found: LocatedMap) -> dict[str, Any]:
    none = np.zeros((8, 8), bool)
    points, x, y = chosen_points(low, found.reading.tile, none)
    names = ("measure", "gap", "target", "angle", "weight", "error")
    floats = {name: np.zeros(0) for name in names}
    ints = {name: np.zeros(0, np.int32) for name in ("tile", "other", "patch")}
    small = {name: np.zeros(0, np.uint8) for name in ("fault", "evidence")}
    return {"points": points, "x": x, "y": y, **small, **floats, **ints}
