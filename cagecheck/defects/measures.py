"""What samples record, and how bad each defect is: worked out for those that are asked about.

Most samples have no defect, and of those that have one hardly any has another, so tables of every
measure at every sample would be made to be thrown away.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import Vector, angle_degrees, blend, corners, row, unit
from cagecheck.defects.fold import Shell, fold_ratios, shell_of
from cagecheck.defects.kinds import Defect
from cagecheck.defects.rule import slide_of
from cagecheck.defects.split import wedge_slope
from cagecheck.defects.targets import Targets
from cagecheck.loops import njit
from cagecheck.meshes.facets import unit_normal
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.cage import Cage, Rays
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints

Rows = NDArray[np.int64]
_OF_SAMPLES = tuple(defect for defect in Defect if defect is not Defect.UNSEEN)


@dataclass(frozen=True, eq=False)
class Recorded:
    """What N samples record of a cast.

    layer : (N,) int64 index into the layer table, `NO_LAYER` for a miss. points, rays : of the
    samples.
    """

    low: LowPoly
    surface: Surface
    points: SurfacePoints
    rays: Rays
    layers: Layers
    layer: Rows

    def take(self, rows: Rows) -> Recorded:
        """Return what some of the samples record."""
        return replace(
            self, points=self.points.take(rows), rays=self.rays.take(rows), layer=self.layer[rows]
        )

    def distances(self, rows: Rows | None = None) -> Floats:
        """Return (n,) t of what samples record, NaN for a miss; of all samples by default."""
        layer = self.layer if rows is None else self.layer[rows]
        out = np.full(len(layer), np.nan)
        hit = layer != NO_LAYER
        out[hit] = self.layers.t[layer[hit]]
        return out

    def slants(self, rows: Rows | None = None) -> Floats:
        """Return (n,) angles between rays and the faces' normals, degrees."""
        rows = np.arange(len(self.layer)) if rows is None else rows
        out = np.empty(len(rows))

        def turn(begin: int, end: int) -> None:
            _slants(
                rows[begin:end], self.points.triangle, self.rays.direction, self.low.face_normals,
                out[begin:end],
            )  # fmt: skip

        in_blocks(len(out), turn)
        return out

    def leans(self, rows: Rows | None = None) -> Floats:
        """Return (n,) angles between shading and recorded normals, degrees, NaN for a miss."""
        rows = np.arange(len(self.layer)) if rows is None else rows
        out = np.empty(len(rows))

        def lean(begin: int, end: int) -> None:
            _leans(
                rows[begin:end], self.layer, self.layers.face, self.points.triangle,
                self.points.barycentric, self.low.shading_normals, self.surface.positions,
                self.surface.triangles, out[begin:end],
            )  # fmt: skip

        in_blocks(len(out), lean)
        return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _slants(
    rows: Rows, triangle: Ints, direction: Floats, face_normals: Floats, out: Floats
) -> None:
    for m in range(len(rows)):
        i = rows[m]
        out[m] = angle_degrees(row(direction, i), row(face_normals, triangle[i]))


@njit(cache=True, nogil=True, makes_arrays=False)
def _leans(
    rows: Rows, layer: Rows, face: Ints, triangle: Ints, barycentric: Floats, shading: Floats,
    positions: NDArray[Any], triangles: NDArray[Any], out: Floats,
) -> None:  # fmt: skip
    for m in range(len(rows)):
        i = rows[m]
        out[m] = np.nan
        if layer[i] != NO_LAYER:
            normal = unit_normal(positions, triangles, face[layer[i]])
            out[m] = angle_degrees(shaded(shading, triangle[i], row(barycentric, i)), normal)


@njit(cache=True, nogil=True, makes_arrays=False)
def shaded(shading: Floats, f: int, barycentric: Vector) -> Vector:
    """Return the unit shading normal at a place on low triangle f; shading : (T, 3, 3)."""
    return unit(blend(*corners(shading, f), barycentric))


@dataclass(frozen=True, eq=False)
class Measures(Mapping[Defect, Floats]):
    """The measures of N classified samples, in the units of `KINDS`, NaN where they do not apply.

    Texels are world units on triangles without UVs. The rest is what was classified.
    """

    found: Recorded
    cage: Cage
    targets: Targets
    depth: float
    map_size: int

    def __getitem__(self, defect: Defect) -> Floats:
        return self.at(defect, np.arange(len(self.found.layer)))

    def __iter__(self) -> Iterator[Defect]:
        return iter(_OF_SAMPLES)

    def __len__(self) -> int:
        return len(_OF_SAMPLES)

    def at(self, defect: Defect, rows: Rows) -> Floats:
        """Return the measure of one defect at some of the samples."""
        return _MEASURED[defect](self, rows)

    def _too_high(self, rows: Rows) -> Floats:
        return np.asarray(self.targets.distances(rows) - self.found.rays.start[rows])

    def _apart(self, rows: Rows) -> Floats:
        return np.asarray(np.abs(self.found.distances(rows)))

    def _too_deep(self, rows: Rows) -> Floats:
        return np.asarray(-self.depth - self.targets.distances(rows))

    def _past_the_target(self, rows: Rows) -> Floats:
        distance, target = self.found.distances(rows), self.targets.distances(rows)
        return np.where(np.isnan(target), distance, distance - target)

    def _turned(self, rows: Rows) -> Floats:
        out, found = np.empty(len(rows)), self.found
        _turns(
            rows, found.layer, found.layers.face, found.layers.front, found.rays.direction,
            found.surface.positions, found.surface.triangles, out,
        )  # fmt: skip
        return out

    def _slid(self, rows: Rows) -> Floats:
        return slides(self.found.distances(rows), self.found.slants(rows)) * self._texels(rows)

    def _leans(self, rows: Rows) -> Floats:
        return self.found.leans(rows)

    def _folded(self, rows: Rows) -> Floats:
        points = self.found.points
        triangle, place = points.triangle[rows], np.take(points.barycentric, rows, axis=0)
        return fold_ratios(self._shell, self.found.low, self.cage, triangle, place)

    def _parted(self, rows: Rows) -> Floats:
        # A ray that records nothing parts from its neighbour as far as it starts.
        missed = self.found.layer[rows] == NO_LAYER
        height = np.where(missed, self.found.rays.start[rows], self.found.distances(rows))
        width = self._slope[rows] * height
        return np.where(width > 0.0, width, 0.0) * self._texels(rows)

    @cached_property
    def _shell(self) -> Shell:
        return shell_of(self.found.low, self.cage)

    @cached_property
    def _slope(self) -> Floats:
        return wedge_slope(self.found.low, self.cage, self.found.points)

    @cached_property
    def _per_unit(self) -> Floats:
        texels = self.found.low.texels_per_unit(self.map_size)
        return np.where(texels > 0, texels, 1.0)

    def _texels(self, rows: Rows) -> Floats:
        return np.asarray(self._per_unit[self.found.points.triangle[rows]])


_MEASURED = {
    Defect.MISS_TIGHT: Measures._too_high,
    Defect.MISS_NOTHING: Measures._apart,
    Defect.MISS_DEEP: Measures._too_deep,
    Defect.OVERSHOOT_OWN: Measures._past_the_target,
    Defect.OVERSHOOT_OTHER: Measures._past_the_target,
    Defect.BACK_FACING: Measures._turned,
    Defect.SKEW: Measures._slid,
    Defect.STEEP: Measures._leans,
    Defect.FOLD: Measures._folded,
    Defect.SPLIT: Measures._parted,
}


def measure_at(measures: Mapping[Defect, Floats], defect: Defect, rows: Rows) -> Floats:
    """Return the measure of one defect at some of the samples, from either kind of table."""
    if isinstance(measures, Measures):
        return measures.at(defect, rows)
    return measures[defect][rows]


def slides(distance: Floats, slant: Floats) -> Floats:
    """Return (n,) how far hits slide sideways, see `slide_of`; NaN for a miss."""
    out = np.empty(len(distance))
    _slides(distance, slant, out)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _slides(distance: Floats, slant: Floats, out: Floats) -> None:
    for i in range(len(out)):
        out[i] = slide_of(distance[i], slant[i])


@njit(cache=True, nogil=True, makes_arrays=False)
def _turns(
    rows: Rows, recorded: NDArray[np.int64], face: Ints, front: NDArray[np.bool_],
    direction: Floats, positions: NDArray[Any], triangles: NDArray[Any], out: Floats,
) -> None:  # fmt: skip
    """Write the angles between rays and the backs that they record, degrees."""
    for m in range(len(rows)):
        layer, out[m] = recorded[rows[m]], np.nan
        if layer != NO_LAYER and not front[layer]:
            normal = unit_normal(positions, triangles, face[layer])
            out[m] = angle_degrees(row(direction, rows[m]), normal)
