"""Eight boxes at once, against the same in NumPy."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.arrays.eight import WIDTH, eight_within, lowest_bit
from cagecheck.loops import njit


@njit(cache=False, nogil=True)
def _ask(boxes, ranges, which, place, along, limit, square, share):
    return eight_within(boxes, ranges, which, place, along, limit, square, share)


@njit(cache=False, nogil=True)
def _lowest(bits):
    return lowest_bit(bits)


@pytest.mark.parametrize("some_way", [True, False])
def test_squares_shares_and_bits(some_way):
    rng = np.random.default_rng(5)
    ends = np.sort(rng.uniform(-1, 1, (2, 40, 2, 3, WIDTH)), axis=2).astype(np.float32)
    boxes, ranges = np.ascontiguousarray(ends.reshape(2, 40, 6, WIDTH))
    square, share = np.empty(WIDTH), np.empty(WIDTH)
    within = []
    for which in range(40):
        place, along = rng.uniform(-1, 1, 3), rng.uniform(-1, 1, 3) * some_way
        least, most = ends[0, which].astype(float)
        gap = np.maximum(np.maximum(least - place[:, None], place[:, None] - most), 0.0)
        cosine = np.maximum(along[:, None] * ends[1, which, 0], along[:, None] * ends[1, which, 1])
        expected = np.clip(cosine.sum(axis=0), 0, 1) ** 4 if some_way else np.ones(WIDTH)
        bits = _ask(boxes, ranges, which, tuple(place), tuple(along), 0.5, square, share)
        np.testing.assert_allclose(square, (gap**2).sum(axis=0), rtol=1e-14)
        np.testing.assert_allclose(share, expected, rtol=1e-12, atol=1e-15)
        told = [bool(bits >> lane & 1) for lane in range(WIDTH)]
        assert told == (square < 0.5 * share).tolist()
        within += told
    assert 0 < sum(within) < len(within)


def test_lowest_bit():
    assert [_lowest(bits) for bits in (1, 2, 3, 12, 128)] == [0, 1, 0, 2, 7]
