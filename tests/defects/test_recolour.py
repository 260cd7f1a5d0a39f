"""The viewer's one loop against the classification of fresh predictions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.defects.fold import fold_factor, fold_ratio
from cagecheck.defects.kinds import CLEAN, PRECEDENCE
from cagecheck.defects.recolour import Recolourer, Table, rank_table
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.predicting.heat import build_heat_map
from cagecheck.predicting.predict import predict
from cagecheck.predicting.record import view_arrays
from cagecheck.predicting.result import Prediction
from cagecheck.rays.cage import cage_from_mesh, cage_from_offset
from cagecheck.rays.points import sample_points
from cagecheck.report.heatmap import HeatMap


def recolourer_of(prediction: Prediction, heat: HeatMap) -> Recolourer:
    arrays = view_arrays(prediction, heat)
    table = Table(
        prediction.rays.start,
        prediction.layers.first,
        prediction.layers.t,
        prediction.layers.front,
        arrays["layer_own"],
        arrays["layer_lean"],
        prediction.targets.layer,
        prediction.findings.slant,
        arrays["skew_scale"].astype(np.float64),
        arrays["fold_from"],
        arrays["split_slope"],
        arrays["vertex_of_sample"],
        arrays["heat_sample"],
        prediction.points.area,
    )
    settings = prediction.settings
    assert settings.depth is not None
    return Recolourer(table, settings.depth, settings.thresholds)


@pytest.fixture(scope="module")
def heat(demo_prediction: Prediction) -> HeatMap:
    return build_heat_map(demo_prediction, most_vertices=40_000)


@pytest.mark.parametrize("factor", [0.2, 1.0, 4.5])
def test_equals_a_fresh_prediction_at_every_distance(
    demo_prediction: Prediction, heat: HeatMap, factor: float
) -> None:
    first = demo_prediction
    offset = factor * (first.settings.offset or 0.0)
    fresh = predict(
        first.low,
        first.scene,
        paired=first.paired,
        settings=replace(first.settings, offset=offset, unseen_points=0),
    )
    now = recolourer_of(first, heat).at(factor)
    assert np.array_equal(fresh.targets.layer, first.targets.layer)
    # Factors are kept in float32: a sample that lies on a threshold to seven digits may differ.
    assert np.mean(now.flags != fresh.findings.flags) < 2e-5
    assert np.mean(now.main != fresh.findings.main) < 2e-5
    assert np.array_equal(now.recorded, fresh.findings.recorded)


def test_split_cages_follow_too(demo_prediction: Prediction) -> None:
    first = demo_prediction
    settings = replace(first.settings, directions="corner", samples=15_000, unseen_points=0)
    cages = [cage_from_offset(first.low, f * 0.006, "corner") for f in (1.0, 2.5)]
    near, far = (
        predict(first.low, first.scene, cage=cage, paired=first.paired, settings=settings)
        for cage in cages
    )
    now = recolourer_of(near, build_heat_map(near, most_vertices=20_000)).at(2.5)
    assert np.any(far.findings.flags & (1 << 9)), "the case must hold splits"
    assert np.mean(now.flags != far.findings.flags) < 1e-4


def test_every_vertex_shows_the_worst_sample_near_it(
    demo_prediction: Prediction, heat: HeatMap
) -> None:
    now = recolourer_of(demo_prediction, heat).at(3.0)
    rank = rank_table()
    assert rank[CLEAN] == len(PRECEDENCE)
    worst = np.full(len(heat.positions), 255)
    np.minimum.at(worst, heat.vertex_of_sample, rank[now.main])
    served = np.bincount(heat.vertex_of_sample, minlength=len(worst)) > 0
    assert np.array_equal(rank[now.main[now.shown[served]]], worst[served])
    assert np.array_equal(now.shown[~served], heat.sample[~served])


def test_fold_factor_is_where_the_shell_folds() -> None:
    """A square whose cage is turned and squeezed folds at a distance found by bisection."""
    rng = np.random.default_rng(5)
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    for _ in range(20):
        low = prepare_low(mesh_from_polygons(square, [[0, 1, 2, 3]]))
        push = np.array([0, 0, 0.6]) + rng.normal(0, 0.7, (4, 3))
        points = sample_points(low, 0.2, seed=1, edges=False)
        factor = fold_factor(
            low, cage_from_mesh(low, low.mesh.with_positions(square + push)), points
        )
        for k in (0.1, 0.5, 1.0, 1.9, 4.0):
            moved = low.mesh.with_positions(square + k * push)
            folded = fold_ratio(low, cage_from_mesh(low, moved), points) < 0
            clear = np.abs(factor - k) > 1e-9
            assert np.array_equal(folded[clear], (k > factor)[clear])
