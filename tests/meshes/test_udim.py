"""UDIM numbers: 1001 + u + 10 v, ten tiles to a row, four digits."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.meshes.tiles import NO_TILE, tile_origin, udim_of


def test_every_four_digit_tile_has_its_number_and_no_other_place_has_one():
    v, u = np.divmod(np.arange(-20, 9100), 10)
    centre = np.stack([u + 0.5, v + 0.5], axis=1)
    number = udim_of(centre)
    expected = 1001 + u + 10 * v
    assert np.array_equal(number, np.where((v >= 0) & (expected <= 9999), expected, NO_TILE))
    for tile in (1001, 1010, 1011, 9999):
        row, column = divmod(tile - 1001, 10)
        assert tile_origin(tile) == (column, row)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(u=st.floats(width=32), v=st.floats(width=32))
def test_any_pair_of_numbers(u, v):
    (number,) = udim_of(np.array([[u, v]], np.float64))
    on_grid = 0 <= u < 10 and 0 <= v < 900 and 1001 + int(u) + 10 * int(v) <= 9999
    assert number == (1001 + int(u) + 10 * int(v) if on_grid else NO_TILE)
    assert udim_of(np.array([[u, np.nan]], np.float64))[0] == NO_TILE
    assert udim_of(np.array([[np.nan, v]], np.float64))[0] == NO_TILE
