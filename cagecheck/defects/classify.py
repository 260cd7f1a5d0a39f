"""What a bake through the cage records at every sample, and what is wrong with it.

Everything here is read off the layer table and the targets: changing the cage's distance needs
no new cast as long as the rays keep their lines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.fold import fold_ratio
from cagecheck.defects.kinds import Defect, Thresholds, main_defect
from cagecheck.defects.split import split_width
from cagecheck.defects.targets import Targets
from cagecheck.meshes.facets import hit_normals
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.normals import normalised
from cagecheck.rays.cage import Cage, Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints, interpolate

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
    recorded = layers.recorded(rays.start, depth)
    normal = _recorded_normals(surface, layers, recorded)
    masks, measures = _layer_defects(
        low, points, rays, layers, targets, recorded, normal, surface.triangle_part, paired, depth
    )
    distance = _pick(layers.t, recorded)
    texels = low.texels_per_unit(map_size)[points.triangle]
    on_target = (recorded != NO_LAYER) & (recorded == targets.layer)

    slant = slant_degrees(low, points, rays)
    # Height times the tangent of the slant, with height = |t| cos(slant): the hit's distance from
    # the sample measured in the plane of the low-poly face.
    slide = np.abs(distance) * np.sin(np.radians(slant))
    size = part_sizes(low)[low.triangle_part[points.triangle]]
    most = np.divide(limits.skew_texels, texels, out=limits.skew_share * size, where=texels > 0)
    masks[Defect.SKEW] = on_target & (slant > limits.skew_degrees) & (slide > most)
    measures[Defect.SKEW] = _in_texels(slide, texels)

    lean = _angle_degrees(_shading_normals(low, points), normal)
    masks[Defect.STEEP] = on_target & targets.front & (lean > limits.steep_degrees)
    measures[Defect.STEEP] = lean

    ratio = fold_ratio(low, cage, points)
    masks[Defect.FOLD] = ratio < 0
    measures[Defect.FOLD] = ratio

    width = split_width(low, cage, points, np.where(np.isfinite(distance), distance, rays.start))
    # Without UVs there are no texels to hide a wedge in: any width is too wide.
    masks[Defect.SPLIT] = width * texels > np.where(texels > 0, limits.split_texels, -1)
    masks[Defect.SPLIT] &= width > 0
    measures[Defect.SPLIT] = _in_texels(width, texels)

    flags = np.zeros(len(points), np.uint16)
    for defect, mask in masks.items():
        flags[mask] |= defect.flag
    return Findings(recorded, distance, flags, main_defect(flags), measures, slant, slide, lean)


def _layer_defects(
    low: LowPoly,
    points: SurfacePoints,
    rays: Rays,
    layers: Layers,
    targets: Targets,
    recorded: NDArray[np.int64],
    normal: Floats,
    high_part: Ints,
    paired: Mask,
    depth: float,
) -> tuple[dict[Defect, Mask], dict[Defect, Floats]]:
    """Return masks and measures of the defects that compare recorded layer and target."""
    n = len(points)
    hit = recorded != NO_LAYER
    found = targets.found
    target_t = targets.t
    distance = _pick(layers.t, recorded)
    part = np.full(n, -1, np.int64)
    part[hit] = high_part[layers.face[recorded[hit]]]
    own = np.zeros(n, bool)
    own[hit] = paired[low.triangle_part[points.triangle[hit]], part[hit]]
    front = np.zeros(n, bool)
    front[hit] = layers.front[recorded[hit]]

    with np.errstate(invalid="ignore"):
        too_tight = found & (target_t > rays.start)
        above = hit & found & ~too_tight & (recorded > targets.layer)
        too_deep = found & ~too_tight & ~above & (target_t < -depth)
        # Without a target whatever is recorded is wrong: below the low poly the ray went through
        # a hole and saw the far side, above it the cage pokes into something.
        poking = hit & ~found & (distance > 0)
    overshoot = above | poking
    nothing = ~found & ~poking
    on_target = hit & found & (recorded == targets.layer)
    over = np.where(found, distance - target_t, distance)
    masks = {
        Defect.MISS_TIGHT: too_tight,
        Defect.MISS_NOTHING: nothing,
        Defect.MISS_DEEP: too_deep,
        Defect.OVERSHOOT_OWN: overshoot & own,
        Defect.OVERSHOOT_OTHER: overshoot & ~own,
        Defect.BACK_FACING: on_target & ~front,
    }
    measures = {
        Defect.MISS_TIGHT: target_t - rays.start,
        Defect.MISS_NOTHING: np.abs(distance),
        Defect.MISS_DEEP: -depth - target_t,
        Defect.OVERSHOOT_OWN: over,
        Defect.OVERSHOOT_OTHER: over,
        Defect.BACK_FACING: np.where(front, np.nan, _angle_degrees(rays.direction, normal)),
    }
    return masks, measures


def slant_degrees(low: LowPoly, points: SurfacePoints, rays: Rays) -> Floats:
    """Return (N,) the angle between each ray and its low-poly face normal, degrees."""
    return _angle_degrees(rays.direction, low.face_normals[points.triangle])


def _angle_degrees(a: Floats, b: Floats) -> Floats:
    """Return (N,) angles between unit rows; NaN where a row is NaN."""
    cosine = np.einsum("ij,ij->i", a, b)
    out: Floats = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    return out


def _in_texels(length: Floats, texels_per_unit: Floats) -> Floats:
    """Return lengths in texels, in world units where there are no texels."""
    out: Floats = np.where(texels_per_unit > 0, length * texels_per_unit, length)
    return out


def _pick(values: Floats, index: NDArray[np.int64]) -> Floats:
    """Return the rows of `values` at `index`, NaN for `NO_LAYER`."""
    out = np.full((len(index), *values.shape[1:]), np.nan)
    valid = index != NO_LAYER
    out[valid] = values[index[valid]]
    return out


def _recorded_normals(surface: Surface, layers: Layers, recorded: NDArray[np.int64]) -> Floats:
    """Return (N, 3) unit normals of the recorded triangles, NaN for a miss."""
    out = np.full((len(recorded), 3), np.nan)
    hit = recorded != NO_LAYER
    out[hit] = hit_normals(surface, layers.face[recorded[hit]])
    return out


def _shading_normals(low: LowPoly, points: SurfacePoints) -> Floats:
    """Return (N, 3) unit: the corner normals interpolated over each triangle."""
    corners = 3 * points.triangle[:, None].astype(np.int64) + np.arange(3)
    return normalised(interpolate(low.shading_normals.reshape(-1, 3), corners, points.barycentric))


def part_sizes(low: LowPoly) -> Floats:
    """Return (parts,) the side of a square as large as each part, world units; 1 without area.

    With UVs that fill a tile, this long is as much as the map is wide. Unlike a bounding box's
    diagonal it does not depend on how the part is turned.
    """
    area = np.bincount(low.triangle_part, weights=low.area, minlength=len(low.part_names))
    out: Floats = np.where(area > 0, np.sqrt(area), 1.0)
    return out
