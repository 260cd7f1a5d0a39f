"""A lattice over a picture: what scaling leaves, and what only looks like it."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import binary_dilation

from cagecheck.locating.resampling import lattice, most_by_scaling

SIZE = 384


def waves(size: int = SIZE) -> np.ndarray:
    """(S, S, 3) float32 unit normals of waves 20 to 40 texels long."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[:size, :size]
    lean = np.zeros((size, size, 2))
    for _ in range(16):
        k = rng.normal(size=2)
        k *= 2 * np.pi / (rng.uniform(20, 40) * np.linalg.norm(k))
        lean += k / np.linalg.norm(k) * np.cos(k[0] * x + k[1] * y + rng.uniform(0, 7))[..., None]
    out = np.dstack([0.05 * lean, np.ones((size, size))])
    return (out / np.linalg.norm(out, axis=2, keepdims=True)).astype(np.float32)


def stored(vectors: np.ndarray) -> np.ndarray:
    """8-bit values of vectors."""
    return np.rint((vectors + 1) / 2 * 255).astype(np.uint8)


def found(values: np.ndarray, expected: np.ndarray, inside: np.ndarray | None = None):  # type: ignore[no-untyped-def]
    return lattice(
        (values / 255).astype(np.float32),
        np.ones((SIZE, SIZE), bool) if inside is None else inside,
        lambda: expected,
        lambda vectors: (np.rint((vectors + 1) / 2 * 255) / 255).astype(np.float32),
        straight,
    )


def straight(shares: np.ndarray) -> np.ndarray:
    vectors = shares * 2 - 1
    return (vectors / np.linalg.norm(vectors, axis=2, keepdims=True)).astype(np.float32)


def scaled_and_back(values: np.ndarray, share: float) -> np.ndarray:
    """By an image library's filters."""
    small = round(SIZE * share)
    there = Image.fromarray(values).resize((small, small), Image.Resampling.BILINEAR)
    return np.asarray(there.resize((SIZE, SIZE), Image.Resampling.BILINEAR))


def ridged(vectors: np.ndarray, degrees: float) -> np.ndarray:
    """Ridges six texels wide over a quarter, as neither scaling nor rounding makes them."""
    y, x = np.mgrid[:SIZE, :SIZE]
    ridges = np.dstack([np.cos(2 * np.pi * x / 6), np.cos(2 * np.pi * y / 6)])
    ridges *= ((x < SIZE // 2) & (y < SIZE // 2))[..., None]
    out = vectors.astype(np.float64).copy()
    out[..., :2] += np.radians(degrees) * ridges
    return out / np.linalg.norm(out, axis=2, keepdims=True)


@pytest.mark.parametrize("share", [0.7, 0.83])
def test_scaling_leaves_its_share(share: float) -> None:
    expected = waves()
    assert found(stored(expected), expected) is None
    frequency = found(scaled_and_back(stored(expected), share), expected)
    # A lattice of s cycles a texel looks like one of 1 - s.
    assert frequency == pytest.approx(1 - share, abs=0.01)


def test_a_rhythm_that_no_scaling_makes_is_no_lattice() -> None:
    """Padding over lost ridges keeps their rhythm, which the expected picture has not there."""
    expected = waves()
    assert found(stored(ridged(expected, 3.0)), expected) is None


def test_a_map_that_was_scaled_is_told_beside_such_a_rhythm() -> None:
    expected = waves()
    values = scaled_and_back(stored(ridged(expected, 3.0)), 0.7)
    assert found(values, expected) == pytest.approx(0.3, abs=0.01)


@pytest.mark.parametrize(
    ("share", "least"), [(0.5, 0.99), (0.6, 0.999), (0.7, 0.999), (0.9, 0.999)]
)
def test_scaling_changes_no_more_than_it_may(share: float, least: float) -> None:
    """Rounding three times may add up to more here and there, most where scaling blurs most."""
    expected = waves()
    values = scaled_and_back(stored(expected), share)
    off = np.abs(straight(values / 255) - expected).max(axis=2)
    assert (off <= most_by_scaling(expected)).mean() > least


def test_lines_with_too_few_texels_tell_nothing() -> None:
    expected = waves()
    middle = np.zeros((SIZE, SIZE), bool)
    middle[SIZE // 2, SIZE // 2] = True
    few = binary_dilation(middle, iterations=10)
    assert found(scaled_and_back(stored(expected), 0.7), expected, few) is None
