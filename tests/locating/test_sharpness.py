"""Filters of baking are told from scaling, on detail as fine as texels, too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import convolve1d, gaussian_filter

from cagecheck.locating.compare import Fault, TileView, _empty_view
from cagecheck.locating.enlarging import explained_by_filtering
from cagecheck.locating.sharpness import WIDEST_BAKE, blur_variance, softness_fault
from tests.locating.test_moved_high import rule
from tests.locating.test_whole_map_causes import bumpy, unit

SIZE = 256


def viewed(shown: np.ndarray, expected: np.ndarray) -> TileView:
    return replace(
        _empty_view(1001, SIZE, rule()), shown=shown.astype(np.float32), expected=expected,
        triangle=np.zeros((SIZE, SIZE), np.int32),
    )  # fmt: skip


def tent(vectors: np.ndarray) -> np.ndarray:
    for axis in (0, 1):
        vectors = convolve1d(vectors, np.array([1, 2, 1]) / 4, axis=axis, mode="nearest")
    return unit(vectors)


def halved_and_back(vectors: np.ndarray) -> np.ndarray:
    """Channel by channel by an image library's filters."""
    small = (SIZE // 2, SIZE // 2)
    channels = [
        Image.fromarray(np.ascontiguousarray(vectors[..., k]))
        .resize(small, Image.Resampling.BILINEAR)
        .resize((SIZE, SIZE), Image.Resampling.BILINEAR)
        for k in range(3)
    ]
    return unit(np.stack([np.asarray(channel) for channel in channels], axis=-1))


def told(shown: np.ndarray, expected: np.ndarray) -> bool:
    view = viewed(shown, expected)
    return softness_fault(view, view.fault, (view.shown + 1) / 2) is not None


@pytest.mark.parametrize("length", [3.0, 4.0, 12.0])
def test_what_a_bake_is_filtered_with_is_no_scaling(length: float) -> None:
    expected = bumpy(12, length, SIZE)
    assert not told(expected, expected)
    assert not told(tent(expected.astype(float)), expected)
    assert not told(unit(gaussian_filter(expected.astype(float), (0.6, 0.6, 0))), expected)


@pytest.mark.parametrize("length", [3.0, 6.0, 12.0])
def test_a_map_that_was_halved_and_enlarged_is_told(length: float) -> None:
    expected = bumpy(12, length, SIZE)
    assert told(halved_and_back(expected), expected)


@pytest.mark.parametrize("length", [6.0, 10.0])
@pytest.mark.parametrize("texels", [1, 2, 3])
def test_a_picture_that_lay_elsewhere_is_no_softer_where_it_happens_to_agree(
    length: float, texels: int
) -> None:
    expected = unit(bumpy(14, length, SIZE) * [0.3, 0.3, 1]).astype(np.float32)
    shown = np.roll(expected, (texels, -texels), axis=(0, 1))
    clean = within_tolerance(shown, expected)
    assert blur_variance(shown, expected, clean) > WIDEST_BAKE
    assert softness_fault(*taken(shown, expected)) is None
    # Scaled as well, it is told.
    assert softness_fault(*taken(halved_and_back(shown), expected)) is not None


def within_tolerance(shown: np.ndarray, expected: np.ndarray) -> np.ndarray:
    return np.linalg.norm(shown - expected, axis=2) < np.radians(6.0)


def taken(shown: np.ndarray, expected: np.ndarray) -> tuple[TileView, np.ndarray, np.ndarray]:
    """What `softness_fault` takes, with what is beyond the tolerance marked."""
    fault = np.where(within_tolerance(shown, expected), Fault.CLEAN, Fault.UNEXPLAINED)
    return viewed(shown, expected), fault.astype(np.uint8), (shown + 1) / 2


def test_any_part_of_a_tent_explains_a_texel_and_no_other_blur_does() -> None:
    """Every share of the filter leads from the texel towards its neighbours' mean."""
    expected = bumpy(13, 4.0, SIZE)
    soft = tent(expected.astype(float))
    everywhere = np.ones((SIZE, SIZE), bool)
    moves = np.linalg.norm(soft - expected, axis=2) > np.radians(6.0)
    assert moves.mean() > 0.1
    for share in (0.3, 0.6, 1.0):
        shown = unit(expected + share * (soft - expected)).astype(np.float32)
        view = viewed(shown, expected)
        found = explained_by_filtering(view, expected, view.shown, 1.5, everywhere)
        inner = moves[1:-1, 1:-1]
        assert found[1:-1, 1:-1][inner].mean() > 0.999
    # Sharper than the texel itself is no mixture of it.
    sharper = viewed(unit(expected - 0.6 * (soft - expected)), expected)
    found = explained_by_filtering(sharper, expected, sharper.shown, 1.5, everywhere)
    assert not found[moves].any()
    # Unless others are asked for, only unexplained texels are.
    view = replace(viewed(soft, expected), fault=np.full((SIZE, SIZE), Fault.CLEAN, np.uint8))
    assert not explained_by_filtering(view, expected, view.shown, 1.5).any()
