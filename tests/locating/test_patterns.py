"""Windows of a map that slid: how far shifts are looked for goes with the map's size."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from cagecheck.locating.patterns import LARGEST_SHIFT, SHIFT_SIZE, find_shifts


@pytest.mark.parametrize("size", [SHIFT_SIZE, 2 * SHIFT_SIZE])
def test_the_same_slide_is_found_in_maps_of_any_size(size: int) -> None:
    """A patch shows what lies three quarters of the farthest shift beside it."""
    rng = np.random.default_rng(3)
    scale = size // SHIFT_SIZE
    noise = rng.normal(size=(size, size, 3))
    relief = gaussian_filter(noise, (2 * scale, 2 * scale, 0)) * 4 * scale
    relief[..., 2] += 3
    expected = (relief / np.linalg.norm(relief, axis=2, keepdims=True)).astype(np.float32)
    right, down = 9 * scale - 1, -5 * scale
    assert LARGEST_SHIFT * scale > np.hypot(right, down) > 0.75 * LARGEST_SHIFT * scale
    shown, patch = expected.copy(), np.zeros((size, size), bool)
    middle = slice(size // 2 - 30, size // 2 + 30)
    patch[middle, middle] = True
    shown[patch] = np.roll(expected, (down, right), (0, 1))[patch]
    covered = np.ones((size, size), bool)
    moved, shift = find_shifts(shown, expected, covered, patch)
    inside = np.zeros_like(patch)
    inside[size // 2 - 20 : size // 2 + 20, size // 2 - 20 : size // 2 + 20] = True
    assert moved[inside].mean() > 0.95
    told = moved & inside
    assert (shift[told] == [right, down]).all(axis=1).mean() > 0.95
