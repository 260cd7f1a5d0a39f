"""What alpha and a strength slider did to a map is found and undone: exact inverses."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.locating.alpha import unpacked
from cagecheck.locating.befallen import _scaled, _slope_ratio
from cagecheck.locating.conventions import Reading

SIZE = 64


def leaning() -> np.ndarray:
    """(S, S, 3) float32 values from 0 to 1 of unit normals that lean up to 30 degrees."""
    y, x = np.mgrid[:SIZE, :SIZE] / SIZE
    n = np.dstack([0.4 * np.cos(9 * x + y), 0.4 * np.sin(7 * y), np.ones((SIZE, SIZE))])
    n /= np.linalg.norm(n, axis=2, keepdims=True)
    return ((n + 1) / 2).astype(np.float32)


def test_x_in_alpha_comes_back() -> None:
    values = leaning()
    packed = np.ones_like(values)
    packed[..., 1] = values[..., 1]
    found = unpacked(packed, values[..., 0].copy(), None)
    assert found.fault is not None and found.fault.code == "x-in-alpha"
    assert np.abs(found.shares - values).max() < 1e-5


def test_multiplied_colours_come_back_where_alpha_is_soft() -> None:
    values = leaning()
    alpha = np.broadcast_to(np.linspace(0.2, 1, SIZE, dtype=np.float32), (SIZE, SIZE))
    found = unpacked(values * alpha[..., None], alpha, None)
    assert found.fault is not None and found.fault.code == "premultiplied-alpha"
    assert np.abs(found.shares - values).max() < 1e-5


def test_a_plain_map_with_a_soft_mask_is_left_alone() -> None:
    values = leaning()
    alpha = np.broadcast_to(np.linspace(0.2, 1, SIZE, dtype=np.float32), (SIZE, SIZE))
    found = unpacked(values, alpha, None)
    assert found.fault is None and np.array_equal(found.shares, values)
    assert unpacked(values, None, None).fault is None


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_slider_multiplies_slopes(factor: float) -> None:
    """Red and green times a factor, blue left: the slope x / z is times the factor (clip aside)."""
    values, reading = leaning(), Reading(tile=1001)
    stronger = values.copy()
    stronger[..., :2] = 0.5 + factor * (values[..., :2] - 0.5)
    wanted = (values.reshape(-1, 3) * 2 - 1).astype(float)
    ratio = _slope_ratio(stronger.reshape(-1, 3), wanted, reading)
    assert ratio == pytest.approx(factor, rel=1e-4)
    assert np.abs(_scaled(stronger, reading, 1 / factor) - values).max() < 1e-5


def test_a_half_empty_map_has_no_strength() -> None:
    """Fill colour on half of the texels is no weaker slope, nor is chance."""
    values, reading = leaning().reshape(-1, 3), Reading(tile=1001)
    wanted = (values * 2 - 1).astype(float)
    holed = values.copy()
    holed[::2] = (0.5, 0.5, 1.0)
    assert _slope_ratio(holed, wanted, reading) == pytest.approx(1.0, rel=1e-4)
    shuffled = np.random.default_rng(1).permutation(values)
    assert _slope_ratio(shuffled, wanted, reading) is None
