"""What a bake through the cage records at every sample, and what is wrong with it.

Everything here is read off the layer table and the targets: changing the cage's distance needs
no new cast as long as the rays keep their lines. `cagecheck.defects.rule` says which defects a
sample has; here stands what the rule asks for, and how bad each defect is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import COSINE_ROUNDING, Vector, angle_degrees, einsum_dot, row
from cagecheck.defects.fold import fold_ratios, may_fold, shell_of
from cagecheck.defects.kinds import Defect, Thresholds
from cagecheck.defects.measures import Measures, Recorded, shaded, slides
from cagecheck.defects.rule import Judged, Known, judge, room_for, skew_scale
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
    found : what is recorded, and how steep it is.
    flags : (N,) uint16, bit ``1 << defect``.
    main : (N,) uint8, the main defect or `CLEAN`.
    measures : per defect (N,) float64 in the defect's unit, NaN where it does not apply; texels
        are world units on triangles without UVs. Made as they are asked for, see `measure_at`.
    """

    found: Recorded
    flags: NDArray[np.uint16]
    main: NDArray[np.uint8]
    measures: Mapping[Defect, Floats]

    @property
    def recorded(self) -> NDArray[np.int64]:
        """(N,) int64 index into the layer table, `NO_LAYER` for a miss."""
        return self.found.layer

    @cached_property
    def hit_distance(self) -> Floats:
        """(N,) float64, t of the recorded crossing, NaN for a miss."""
        return self.found.distances()

    @cached_property
    def slant(self) -> Floats:
        """(N,) float64, angle between ray and low-poly face normal, degrees."""
        return self.found.slants()

    @cached_property
    def lean(self) -> Floats:
        """(N,) float64, angle between shading and recorded normal, degrees, NaN for a miss."""
        return self.found.leans()

    @cached_property
    def slide(self) -> Floats:
        """(N,) how far recorded hits slide sideways, in the plane of the low-poly face, units."""
        return slides(self.hit_distance, self.slant)

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
    per_unit = low.texels_per_unit(map_size)
    scale = skew_scale(low, np.arange(len(per_unit)), per_unit, limits)
    # Rays of a cage with one direction to a vertex never part.
    slope = wedge_slope(low, cage, points) if cage.positions is None else None
    shell, own = shell_of(low, cage), np.zeros(len(layers.t), bool)
    foldable = may_fold(shell, cage)
    judged = room_for(n)
    plain = _plain_below(limits.skew_degrees), _plain_below(limits.steep_degrees)

    def work(begin: int, end: int) -> None:
        here = slice(begin, end)
        triangle, place = points.triangle[here], points.barycentric[here]
        first = layers.first[begin : end + 1]
        slant, lean = np.empty(len(triangle)), np.empty(len(triangle))
        _measure(
            triangle, place, rays.direction[here], rays.start[here],
            low.face_normals, low.shading_normals, low.triangle_part,
            surface.positions, surface.triangles, surface.triangle_part, paired,
            first, layers.t, layers.face, depth, plain, own, slant, lean,
        )  # fmt: skip
        wedge = np.zeros(len(triangle)) if slope is None else slope[here]
        # The cage stays where it is: its shell is folded, or it is not.
        fold_from = np.full(len(triangle), np.inf)
        few = np.flatnonzero(foldable[triangle])
        ratio = fold_ratios(shell, low, cage, triangle[few], place[few])
        fold_from[few[ratio < 0]] = 0.0
        known = Known(
            start=rays.start[here],
            first=first,
            t=layers.t,
            front=layers.front,
            own=own,
            target=targets.layer[here],
            target_lean=lean,
            slant=slant,
            skew_scale=scale[triangle],
            fold_from=fold_from,
            split_slope=split_slope(wedge, per_unit[triangle]),
        )
        some = Judged(judged.recorded[here], judged.flags[here], judged.main[here])
        judge(known, limits, depth, some)

    in_blocks(n, work)
    found = Recorded(low, surface, points, rays, layers, judged.recorded)
    measures = Measures(found, cage, targets, depth, map_size)
    return Findings(found, judged.flags, judged.main, measures)


def _plain_below(limit: float) -> float:
    """Return the cosine above which an angle is plainly not above a limit in degrees."""
    return float(np.cos(np.radians(limit))) + COSINE_ROUNDING if limit >= 0 else np.inf


@njit(cache=True, nogil=True, makes_arrays=False)
def _measure(
    triangle: Any, barycentric: Floats, direction: Floats, start: Floats,
    face_normals: Floats, shading_normals: Floats, low_part: Any,
    positions: Any, triangles: Any, high_part: Any, paired: Any,
    first: Any, t: Floats, face: Any, depth: float, plain: tuple[float, float],
    own: Any, out_slant: Floats, out_lean: Floats,
) -> None:  # fmt: skip
    """Write how steep samples are and record, and `own` of the crossings that are recorded.

    Angles are asked for by the rule, which holds them against limits. Nearly all lie plainly below,
    which the cosine tells at less cost; they are written as 0. plain : cosines, see `_plain_below`.
    """
    for i in range(len(triangle)):
        f = triangle[i]
        layer = recorded_of(first, t, i, start[i], depth)
        out_lean[i] = np.nan
        if layer != NO_LAYER:
            own[layer] = paired[low_part[f], high_part[face[layer]]]
            normal = unit_normal(positions, triangles, face[layer])
            out_lean[i] = _angle_above(
                shaded(shading_normals, f, row(barycentric, i)), normal, plain[1]
            )
        out_slant[i] = _angle_above(row(direction, i), row(face_normals, f), plain[0])


@njit(cache=True, nogil=True, makes_arrays=False)
def _angle_above(a: Vector, b: Vector, plain: float) -> float:
    return 0.0 if einsum_dot(a, b) > plain else angle_degrees(a, b)
