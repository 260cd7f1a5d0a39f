"""Texels along UV seams."""

from __future__ import annotations

import numpy as np

from cagecheck.locating.seam_check import seam_samples
from tests.scenes.shapes import as_low, grid, plane_low


def test_a_low_poly_of_one_island_has_no_seam() -> None:
    found = seam_samples(plane_low(2, with_uv=True), 64)
    assert found.tile.shape == (0, 2) and len(found.edge) == 0


def test_texels_lie_on_both_sides_of_a_seam() -> None:
    """Two halves of a square, the right one's island moved down by 0.1 in v: 32 texels of seam."""
    positions, quads = grid(2, 1.0)
    uv = (0.45 * positions[:, :2] + 0.5)[quads.ravel()]
    right = np.repeat(positions[quads][:, :, 0].mean(axis=1) > 0, 4)
    uv[right] += [0.05, -0.1]
    found = seam_samples(as_low(positions, quads, uv), 64)
    assert (found.tile == 1001).all()
    # The edge is 0.45 of 64 texels long, in two halves: a pair of texels every two.
    assert len(found.edge) == 2 * int(np.ceil(0.225 * 64 / 2))
    centre = (found.x + 0.5) / 64
    assert ((centre < 0.5) == [True, False]).all(axis=1).all() or (
        (centre < 0.5) == [False, True]
    ).all(axis=1).all()
    lower = np.where(found.x[:, 0] < 32, found.y[:, 1], found.y[:, 0])
    upper = np.where(found.x[:, 0] < 32, found.y[:, 0], found.y[:, 1])
    # v falls by 0.1: rows from the top grow by 6.4.
    assert np.isin(lower - upper, [6, 7]).all()
