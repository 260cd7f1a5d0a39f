"""Steady cages: slopes, envelopes against shortest paths, spikes that pay and others."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
from PIL import Image
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from cagecheck.defects.match import Matcher
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.points import sample_points
from cagecheck.rays.scene import Scene
from cagecheck.tuning.cage_picture import draw_cage
from cagecheck.tuning.choose import choose, offsets_of
from cagecheck.tuning.corridors import low_graph
from cagecheck.tuning.measure import Measure, measure_on
from cagecheck.tuning.steady import (
    cage_of,
    ring_medians,
    slopes,
    steadied,
    steadiness,
    steady_above,
    steady_below,
)
from cagecheck.tuning.tune import TuneSettings, tune
from tests.scenes.tuning import bumpy_pair, sheet, surface_of, tuned_bumps

SETTINGS = Settings(samples=3000, unseen_points=0, depth=0.08, reach=0.25, offset=0.05)


def flat(count: int = 8) -> LowPoly:
    return prepare_low(sheet(count, lambda x, y: 0 * x))


@pytest.mark.parametrize("slope", [0.05, 0.3, 2.0])
def test_envelopes_are_shortest_paths(slope: float) -> None:
    """min over u of d(u) + slope |uv|: Dijkstra's paths (scipy) from every vertex."""
    low = flat()
    graph, rng = low_graph(low), np.random.default_rng(4)
    offsets = rng.uniform(0, 0.2, low.position_count)
    ends = graph.edges[:, 0], graph.edges[:, 1]
    lengths = coo_array((graph.length, ends), (len(offsets), len(offsets)))
    way = dijkstra(lengths.tocsr(), directed=False)
    held = np.zeros(len(offsets), bool)
    below, above = (f(graph, offsets, slope, held) for f in (steady_below, steady_above))
    assert below == pytest.approx((offsets[None] + slope * way).min(axis=1))
    assert above == pytest.approx((offsets[None] - slope * way).max(axis=1))
    for field in (below, above):
        assert slopes(graph, field).max() <= slope * (1 + 1e-9)
    held[[3, 40]] = True
    kept = steady_below(graph, offsets, slope, held)
    assert np.array_equal(kept[held], offsets[held])


def test_medians_and_the_steepest_place() -> None:
    low = flat(3)
    graph = low_graph(low)
    offsets = np.random.default_rng(0).uniform(0.01, 0.02, low.position_count)
    medians = ring_medians(graph, offsets)
    for v in range(low.position_count):
        mine = (graph.edges == v).any(axis=1)
        ring = graph.edges[mine][graph.edges[mine] != v]
        assert medians[v] == pytest.approx(np.median(offsets[ring]))
    offsets[:] = 0.01
    spike = int(np.argmin(np.linalg.norm(low.positions - [1 / 3, 1 / 3, 0], axis=1)))
    at = low.position_id[spike]
    offsets[at] = 0.11
    found = steadiness(low, graph, offsets, 1e-4)
    # Edges of 1/3 rise by 0.1.
    assert found.steepest == pytest.approx(0.3) and found.spike == pytest.approx(11)
    assert found.spike_at == pytest.approx((1 / 3, 1 / 3, 0)) and found.steep_edges == 0
    offsets[at] = 0.21
    assert steadiness(low, graph, offsets, 1e-4).steep_edges == 4


def on(low: LowPoly, high: Surface, paired: np.ndarray) -> Measure:
    matcher = Matcher(low, Scene(high), paired)
    points = sample_points(low, 0.01, seed=3)
    return measure_on(matcher, points, SETTINGS, 0.08)


def test_a_spike_that_buys_nothing_goes_and_one_that_pays_stays() -> None:
    """Over the bare surface any height will do. A vertex that alone reaches the surface pays."""
    low = flat()
    high, paired = surface_of(sheet(8, lambda x, y: 0 * x + 0.01)), np.ones((1, 1), bool)
    graph, held = low_graph(low), np.zeros(low.position_count, bool)
    middle = int(low.position_id[np.argmin(np.linalg.norm(low.positions - [0.5, 0.5, 0], axis=1))])
    offsets = np.full(low.position_count, 0.011)
    offsets[middle] = 0.3
    found = steadied(low, graph, offsets, 0.5, held, on(low, high, paired), "averaged")
    assert slopes(graph, found).max() <= 0.5 * (1 + 1e-9) and found[middle] < 0.3

    def peak(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        # On the low poly's own lines, so that only a spike of its middle vertex reaches it.
        return np.where(np.hypot(x - 0.5, y - 0.5) < 0.01, 0.1, 0.001)

    def blanket(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        # Above the spike, and close above the rest: whoever lifts that meets it.
        off = np.maximum(np.abs(x - 0.5), np.abs(y - 0.5))
        return 0.015 + 0.11 * np.clip(1 - 8 * off, 0, 1) + 0.01 * np.sin(40 * x) ** 2

    high = surface_of(sheet(8, peak), sheet(64, blanket))
    measure = on(low, high, np.array([[True, False]]))
    offsets = np.full(low.position_count, 0.004)
    offsets[middle] = 0.105
    assert slopes(graph, offsets).max() > 0.5
    found = steadied(low, graph, offsets, 0.5, held, measure, "averaged")
    assert np.array_equal(found, offsets)
    forced = steadied(low, graph, offsets, 0.5, held, measure, "averaged", forced=True)
    assert slopes(graph, forced).max() <= 0.5 * (1 + 1e-9)
    harm = [measure.harm(cage_of(low, f, "averaged")).sum() for f in (offsets, forced)]
    assert harm[0] < harm[1]


def test_what_is_chosen_never_shows_more_than_what_was_there() -> None:
    """Offsets that are wrong all over lose to one number; the cage before is found again."""
    low, high = bumpy_pair(7)
    measure = on(low, high, np.ones((1, 1), bool))
    graph, held = low_graph(low), np.zeros(low.position_count, bool)
    before = cage_from_offset(low, 0.05)
    assert offsets_of(low, before, "averaged") == pytest.approx(0.05)
    for solved in (np.zeros(low.position_count), np.full(low.position_count, 0.03)):
        found = choose(
            low, graph, solved, held, before, measure, "averaged",
            margin=1e-5, limit=0.2, smooth=None,
        )  # fmt: skip
        h = found.harm
        assert h.tuned <= min(h.before, h.asset, h.parts) * (1 + 1e-6)
        again = float(measure.harm(cage_of(low, found.offsets, "averaged")).sum())
        assert h.tuned == pytest.approx(again)


def test_smooth_is_held_to() -> None:
    low, high = bumpy_pair(7)
    free = tuned_bumps()
    slope = 0.5 * free.steadiness.steepest
    held = tune(
        low, high, settings=replace(SETTINGS, offset=None), tuning=TuneSettings(smooth=slope)
    )
    assert held.steadiness.steepest <= slope * (1 + 1e-9)
    curve = free.smooth_curve
    assert [p.slope for p in curve] == sorted((p.slope for p in curve), reverse=True)
    assert curve[0].harm == pytest.approx(free.harm.tuned, rel=1e-6)


def test_a_cage_is_drawn_from_two_sides() -> None:
    low = flat()
    file = BytesIO()
    draw_cage(low.positions, low.triangles, np.linspace(0, 0.5, len(low.positions)), [], file, "x")
    image = np.asarray(Image.open(file))
    assert image.shape[1] == 2 * image.shape[0] - 80
    assert (image[60:] < 250).any(axis=2).mean() > 0.1
