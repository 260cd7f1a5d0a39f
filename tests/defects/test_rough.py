"""Noise of scans against folds and pieces that lie near, on surfaces made for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.defects.reasons import CauseCode, CureCode
from cagecheck.defects.rough import crumpled_faces, rough_crossings
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from tests.scenes.shapes import as_low, box, grid, halves, surface

SIDE, SIZE = 120, 1.2
EDGE = SIZE / SIDE
SETTINGS = Settings(offset=0.1, depth=0.1, reach=0.5, samples=20_000, unseen_points=0)


def noisy(sigma: float):
    """A square of cells, every vertex moved by normal noise of `sigma` edges."""
    positions, quads = grid(SIDE, SIZE)
    moved = positions + np.random.default_rng(7).normal(0, sigma * EDGE, positions.shape)
    return moved, quads


def overshoots(result):
    return [r for r in result.regions if r.defect is Defect.OVERSHOOT_OWN]


@pytest.mark.parametrize("sigma", [0.6, 1.5])
def test_noise_is_called_noise_and_smoothing_cures_it(sigma: float) -> None:
    positions, quads = noisy(sigma)
    low = as_low(*grid(4))
    found = overshoots(predict(low, surface(positions, halves(quads)), settings=SETTINGS))
    assert len(found) > 20
    rough = [r for r in found if r.why.code is CauseCode.ROUGH]
    assert sum(r.area for r in rough) > 0.98 * sum(r.area for r in found)
    assert all(r.remedy.code is CureCode.SMOOTH_HIGH and "noise" in r.cause for r in rough)
    corner = positions[halves(quads)]
    longest = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max()
    assert all(0 <= r.why.values.gap <= 2 * longest for r in rough)
    # The cure, applied: every vertex goes to the mean of its neighbours, forty times.
    smooth = positions.reshape(SIDE + 1, SIDE + 1, 3)
    for _ in range(40):
        inner = smooth[1:-1, 1:-1]
        around = smooth[:-2, 1:-1] + smooth[2:, 1:-1] + smooth[1:-1, :-2] + smooth[1:-1, 2:]
        smooth = smooth.copy()
        smooth[1:-1, 1:-1] = 0.5 * inner + 0.125 * around
    cured = predict(low, surface(smooth.reshape(-1, 3), halves(quads)), settings=SETTINGS)
    assert not overshoots(cured)


def test_noise_is_called_so_however_far_its_skin_lies_from_the_low_poly() -> None:
    """What counts is how far the crossings lie from each other: a few edges of 0.01."""
    positions, quads = noisy(0.6)
    settings = replace(SETTINGS, offset=0.5, reach=0.6, samples=4000)
    high = surface(positions + [0, 0, 0.4], halves(quads))
    found = overshoots(predict(as_low(*grid(4)), high, settings=settings))
    rough = [r for r in found if r.why.code is CauseCode.ROUGH]
    assert sum(r.area for r in rough) > 0.98 * sum(r.area for r in found) > 0
    assert max(r.why.values.gap for r in rough) < 10 * EDGE


def test_a_bump_and_a_box_are_not_crumpled() -> None:
    positions, quads = grid(40, 1.0, lambda x, y: 0.3 * np.exp(-8 * (x**2 + y**2)))
    bump = surface(positions, halves(quads))
    assert not crumpled_faces(bump, np.arange(bump.triangle_count)).any()
    corners, faces = box((-1, -1, -1), (1, 1, 1))
    crate = surface(corners, halves(faces))
    assert not crumpled_faces(crate, np.arange(crate.triangle_count)).any()


def test_a_face_bent_hard_both_ways_is_crumpled() -> None:
    """By hand: 54.7 degrees inward at one edge of the middle face, 35.3 outward at another."""
    positions = np.array([[0, 0, 0], [0, 1, 0], [1, 0, 0], [1, 1, 1], [2, 0, 0]], float)
    triangles = np.array([[0, 2, 1], [1, 2, 3], [2, 4, 3]])
    strip = surface(positions, triangles)
    assert crumpled_faces(strip, np.arange(3)).tolist() == [False, True, False]
    assert crumpled_faces(strip, np.array([1])).tolist() == [True]
    # The same as a soup of triangles that share no vertex.
    soup = surface(positions[triangles.ravel()], np.arange(9).reshape(3, 3))
    assert crumpled_faces(soup, np.arange(3)).tolist() == [False, True, False]


@pytest.mark.parametrize(("gap", "is_rough"), [(10.0, True), (-10.0, True), (10.01, False)])
def test_crossings_as_near_as_two_faces_are_long_may_be_noise(gap: float, is_rough: bool) -> None:
    """The face that is recorded has sides of 3, 4 and 5; one of the three around is crumpled."""
    positions = np.array([[0, 0, 0], [0, 4, 0], [3, 0, 0], [3, 4, 4], [6, 0, 0]], float)
    strip = surface(positions, np.array([[0, 2, 1], [1, 2, 3], [2, 4, 3]]))
    assert crumpled_faces(strip, np.arange(3)).tolist() == [False, True, False]
    asked = np.array([0, 0, 0]), np.array([1, 1, -1]), np.array([gap, gap, 0.0])
    nothing = np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0)
    found = rough_crossings(strip, *([a, b] for a, b in zip(asked, nothing, strict=True)))
    assert found == [abs(gap) if is_rough else None, None]
