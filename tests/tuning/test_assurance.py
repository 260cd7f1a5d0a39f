"""What the last check says: known and unknown, side by side, and true often enough."""

from __future__ import annotations

from dataclasses import replace
from math import exp, factorial

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Surface
from cagecheck.predicting.settings import Settings
from cagecheck.rays.points import sample_points
from cagecheck.tuning.assurance import DOUBT, surface_bound, wrong_points
from cagecheck.tuning.tune import tune
from cagecheck.tuning.words import assurance_words
from tests.scenes.bounds import coverage
from tests.scenes.tuning import bumpy_pair, sheet, surface_of, tuned_bumps

QUICK = Settings(samples=3000, unseen_points=0)


@pytest.mark.parametrize("found", [0, 1, 3, 17])
def test_the_bound_is_on_the_safe_side_of_the_exact_one(found: int) -> None:
    """Of n points of one weight the exact limit solves sum_{j <= y} m^j e^-m / j! = doubt.

    Source: Garwood, "Fiducial Limits for the Poisson Distribution", Biometrika 28, 1936. Chernoff's
    bound is never below it, and not far above.
    """
    low = prepare_low(sheet(20, lambda x, y: 0 * x))
    points = sample_points(low, 0.05, seed=1, edges=False)
    each = float(points.area.max())
    assert points.area == pytest.approx(each)
    bound = surface_bound(points, 1, points.area[:found])
    mean = bound * float(points.area.sum()) / each
    exact = sum(mean**j * exp(-mean) / factorial(j) for j in range(found + 1))
    # Stirling: the last term alone is 1 / sqrt(2 pi y) of the bound on the whole sum.
    assert DOUBT / 2 >= exact > DOUBT / 2 / (8 if found else 1.001)


def test_in_random_scenes_the_true_share_is_below_the_bound() -> None:
    """Random blotches of wrong surface on random meshes; their share is known in closed form."""
    held, count = coverage(scenes=400, samples=2000, seed=11)
    assert count == 400
    assert held >= 0.95 * count


def test_what_is_known_and_what_is_not_are_two_numbers() -> None:
    held = tuned_bumps(0.01)
    a, after = held.assurance, held.after
    bad = wrong_points(after.findings)
    area = after.points.area
    assert a.known == pytest.approx(area[bad].sum() / area.sum()) and a.known > 0
    assert a.known == pytest.approx(a.blocked + a.bare + a.deeper)
    assert a.known + a.bound == pytest.approx(surface_bound(after.points, a.looks, area[bad]))
    said = assurance_words(held)
    assert "is known to be wrong" in said and "too tight or overshooting" in said
    assert "is wrong besides." in said and not held.clean
    # Rays that lean out over the rim of the open sheet find nothing: that is known, and said.
    rim = tuned_bumps()
    assert rim.assurance.known == rim.assurance.bare > 0 and not rim.clean
    none = replace(rim.assurance, known_samples=0, known_edge_samples=0)
    clean = replace(rim, assurance=none)
    assert clean.clean and "no miss and no overshoot. With 95 %" in assurance_words(clean)


def test_a_place_without_surface_is_not_clean() -> None:
    """A low sheet of which a quarter has nothing above or below."""
    low = prepare_low(sheet(4, lambda x, y: 0 * x))
    high = surface_of(sheet(12, lambda x, y: 0 * x + 0.01, size=0.5))
    result = tune(
        low, high, settings=Settings(samples=2000, unseen_points=0, depth=0.05, reach=0.2)
    )
    assert not result.clean
    assert result.assurance.bare == pytest.approx(0.75, abs=0.03)
    assert "without surface" in assurance_words(result)


def test_a_high_poly_without_area_is_missed_as_a_whole() -> None:
    low, _ = bumpy_pair()
    points = np.array([[0.0, 0, 0], [1, 0, 0], [0.5, 0, 0]])
    flat = Surface(points, np.array([[0, 1, 2]], np.int32), np.zeros(1, np.int32))
    result = tune(low, flat, settings=QUICK)
    assert not result.clean and result.assurance.known == pytest.approx(1.0)
    assert result.after.findings.has(Defect.MISS_NOTHING).all()
