"""What befalls a whole map, an island or a part: measured on pictures whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import convolve1d, map_coordinates

from cagecheck.locating.bake_reach import parting
from cagecheck.locating.compare import Fault
from cagecheck.locating.lossy_blocks import block_ratio
from cagecheck.locating.moved_islands import moved_islands, rotation_between, turned_islands
from cagecheck.locating.sharpness import blur_variance

SIZE = 160


def unit(vectors: np.ndarray) -> np.ndarray:
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def bumpy(seed: int, length: float, size: int = SIZE) -> np.ndarray:
    """(S, S, 3) float32 unit normals of waves about `length` texels long, leaning up to 30 deg."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:size, :size]
    lean = np.zeros((size, size, 2))
    for _ in range(12):
        k = rng.normal(size=2)
        k *= 2 * np.pi / (length * rng.uniform(0.8, 1.4) * np.linalg.norm(k))
        lean += k / np.linalg.norm(k) * np.cos(k[0] * x + k[1] * y + rng.uniform(0, 7))[..., None]
    return unit(np.dstack([0.15 * lean, np.ones((size, size))])).astype(np.float32)


def test_a_distance_parts_recorded_from_lost() -> None:
    """What lies beyond 0.3 is lost, and padding makes half of it look right."""
    rng = np.random.default_rng(1)
    away, block = rng.uniform(0, 1, 8000), rng.integers(0, 80, 8000)
    faulty = (away > 0.3) & (rng.random(8000) < 0.5)
    # The twentieth that may be stray is of the faulty ones, evenly from 0.3 to 1.
    assert parting(away, faulty, block) == pytest.approx(0.335, abs=0.02)


def test_a_hole_has_no_distance() -> None:
    rng = np.random.default_rng(2)
    away, block = rng.uniform(0, 1, 8000), rng.integers(0, 80, 8000)
    assert parting(away, block < 6, block) is None
    # Nor has a hole in a valley, since other valleys were recorded.
    assert parting(away, (block < 6) & (away > 0.5), block) is None
    assert parting(away, np.zeros(8000, bool), block) is None


def test_jumps_at_block_borders_are_told_by_their_share() -> None:
    """Steps of size a at every 8th border over a slope of b a texel: ratio (a + b) / b."""
    step = np.arange(SIZE) // 8 * 0.02 + np.arange(SIZE) * 0.01
    off = np.zeros((SIZE, SIZE, 3), np.float32)
    off[..., 0] = step
    known = np.ones((SIZE, SIZE), bool)
    assert block_ratio(off, known, 8) == pytest.approx(3.0, rel=1e-3)
    off[..., 0] = np.roll(step, 3)
    assert block_ratio(off, known, 8) == 0.0
    scatter = np.random.default_rng(3).normal(size=off.shape).astype(np.float32)
    assert block_ratio(scatter, known, 8) < 1.1


@pytest.mark.parametrize("times", [1, 2])
def test_blur_is_measured_by_its_variance(times: int) -> None:
    """A tent (1, 2, 1) / 4 has variance 1 / 2; variances of filters in a row add up."""
    sharp = bumpy(4, 24.0)
    soft = sharp.astype(np.float64)
    for _ in range(times):
        for axis in (0, 1):
            soft = convolve1d(soft, np.array([1, 2, 1]) / 4, axis=axis)
    found = blur_variance(soft.astype(np.float32), sharp, np.ones((SIZE, SIZE), bool))
    assert found == pytest.approx(0.5 * times, rel=0.05)


def test_no_blur_is_measured_where_nothing_bends() -> None:
    flat = np.zeros((SIZE, SIZE, 3), np.float32)
    flat[..., 2] = 1
    assert blur_variance(flat, flat, np.ones((SIZE, SIZE), bool)) is None


def islands() -> np.ndarray:
    covered = np.zeros((SIZE, SIZE), bool)
    covered[20:70, 20:70] = covered[90:140, 90:140] = True
    return covered


def test_a_moved_island_is_found_with_its_shift() -> None:
    covered, wanted = islands(), bumpy(5, 14.0)
    stored = wanted.copy()
    first = covered.copy()
    first[80:] = False
    y, x = np.mgrid[:SIZE, :SIZE]
    for k in range(3):
        # At (x + 5, y - 3) the map holds what belongs to (x, y).
        moved = map_coordinates(wanted[..., k], [y + 3, x - 5], order=0)
        stored[:80, :80, k] = moved[:80, :80]
    fault = np.where(first, Fault.UNEXPLAINED, Fault.CLEAN).astype(np.uint8)
    found, shift = moved_islands(covered, fault, wanted, stored)
    assert np.array_equal(found, first)
    assert (shift[first] == (5, -3)).all()


def test_an_island_that_shows_something_else_has_not_moved() -> None:
    covered, wanted, stored = islands(), bumpy(5, 14.0), bumpy(6, 14.0)
    fault = np.where(covered, Fault.UNEXPLAINED, Fault.CLEAN).astype(np.uint8)
    assert not moved_islands(covered, fault, wanted, stored)[0].any()
    assert not turned_islands(covered, fault, wanted, stored, np.zeros_like(covered)).any()


def test_a_turned_island_is_told() -> None:
    covered, wanted = islands(), bumpy(7, 14.0)
    c, s = np.cos(np.radians(9.0)), np.sin(np.radians(9.0))
    turn = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    stored = wanted.copy()
    first = covered.copy()
    first[80:] = False
    stored[first] = stored[first] @ turn.T
    assert rotation_between(wanted[first], stored[first]) == pytest.approx(turn, abs=1e-5)
    fault = np.where(first, Fault.UNEXPLAINED, Fault.CLEAN).astype(np.uint8)
    assert np.array_equal(
        turned_islands(covered, fault, wanted, stored, np.zeros_like(covered)), first
    )
