"""The defects at other cage distances, small enough for a page.

A page cannot hold the layer table. What it shows is one defect per heat-map vertex, and as the cage
moves out this changes a few times at most: so it holds where. The rule is asked here, at every stop
of the slider (`cagecheck.defects.recolour`); the page only looks up.
"""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.defects.fold import fold_factor
from cagecheck.defects.recolour import Recolourer, Table, most_factor
from cagecheck.defects.rule import skew_scale
from cagecheck.defects.split import split_slope, wedge_slope
from cagecheck.predicting.record import layer_lean, map_size_of, single
from cagecheck.predicting.result import Prediction
from cagecheck.rays.layers import NO_LAYER
from cagecheck.report.content import Slide
from cagecheck.report.heatmap import HeatMap
from cagecheck.words.cage_distance import distance_words

# Stops from the low poly to the cage's own distance, and from there as far as rays were followed.
STOPS_BELOW, STOPS_BEYOND = 20, 30


def slide_of(prediction: Prediction, heat: HeatMap) -> Slide:
    """Return the defects of a heat map's vertices with the cage at every stop of the slider."""
    recolourer = Recolourer(
        _table(prediction, heat),
        float(prediction.settings.depth or 0.0),
        prediction.settings.thresholds,
    )
    most = most_factor(float(prediction.settings.reach or 0.0), prediction.rays.start)
    factors, own = stops(most, recolourer.touching)
    code, area = recolourer.at_all(factors)
    offset, label = prediction.settings.offset, prediction.cage.label
    words = [distance_words(float(f), label, offset, recolourer.touching) for f in factors]
    return Slide(factors, own, code, area, tuple(words), recolourer.touching)


def stops(most: float, touching: bool) -> tuple[Floats, int]:
    """Return the slider's stops from 0 to `most`, and which of them is the cage as it is."""
    if touching:
        return np.linspace(0.0, most, STOPS_BELOW + STOPS_BEYOND + 1), 0
    below = np.linspace(0.0, 1.0, STOPS_BELOW + 1)
    if most <= 1:
        return below, STOPS_BELOW
    beyond = most ** (np.arange(1, STOPS_BEYOND + 1) / STOPS_BEYOND)
    return np.concatenate([below, beyond]), STOPS_BELOW


def _table(prediction: Prediction, heat: HeatMap) -> Table:
    low, points, rays = prediction.low, prediction.points, prediction.rays
    layers, target = prediction.layers, prediction.targets.layer
    texels = low.texels_per_unit(map_size_of(prediction))[points.triangle]
    part = prediction.scene.surface.triangle_part[layers.face]
    # Of crossings that belong to no sample the normal does not matter.
    wanted = target[target != NO_LAYER]
    lean = np.zeros(len(layers.t), np.float32)
    lean[wanted] = layer_lean(prediction, wanted)
    return Table(
        start=rays.start,
        first=layers.first,
        t=layers.t,
        front=layers.front,
        own=prediction.paired[low.triangle_part[points.triangle[layers.ray]], part],
        lean=lean,
        target=target,
        slant=prediction.findings.slant,
        skew_scale=skew_scale(low, points.triangle, texels, prediction.settings.thresholds),
        fold_from=single(fold_factor(low, prediction.cage, points)),
        split_slope=single(split_slope(wedge_slope(low, prediction.cage, points), texels)),
        vertex_of_sample=heat.vertex_of_sample,
        heat_sample=heat.sample.astype(np.int32),
        area=points.area,
    )
