"""The order along a Morton curve, against bits put together one by one (Morton, 1966)."""

import numpy as np
import pytest

from cagecheck.arrays.morton import coherent_order


def code(cell):
    """The interleaved bits of three whole numbers, x lowest."""
    out = 0
    for bit in range(21):
        for k in range(3):
            out |= (int(cell[k]) >> bit & 1) << (3 * bit + k)
    return out


@pytest.mark.parametrize("seed", range(6))
def test_order_is_that_of_interleaved_bits_and_ties_keep_theirs(seed):
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(400, 3)) * [1, 0.3, 2]
    if seed % 2:
        points = np.round(points, 1)  # many in one place
    low = points.min(axis=0)
    extent = np.ptp(points, axis=0).max()
    cells = ((points - low) * ((2**21 - 1) / extent)).astype(np.int64)
    expected = sorted(range(len(points)), key=lambda i: code(cells[i]))  # sorted() is stable
    assert coherent_order(points).tolist() == expected


def test_few_points_and_points_in_one_place():
    assert coherent_order(np.zeros((0, 3))).tolist() == []
    assert coherent_order(np.ones((4, 3))).tolist() == [0, 1, 2, 3]


def spread_out(kind, n):
    """Points in groups of many sizes, or nearly all of them in one."""
    out = np.random.default_rng(n).uniform(size=(n, 3))
    if kind == "a clump in a large box":
        out *= 1e-5
        out[0] = 1.0
    if kind == "few places":
        out = np.round(out, 1)
    if kind == "ever denser":
        out = 10 ** (-8 * out)
    return out


@pytest.mark.parametrize(
    "kind", ["everywhere", "a clump in a large box", "few places", "ever denser"]
)
@pytest.mark.parametrize("n", [25, 3000, 200_000])
def test_many_points_are_in_the_order_of_all_bits(kind, n):
    points = spread_out(kind, n)
    low = points.min(axis=0)
    extent = np.ptp(points, axis=0).max()
    cells = ((points - low) * ((2**21 - 1) / extent)).astype(np.int64)
    codes = np.zeros(n, np.int64)
    for bit in range(21):
        for k in range(3):
            codes |= (cells[:, k] >> bit & 1) << (3 * bit + k)
    assert np.array_equal(coherent_order(points), np.argsort(codes, kind="stable"))
