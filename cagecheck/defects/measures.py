"""How bad each defect is at a sample: worked out for the samples that are asked about.

Most samples have no defect, and of those that have one hardly any has another, so tables of every
measure at every sample would be made to be thrown away.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import angle_degrees, row
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
class Measures(Mapping[Defect, Floats]):
    """The measures of N classified samples, in the units of `KINDS`, NaN where they do not apply.

    Texels are world units on triangles without UVs. What was classified, and what is known of it:
    recorded : (N,) int64; hit_distance, slant, lean : (N,), see `Findings`.
    """

    low: LowPoly
    surface: Surface
    cage: Cage
    points: SurfacePoints
    rays: Rays
    layers: Layers
    targets: Targets
    depth: float
    map_size: int
    recorded: NDArray[np.int64]
    hit_distance: Floats
    slant: Floats
    lean: Floats

    def __getitem__(self, defect: Defect) -> Floats:
        return self.at(defect, np.arange(len(self.points)))

    def __iter__(self) -> Iterator[Defect]:
        return iter(_OF_SAMPLES)

    def __len__(self) -> int:
        return len(_OF_SAMPLES)

    def at(self, defect: Defect, rows: Rows) -> Floats:
        """Return the measure of one defect at some of the samples."""
        return _MEASURED[defect](self, rows)

    def _too_high(self, rows: Rows) -> Floats:
        return np.asarray(self.targets.t[rows] - self.rays.start[rows])

    def _apart(self, rows: Rows) -> Floats:
        return np.asarray(np.abs(self.hit_distance[rows]))

    def _too_deep(self, rows: Rows) -> Floats:
        return np.asarray(-self.depth - self.targets.t[rows])

    def _past_the_target(self, rows: Rows) -> Floats:
        distance, target = self.hit_distance[rows], self.targets.t[rows]
        return np.where(np.isnan(target), distance, distance - target)

    def _turned(self, rows: Rows) -> Floats:
        out = np.empty(len(rows))
        _turns(
            rows, self.recorded, self.layers.face, self.layers.front, self.rays.direction,
            self.surface.positions, self.surface.triangles, out,
        )  # fmt: skip
        return out

    def _slid(self, rows: Rows) -> Floats:
        return slides(self.hit_distance[rows], self.slant[rows]) * self._texels(rows)

    def _leans(self, rows: Rows) -> Floats:
        return np.asarray(self.lean[rows])

    def _folded(self, rows: Rows) -> Floats:
        points = self.points
        triangle, place = points.triangle[rows], np.take(points.barycentric, rows, axis=0)
        return fold_ratios(self._shell, self.low, self.cage, triangle, place)

    def _parted(self, rows: Rows) -> Floats:
        # A ray that records nothing parts from its neighbour as far as it starts.
        missed = self.recorded[rows] == NO_LAYER
        height = np.where(missed, self.rays.start[rows], self.hit_distance[rows])
        width = self._slope[rows] * height
        return np.where(width > 0.0, width, 0.0) * self._texels(rows)

    @cached_property
    def _shell(self) -> Shell:
        return shell_of(self.low, self.cage)

    @cached_property
    def _slope(self) -> Floats:
        return wedge_slope(self.low, self.cage, self.points)

    @cached_property
    def _per_unit(self) -> Floats:
        texels = self.low.texels_per_unit(self.map_size)
        return np.where(texels > 0, texels, 1.0)

    def _texels(self, rows: Rows) -> Floats:
        return np.asarray(self._per_unit[self.points.triangle[rows]])


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
