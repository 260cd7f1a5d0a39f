"""What alpha and a strength slider did to a map is found and undone: exact inverses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from cagecheck.locating.alpha import unpacked
from cagecheck.locating.befallen import _scaled, _slope_ratio, without_shift
from cagecheck.locating.conventions import Reading, Sampled, agreement_at

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


def test_what_a_slider_cut_off_comes_back_from_blue() -> None:
    """One channel at the end of its range: unit length tells its lean. Both: their sum of squares.

    Normals that lean up to 60 degrees to one side, then towards a corner, doubled.
    """
    lean = np.radians(np.linspace(-60, 60, SIZE))
    flat = np.zeros(SIZE)
    aside = np.stack([np.sin(lean), flat, np.cos(lean)], axis=1)
    corner = np.stack([np.sin(lean) / np.sqrt(2), np.sin(lean) / np.sqrt(2), np.cos(lean)], axis=1)
    values = ((np.stack([aside, corner]) + 1) / 2).astype(np.float32)
    stronger = values.copy()
    stronger[..., :2] = np.clip(0.5 + 2 * (values[..., :2] - 0.5), 0, 1)
    assert (stronger[0] == 1).any() and (stronger[1, :, :2] == 1).all(axis=1).any()
    assert np.abs(_scaled(stronger, Reading(tile=1001), 0.5) - values).max() < 1e-3


def sampled_bumps(rng: np.random.Generator, size: int) -> Sampled:
    """All texels of a tile with smooth bumps."""
    y, x = (a.ravel().astype(np.int32) for a in np.mgrid[:size, :size])
    n = np.concatenate([rng.normal(0, 0.4, (2, size, size)), np.ones((1, size, size))])
    n = gaussian_filter(n, (0, 1.5, 1.5)) * [[[3]], [[3]], [[1]]]
    tangent = (n / np.linalg.norm(n, axis=0)).reshape(3, -1).T
    where = np.zeros(len(x), np.int32), np.zeros((len(x), 3))
    return Sampled(1001, size, x, y, *where, tangent, tangent)


@pytest.mark.parametrize("share", [0.25, 0.75])
def test_a_shift_is_told_beside_places_that_fit_neither_way(share: float) -> None:
    """A quarter of the map shows something else altogether: the rest was moved all the same.

    Where three quarters were not moved at all, it is no shift of the map.
    """
    rng, size = np.random.default_rng(5), 128
    sample, reading = sampled_bumps(rng, size), Reading(tile=1001)
    right, other = (
        ((bumps.tangent + 1) / 2).astype(np.float32).reshape(size, size, 3)
        for bumps in (sample, sampled_bumps(rng, size))
    )
    rows = slice(0, int(share * size))
    moved = np.roll(right, 3, axis=1)
    moved[rows] = other[rows] if share < 0.5 else right[rows]
    before = agreement_at(moved[sample.y, sample.x], sample, reading)
    found = without_shift(moved, [sample], replace(reading, agreement=before))
    assert (found[2] is not None and found[2].code == "shifted") == (share < 0.5)


def test_a_half_empty_map_has_no_strength() -> None:
    """Fill colour on half of the texels is no weaker slope, nor is chance."""
    values, reading = leaning().reshape(-1, 3), Reading(tile=1001)
    wanted = (values * 2 - 1).astype(float)
    holed = values.copy()
    holed[::2] = (0.5, 0.5, 1.0)
    assert _slope_ratio(holed, wanted, reading) == pytest.approx(1.0, rel=1e-4)
    shuffled = np.random.default_rng(1).permutation(values)
    assert _slope_ratio(shuffled, wanted, reading) is None
