"""What a bake through the cage records at every sample, and what is wrong with it.

Everything here is read off the layer table and the targets: changing the cage's distance needs
no new cast as long as the rays keep their lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from cagecheck.defects.fold import fold_ratio
from cagecheck.defects.kinds import Defect, Thresholds, main_defect
from cagecheck.defects.split import split_width
from cagecheck.defects.targets import Targets
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Floats, Ints, Surface
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
    measures : per defect (N,) float64 in the defect's unit, NaN where it does not apply.
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
    hit = recorded != NO_LAYER
    distance = _pick(layers.t, recorded, hit)
    masks, measures = _layer_defects(
        low, points, rays, layers, targets, recorded, surface.triangle_part, paired, depth
    )
    on_target = hit & (recorded == targets.layer)

    slant = slant_degrees(low, points, rays)
    # Height times the tangent of the slant, with height = |t| cos(slant): the hit's distance from
    # the sample measured in the plane of the low-poly face.
    slide = np.abs(distance) * np.sin(np.radians(slant))
    texels = low.texels_per_unit(map_size)[points.triangle]
    judged = np.where(texels > 0, slide * texels / limits.skew_texels, np.nan)
    without = slide / (limits.skew_share * part_diagonals(low)[low.triangle_part[points.triangle]])
    judged = np.where(texels > 0, judged, without)
    masks[Defect.SKEW] = on_target & (slant > limits.skew_degrees) & (judged > 1)
    measures[Defect.SKEW] = np.where(texels > 0, slide * texels, slide)

    lean = _lean_degrees(low, surface, points, layers, recorded, hit)
    masks[Defect.STEEP] = on_target & targets.front & (lean > limits.steep_degrees)
    measures[Defect.STEEP] = lean

    ratio = fold_ratio(low, cage, points)
    masks[Defect.FOLD] = ratio < 0
    measures[Defect.FOLD] = ratio

    height = np.where(np.isfinite(distance), distance, rays.start)
    width = split_width(low, cage, points, height)
    in_texels = np.where(texels > 0, width * texels, np.where(width > 0, np.inf, 0))
    masks[Defect.SPLIT] = in_texels > limits.split_texels
    measures[Defect.SPLIT] = np.where(texels > 0, width * texels, width)

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
    high_part: Ints,
    paired: Mask,
    depth: float,
) -> tuple[dict[Defect, Mask], dict[Defect, Floats]]:
    """Return masks and measures of the defects that compare recorded layer and target."""
    n = len(points)
    hit = recorded != NO_LAYER
    found = targets.found
    target_t = targets.t
    distance = _pick(layers.t, recorded, hit)
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
        Defect.BACK_FACING: np.where(hit & ~front, 180.0, np.nan),
    }
    return masks, measures


def slant_degrees(low: LowPoly, points: SurfacePoints, rays: Rays) -> Floats:
    """Return (N,) the angle between each ray and its low-poly face normal, degrees."""
    cosine = np.einsum("ij,ij->i", rays.direction, low.face_normals[points.triangle])
    out: Floats = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    return out


def _pick(values: Floats, index: NDArray[np.int64], valid: Mask) -> Floats:
    out = np.full(len(index), np.nan)
    out[valid] = values[index[valid]]
    return out


def hit_normals(surface: Surface, face: Ints) -> Floats:
    """Return (M, 3) unit normals of high-poly triangles; zero where one has no area."""
    out = np.empty((len(face), 3))
    _triangle_normals(surface.positions, surface.triangles, face, out)
    return out


@njit(cache=True, nogil=True)
def _triangle_normals(
    positions: NDArray[Any], triangles: NDArray[Any], face: Ints, out: Floats
) -> None:
    for m in range(len(face)):
        a, b, c = triangles[face[m], 0], triangles[face[m], 1], triangles[face[m], 2]
        ax = np.float64(positions[a, 0])
        ay = np.float64(positions[a, 1])
        az = np.float64(positions[a, 2])
        ux, uy, uz = positions[b, 0] - ax, positions[b, 1] - ay, positions[b, 2] - az
        vx, vy, vz = positions[c, 0] - ax, positions[c, 1] - ay, positions[c, 2] - az
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        length = np.sqrt(nx * nx + ny * ny + nz * nz)
        scale = 1.0 / length if length > 0.0 else 0.0
        out[m, 0], out[m, 1], out[m, 2] = nx * scale, ny * scale, nz * scale


def _lean_degrees(
    low: LowPoly,
    surface: Surface,
    points: SurfacePoints,
    layers: Layers,
    recorded: NDArray[np.int64],
    hit: Mask,
) -> Floats:
    out = np.full(len(points), np.nan)
    rows = np.flatnonzero(hit)
    corners = 3 * points.triangle[rows, None].astype(np.int64) + np.arange(3)
    shading = normalised(
        interpolate(low.shading_normals.reshape(-1, 3), corners, points.barycentric[rows])
    )
    normal = hit_normals(surface, layers.face[recorded[rows]])
    cosine = np.einsum("ij,ij->i", shading, normal)
    out[rows] = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    return out


def part_diagonals(low: LowPoly) -> Floats:
    """Return (parts,) bounding-box diagonals."""
    out = np.ones(len(low.part_names))
    for part in np.unique(low.triangle_part):
        p = low.positions[low.triangles[low.triangle_part == part].ravel()]
        out[part] = np.linalg.norm(p.max(axis=0) - p.min(axis=0)) or 1.0
    return out
