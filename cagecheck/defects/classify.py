"""What a bake through the cage records at every sample, and what is wrong with it.

Everything here is read off the layer table and the targets: changing the cage's distance needs
no new cast as long as the rays keep their lines. `cagecheck.defects.rule` says which defects a
sample has; here stands what the rule asks for, and how bad each defect is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import angle_degrees, blend, corners, row, unit
from cagecheck.defects.blocks import in_blocks
from cagecheck.defects.fold import fold_ratio
from cagecheck.defects.kinds import Defect, Thresholds
from cagecheck.defects.rule import Known, judge, room_for, skew_scale, slide_of
from cagecheck.defects.split import split_slope, wedge_slope
from cagecheck.defects.targets import Targets
from cagecheck.loops import njit
from cagecheck.meshes.facets import unit_normal
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.cage import Cage, Rays
from cagecheck.rays.layers import NO_LAYER, Layers, recorded_of
from cagecheck.rays.points import SurfacePoints

Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Findings:
    """What is recorded and what is wrong, per sample.

    Attributes
    ----------
    recorded : (N,) int64 index into the layer table, `NO_LAYER` for a miss.
    hit_distance : (N,) float64, t of the recorded crossing, NaN for a miss.
    flags : (N,) uint16, bit ``1 << defect``.
    main : (N,) uint8, the main defect or `CLEAN`.
    measures : per defect (N,) float64 in the defect's unit, NaN where it does not apply; texels
        are world units on triangles without UVs.
    slant : (N,) float64, angle between ray and low-poly face normal, degrees.
    slide : (N,) float64, sideways slide of the recorded hit in the plane of the low-poly face,
        world units.
    lean : (N,) float64, angle between shading and recorded normal, degrees.
    """

    recorded: NDArray[np.int64]
    hit_distance: Floats
    flags: NDArray[np.uint16]
    main: NDArray[np.uint8]
    measures: dict[Defect, Floats]
    slant: Floats
    slide: Floats
    lean: Floats

    def has(self, defect: Defect) -> Mask:
        """Return (N,) bool, the samples with this defect."""
        out: Mask = (self.flags & defect.flag) != 0
        return out


def classify(
    low: LowPoly,
    surface: Surface,
    cage: Cage,
    points: SurfacePoints,
    rays: Rays,
    layers: Layers,
    targets: Targets,
    paired: Mask,
    *,
    depth: float,
    map_size: int,
    thresholds: Thresholds | None = None,
) -> Findings:
    """Classify every sample by the table in `cagecheck.defects.kinds`.

    depth : how far below the low poly the bake looks, world units, at most the table's depth.
    map_size : side of the square maps in texels; the slide is judged in texels where UVs exist.
    """
    limits = thresholds or Thresholds()
    n = len(points)
    texels = low.texels_per_unit(map_size)[points.triangle]
    slope = wedge_slope(low, cage, points)
    ratio = fold_ratio(low, cage, points)
    own = np.zeros(len(layers.t), bool)
    measured = np.empty((_MEASURES, n))

    def measure(begin: int, end: int) -> None:
        _measure(
            begin, end, points.triangle, points.barycentric, rays.direction, rays.start,
            low.face_normals, low.shading_normals, low.triangle_part,
            surface.positions, surface.triangles, surface.triangle_part, paired,
            layers.first, layers.t, layers.face, layers.front, targets.t, slope, texels, depth,
            own, measured,
        )  # fmt: skip

    in_blocks(n, measure)
    known = Known(
        start=rays.start,
        first=layers.first,
        t=layers.t,
        front=layers.front,
        own=own,
        target=targets.layer,
        target_lean=measured[_LEAN],
        slant=measured[_SLANT],
        skew_scale=skew_scale(low, points.triangle, texels, limits),
        # The cage stays where it is: its shell is folded, or it is not.
        fold_from=np.where(ratio < 0, 0.0, np.inf),
        split_slope=split_slope(slope, texels),
    )
    judged = room_for(n)
    judge(known, limits, depth, judged)
    measures = {
        Defect.MISS_TIGHT: measured[_SHORT_OUT],
        Defect.MISS_NOTHING: measured[_APART],
        Defect.MISS_DEEP: measured[_SHORT_IN],
        Defect.OVERSHOOT_OWN: measured[_OVER],
        Defect.OVERSHOOT_OTHER: measured[_OVER],
        Defect.BACK_FACING: measured[_TURNED],
        Defect.SKEW: measured[_SLIDE_TEXELS],
        Defect.STEEP: measured[_LEAN],
        Defect.FOLD: ratio,
        Defect.SPLIT: measured[_WEDGE_TEXELS],
    }
    return Findings(
        judged.recorded, measured[_DISTANCE], judged.flags, judged.main, measures,
        measured[_SLANT], measured[_SLIDE], measured[_LEAN],
    )  # fmt: skip


# Rows of what is measured: of the recorded crossing its distance, of the ray its slant, and so on.
_DISTANCE, _SLANT, _SLIDE, _LEAN, _SHORT_OUT, _APART, _SHORT_IN, _OVER, _TURNED = range(9)
_SLIDE_TEXELS, _WEDGE_TEXELS, _MEASURES = 9, 10, 11


@njit(cache=True, nogil=True)
def _measure(
    begin: int, end: int, triangle: Any, barycentric: Floats, direction: Floats, start: Floats,
    face_normals: Floats, shading_normals: Floats, low_part: Any,
    positions: Any, triangles: Any, high_part: Any, paired: Any,
    first: Any, t: Floats, face: Any, front: Any, target_t: Floats, slope: Floats, texels: Floats,
    depth: float, own: Any, out: Floats,
) -> None:  # fmt: skip
    """Fill `out`, and `own` of the crossings that are recorded.

    Lengths in texels are world units on triangles without UVs. NaN is what there is none of: the
    distance of a miss, the normal of nothing.
    """
    for i in range(begin, end):
        f, along = triangle[i], row(direction, i)
        layer = recorded_of(first, t, i, start[i], depth)
        hit, distance, lean, turned = layer != NO_LAYER, np.nan, np.nan, np.nan
        if hit:
            distance = t[layer]
            own[layer] = paired[low_part[f], high_part[face[layer]]]
            normal = unit_normal(positions, triangles, face[layer])
            shading = blend(*corners(shading_normals, f), row(barycentric, i))
            lean = angle_degrees(unit(shading), normal)
            if not front[layer]:
                turned = angle_degrees(along, normal)
        slant = angle_degrees(along, row(face_normals, f))
        slide = slide_of(distance, slant)
        wedge = slope[i] * (distance if hit else start[i])
        wedge = wedge if wedge > 0.0 else 0.0
        per_unit = texels[i] if texels[i] > 0 else 1.0
        out[_DISTANCE, i] = distance
        out[_SLANT, i] = slant
        out[_SLIDE, i] = slide
        out[_LEAN, i] = lean
        out[_SHORT_OUT, i] = target_t[i] - start[i]
        out[_APART, i] = abs(distance)
        out[_SHORT_IN, i] = -depth - target_t[i]
        out[_OVER, i] = distance if np.isnan(target_t[i]) else distance - target_t[i]
        out[_TURNED, i] = turned
        out[_SLIDE_TEXELS, i] = slide * per_unit
        out[_WEDGE_TEXELS, i] = wedge * per_unit
