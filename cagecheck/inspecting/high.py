"""Cheap checks on a high poly of millions of triangles: one pass over its triangles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.finding import (
    PLACES_NAMED,
    Finding,
    Place,
    count_by_part,
    how_many,
    point,
)
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.normals import SLIVER_HEIGHT
from cagecheck.meshes.set_aside import EXTENT_ROUNDING, FLOAT32_STEP
from cagecheck.words.numbers import figures

# The area vectors of a closed part cancel. What is left of one with a hole is the hole's own
# area: below this share of the part's area the sign of the volume can be trusted.
CLOSED_SHARE = 1e-3
# As for shells of the low poly: a smaller volume against area^1.5 is a sheet, not an inside.
VOLUME_ROUNDING = 1e-6


@dataclass(frozen=True, eq=False)
class PartMeasures:
    """Measures of every part of a high poly.

    Attributes
    ----------
    triangles : (K,) int64. area : (K,) square units.
    volume : (K,) signed, from the box's centre; the volume inside where the part is closed.
    open_share : (K,) length of the summed area vectors over the area, 0 for a closed part.
    low, high : (K, 3) box of the triangles, NaN for an empty part.
    flat : (Z,) int64, triangles without area, by the rule of `set_aside` for the whole surface.
    """

    triangles: NDArray[np.int64]
    area: Floats
    volume: Floats
    open_share: Floats
    low: Floats
    high: Floats
    flat: NDArray[np.int64]


def measure_parts(surface: Surface) -> PartMeasures:
    """Measure every part in one pass; memory stays small beside the surface itself."""
    count = len(surface.part_names)
    centre, rounding = np.zeros(3), 0.0
    if len(surface.positions):
        least = surface.positions.min(axis=0).astype(np.float64)
        most = surface.positions.max(axis=0).astype(np.float64)
        centre = 0.5 * (least + most)
        rounding = EXTENT_ROUNDING * float(np.linalg.norm(most - least))
    step = FLOAT32_STEP if surface.positions.dtype == np.float32 else 0.0
    number, area, six_volume, vector, low, high, is_flat = _measure(
        surface.positions, surface.triangles, surface.triangle_part, count, centre, rounding, step
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(area > 0, np.linalg.norm(vector, axis=1) / area, 1.0)
    low[number == 0] = high[number == 0] = np.nan
    return PartMeasures(number, area, six_volume / 6, share, low, high, np.flatnonzero(is_flat))


@njit(cache=True, nogil=True)
def _measure(  # type: ignore[no-untyped-def]
    positions: NDArray[Any],
    triangles: NDArray[Any],
    part: NDArray[np.int32],
    count: int,
    centre: Floats,
    rounding: float,
    step: float,
):
    number = np.zeros(count, np.int64)
    area, volume = np.zeros(count), np.zeros(count)
    vector = np.zeros((count, 3))
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    is_flat = np.zeros(len(triangles), np.bool_)
    corner = np.empty((3, 3))
    sliver = SLIVER_HEIGHT
    for t in range(len(triangles)):
        k = part[t]
        number[k] += 1
        size = 0.0
        for i in range(3):
            for x in range(3):
                value = np.float64(positions[triangles[t, i], x])
                low[k, x] = min(low[k, x], value)
                high[k, x] = max(high[k, x], value)
                size = max(size, abs(value))
                corner[i, x] = value - centre[x]
        ux, uy, uz = corner[1] - corner[0]
        vx, vy, vz = corner[2] - corner[0]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        doubled = np.sqrt(nx * nx + ny * ny + nz * nz)
        wx, wy, wz = vx - ux, vy - uy, vz - uz
        longest2 = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz)
        longest2 = max(longest2, wx * wx + wy * wy + wz * wz)
        limit = max(rounding, step * size)
        is_flat[t] = doubled <= max(sliver * longest2, limit * np.sqrt(longest2))
        area[k] += 0.5 * doubled
        vector[k, 0] += 0.5 * nx
        vector[k, 1] += 0.5 * ny
        vector[k, 2] += 0.5 * nz
        volume[k] += corner[0, 0] * nx + corner[0, 1] * ny + corner[0, 2] * nz
    return number, area, volume, vector, low, high, is_flat


def part_ways(measures: PartMeasures) -> Floats:
    """Return (K,) 1 for closed parts that face out, -1 for those that face in, 0 for others."""
    closed = measures.open_share < CLOSED_SHARE
    solid = np.abs(measures.volume) > VOLUME_ROUNDING * measures.area**1.5
    out: Floats = np.where(closed & solid, np.sign(measures.volume), 0.0)
    return out


def high_findings(surface: Surface, measures: PartMeasures) -> list[Finding]:
    """Find parts and triangles without area, and closed parts turned inside out."""
    found = [one for one in [_without_area(surface, measures)] if one is not None]
    if len(measures.flat):
        found.append(_flat(surface, measures))
    inverted = np.flatnonzero(part_ways(measures) < 0)
    if len(inverted):
        found.append(_inverted(surface, measures, inverted))
    return found


def _without_area(surface: Surface, measures: PartMeasures) -> Finding | None:
    parts = np.flatnonzero((measures.area == 0) & (measures.triangles > 0))
    if len(parts) == 0:
        return None
    return Finding(
        CHECKS["high-no-area"],
        len(parts),
        f"{how_many(len(parts), 'parts')} of points and lines only.",
        side="high",
        places=tuple(
            Place(part=surface.part_names[k], position=point(measures.low[k]))
            for k in parts[:PLACES_NAMED]
        ),
        by_part={surface.part_names[k]: 1 for k in parts},
        faces=np.flatnonzero(np.isin(surface.triangle_part, parts)).astype(np.int32),
    )


def _flat(surface: Surface, measures: PartMeasures) -> Finding:
    flat = measures.flat
    places = tuple(
        Place(
            part=surface.part_names[surface.triangle_part[t]],
            faces=(int(t),),
            position=point(surface.positions[surface.triangles[t, 0]].astype(np.float64)),
        )
        for t in flat[:PLACES_NAMED]
    )
    share = len(flat) / surface.triangle_count
    return Finding(
        CHECKS["high-zero-area"],
        len(flat),
        f"{how_many(len(flat), 'triangles')} ({figures(100 * share, 2)} %) without area.",
        side="high",
        places=places,
        by_part=count_by_part(surface.triangle_part[flat], surface.part_names),
        measures={"share": share},
        faces=flat.astype(np.int32),
    )


def _inverted(surface: Surface, measures: PartMeasures, parts: NDArray[np.integer[Any]]) -> Finding:
    parts = parts[np.argsort(-measures.area[parts], kind="stable")]
    places = tuple(
        Place(
            part=surface.part_names[k],
            faces=(int(np.argmax(surface.triangle_part == k)),),
            position=point(0.5 * (measures.low[k] + measures.high[k])),
            measure=float(-measures.volume[k]),
            note=how_many(int(measures.triangles[k]), "triangles"),
        )
        for k in parts[:PLACES_NAMED]
    )
    return Finding(
        CHECKS["high-inverted"],
        len(parts),
        f"{how_many(len(parts), 'parts')} with a negative volume.",
        side="high",
        places=places,
        by_part={surface.part_names[k]: 1 for k in parts},
        measures={"largest_volume": float(-measures.volume[parts].min())},
        faces=np.flatnonzero(np.isin(surface.triangle_part, parts)).astype(np.int32),
    )
