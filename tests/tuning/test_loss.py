"""What a corridor is worth: what would be seen without it."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.defects.harm import WRONG_DEGREES
from cagecheck.defects.match import Matcher
from cagecheck.defects.visible import HOLE_DEGREES
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.points import sample_points
from cagecheck.rays.scene import Scene
from cagecheck.tuning.loss import loss_of
from tests.scenes.tuning import sheet, surface_of

SETTINGS = Settings(samples=500, unseen_points=0, depth=0.1, reach=0.3, offset=0.05)


def cast_of(target: float, lid: float | None, slope: float):
    """A flat low sheet, its surface at `target`, and another part's above it at `lid`, tilted."""
    low = prepare_low(sheet(2, lambda x, y: 0 * x))
    sheets = [sheet(4, lambda x, y: 0 * x + target)]
    if lid is not None:
        sheets.append(sheet(4, lambda x, y: lid + slope * (x - 0.5)))
    paired = np.array([[True] + [False] * (lid is not None)])
    matcher = Matcher(low, Scene(surface_of(*sheets)), paired)
    points = sample_points(low, 0.1, seed=1, edges=False)
    return matcher, matcher.cast(cage_from_offset(low, 0.05), points, 0.1, 0.3)


@pytest.mark.parametrize("slope", [0.0, 0.05, 0.15])
def test_a_lid_is_worth_the_angle_that_it_is_tilted_by(slope: float) -> None:
    """The target lies below, so only an overshoot can lose it; the lid leans by atan(slope)."""
    matcher, cast = cast_of(-0.01, 0.2, slope)
    tilt = np.degrees(np.arctan(slope))
    assert loss_of(matcher, cast, SETTINGS) == pytest.approx(tilt / WRONG_DEGREES, abs=1e-6)


def test_a_target_with_nothing_below_it_is_worth_a_hole() -> None:
    matcher, cast = cast_of(0.03, None, 0.0)
    assert loss_of(matcher, cast, SETTINGS) == pytest.approx(HOLE_DEGREES / WRONG_DEGREES)
    # One that no start can miss, with nothing above, is worth nothing.
    matcher, cast = cast_of(-0.03, None, 0.0)
    assert loss_of(matcher, cast, SETTINGS) == pytest.approx(0.0)


def test_the_last_points_of_a_cast_are_what_they_were() -> None:
    matcher, cast = cast_of(0.01, 0.2, 0.15)
    few = cast.take(np.arange(60, len(cast)))
    assert len(few) == len(cast) - 60
    whole = loss_of(matcher, cast, SETTINGS)
    assert np.array_equal(loss_of(matcher, few, SETTINGS), whole[60:])
    assert np.array_equal(few.recorded(0.1) >= 0, cast.recorded(0.1)[60:] >= 0)
    assert few.layers.t[few.targets.layer] == pytest.approx(cast.targets.t[60:])
