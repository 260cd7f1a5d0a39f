"""The heat map of a prediction: its samples' findings laid on the low poly."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.kinds import PRECEDENCE, Defect
from cagecheck.errors import takes
from cagecheck.predicting.result import Prediction
from cagecheck.report.colours import defect_colours
from cagecheck.report.heatmap import MOST_VERTICES, NO_REGION, HeatMap, lay_lattice


def region_of_samples(prediction: Prediction) -> Ints:
    """Return (N,) int32: the number of the most harmful region of each sample, 0 for none."""
    out = np.full(len(prediction.points), NO_REGION, np.int32)
    for region in reversed(prediction.regions):
        if region.defect is not Defect.UNSEEN:
            out[region.samples] = region.number
    return out


@takes(prediction=Prediction)
def build_heat_map(prediction: Prediction, *, most_vertices: int = MOST_VERTICES) -> HeatMap:
    """Lay the samples' findings on a lattice over the low poly.

    Parameters
    ----------
    prediction : Prediction
        What `predict` returns.
    most_vertices : int, optional
        How fine the lattice is at most.
    """
    low, findings = prediction.low, prediction.findings
    rank = np.full(256, len(PRECEDENCE), np.int64)
    for k, defect in enumerate(PRECEDENCE):
        rank[defect] = k
    lattice = lay_lattice(low, prediction.points, rank[findings.main], most_vertices=most_vertices)
    return HeatMap(
        positions=lattice.positions,
        triangles=lattice.triangles,
        low_triangle=lattice.low_triangle,
        sample=lattice.sample,
        colours=defect_colours(findings.main[lattice.sample]),
        fields=_fields(prediction, lattice.sample),
        vertex_of_sample=lattice.vertex_of_sample,
    )


def _fields(prediction: Prediction, sample: NDArray[np.int64]) -> dict[str, NDArray[Any]]:
    findings, targets, rays = prediction.findings, prediction.targets, prediction.rays
    low, points = prediction.low, prediction.points

    def single(values: Floats) -> NDArray[np.float32]:
        return values[sample].astype(np.float32)

    return {
        "defect": findings.main[sample],
        "flags": findings.flags[sample],
        "region": region_of_samples(prediction)[sample],
        "part": low.triangle_part[points.triangle[sample]],
        "tile": low.tile[points.triangle[sample]],
        "start": single(rays.start),
        "hit_distance": single(findings.hit_distance),
        "target_distance": single(targets.t),
        "next_distance": single(targets.t_next),
        "slant_degrees": single(findings.slant),
        "slide": single(findings.slide),
        "lean_degrees": single(findings.lean),
        "visible_error": single(prediction.visible_error),
    }
