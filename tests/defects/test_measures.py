"""Measures of defects, worked out for some samples: they are what their definitions say."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.defects.fold import fold_ratio
from cagecheck.defects.kinds import Defect
from cagecheck.defects.measures import Measures, measure_at
from cagecheck.defects.split import wedge_slope
from cagecheck.meshes.facets import hit_normals
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings


@pytest.fixture(scope="module")
def parted(demo_prediction: Prediction) -> Prediction:
    """The demo through a cage that opens at hard edges, where rays can split."""
    few = Settings(samples=20_000, unseen_points=0, offset=0.02, depth=0.02, directions="corner")
    return predict(demo_prediction.low, demo_prediction.scene, settings=few)


def defined(result: Prediction, defect: Defect) -> np.ndarray:
    """The measure of every sample, from its definition in the table of defects."""
    depth, _ = result.settings.depth_and_reach()
    recorded, target, start = result.findings.recorded, result.targets.t, result.rays.start
    hit = recorded >= 0
    distance = np.where(hit, result.layers.t[recorded], np.nan)
    face, front = result.layers.face[recorded], result.layers.front[recorded]
    texels = result.low.texels_per_unit(result.settings.map_size)[result.points.triangle]
    texels = np.where(texels > 0, texels, 1.0)
    ray, flat = result.rays.direction, result.low.face_normals[result.points.triangle]
    if defect is Defect.MISS_TIGHT:
        return target - start
    if defect is Defect.MISS_NOTHING:
        return np.abs(distance)
    if defect is Defect.MISS_DEEP:
        return -depth - target
    if defect in (Defect.OVERSHOOT_OWN, Defect.OVERSHOOT_OTHER):
        return distance - np.where(np.isnan(target), 0.0, target)
    if defect is Defect.BACK_FACING:
        cosine = (hit_normals(result.scene.surface, face) * ray).sum(axis=1)
        return np.where(hit & ~front, np.degrees(np.arccos(np.clip(cosine, -1, 1))), np.nan)
    if defect is Defect.SKEW:
        across = ray - (ray * flat).sum(axis=1)[:, None] * flat
        return np.abs(distance) * np.linalg.norm(across, axis=1) * texels
    if defect is Defect.STEEP:
        return result.findings.lean
    if defect is Defect.FOLD:
        return fold_ratio(result.low, result.cage, result.points)
    height = np.where(hit, distance, start)
    return np.maximum(wedge_slope(result.low, result.cage, result.points) * height, 0.0) * texels


def test_measures_are_what_the_table_says(demo_prediction: Prediction, parted: Prediction) -> None:
    for result in (demo_prediction, parted):
        measures = result.findings.measures
        assert isinstance(measures, Measures) and Defect.UNSEEN not in measures
        assert len(measures) == len(list(measures)) == len(Defect) - 1
        for defect in measures:
            expected = defined(result, defect)
            assert measures[defect] == pytest.approx(expected, abs=1e-6, nan_ok=True), defect
    # What is compared is not all alike.
    for result, defect in ((demo_prediction, Defect.BACK_FACING), (parted, Defect.SPLIT)):
        some = result.findings.measures[defect]
        assert (some[result.findings.has(defect)] > 0).all()
        assert 0 < np.count_nonzero(np.nan_to_num(some)) < len(some)


def test_some_rows_are_those_of_all(parted: Prediction) -> None:
    rows = np.random.default_rng(3).permutation(len(parted.points))[:500]
    for defect, every in parted.findings.measures.items():
        some = measure_at(parted.findings.measures, defect, rows)
        assert some.tobytes() == every[rows].tobytes(), defect
        assert measure_at({defect: every}, defect, rows).tobytes() == some.tobytes()
        assert len(measure_at(parted.findings.measures, defect, rows[:0])) == 0


def test_slides_are_those_of_hits(parted: Prediction) -> None:
    findings = parted.findings
    expected = np.abs(findings.hit_distance) * np.sin(np.radians(findings.slant))
    assert findings.slide == pytest.approx(expected, rel=1e-12, nan_ok=True)
