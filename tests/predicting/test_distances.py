"""Distances that the scene itself proposes, where they can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.defects.match import Matcher
from cagecheck.predicting.distances import (
    DEPTH_QUANTILE,
    HEADROOM,
    LEAST_SHARE,
    OFFSET_QUANTILE,
    probe_distances,
)
from cagecheck.rays import Scene
from tests.scenes.shapes import (
    as_low,
    box,
    combined,
    grid,
    halves,
    plane_high,
    plane_low,
    prism,
    surface,
)


def patched(share, height, cuts):
    """A plate, and beside it a finely cut square of that share of the area at a height of its own.

    The low poly lies at zero everywhere.
    """
    side = np.sqrt(share / (1 - share))
    plate, quads = grid(1)
    small, small_quads = grid(cuts, side)
    small = small + [3.0, 0, 0]
    low = as_low(*combined((plate, quads), (small, small_quads)))
    raised, raised_quads = grid(1, 1.2 * side)
    floor, floor_quads = grid(1, 1.2)
    raised = raised + [3.0, 0, height]
    return low, surface(*combined((floor, halves(floor_quads)), (raised, halves(raised_quads))))


@pytest.mark.parametrize(("times", "holds"), [(0.5, False), (2.0, True)])
def test_the_offset_holds_its_share_of_the_surface_however_it_is_cut(times, holds):
    """The fine square has most of the points, but counts by its area."""
    low, high = patched(times * (1 - OFFSET_QUANTILE), 0.1, cuts=160)
    found = probe_distances(Matcher(low, Scene(high), np.ones((1, 1), bool)))
    expected = HEADROOM * 0.1 if holds else LEAST_SHARE * low.diagonal()
    assert found.offset == pytest.approx(expected, rel=1e-9)
    assert found.depth == pytest.approx(LEAST_SHARE * low.diagonal())


@pytest.mark.parametrize(("times", "holds"), [(0.5, False), (2.0, True)])
def test_the_depth_holds_nearly_all(times, holds):
    low, high = patched(times * (1 - DEPTH_QUANTILE), -0.1, cuts=160)
    found = probe_distances(Matcher(low, Scene(high), np.ones((1, 1), bool)))
    expected = HEADROOM * 0.1 if holds else LEAST_SHARE * low.diagonal()
    assert found.depth == pytest.approx(expected, rel=1e-9)


def test_without_any_surface_of_its_own_the_size_decides():
    low, far = plane_low(2), plane_high([50.0])
    found = probe_distances(Matcher(low, Scene(far), np.ones((1, 1), bool)))
    assert found.offset == found.depth == pytest.approx(10 * LEAST_SHARE * np.sqrt(2))


def test_pieces_that_run_into_each_other_do_not_deepen_the_depth():
    """A bar through a drum, both a little larger in the high poly: all of it lies outside.

    Beside the seam the high poly is nearer to the other piece, so that some samples find nothing
    of their own but the drum's far wall. A pebble far off makes the scene large against both.
    """
    drum, bar = prism(32, 1.0, 2.0), box((0, -0.3, -0.3), (3, 0.3, 0.3))
    larger = prism(256, 1.03, 2.0), box((0, -0.33, -0.33), (3, 0.33, 0.33))
    pebble = box((30, 0, 0), (30.1, 0.1, 0.1))
    low = as_low(*combined(drum, bar, pebble))
    positions, quads = combined(*larger, pebble)
    high = surface(positions, halves(quads))
    found = probe_distances(Matcher(low, Scene(high), np.ones((1, 1), bool)))
    assert found.depth < 0.1
