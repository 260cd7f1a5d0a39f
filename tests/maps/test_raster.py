"""Texels that triangles cover, against rational arithmetic and shapely."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.maps.coverage import tile_coverage
from cagecheck.maps.raster import SUBTEXEL, columns_of, rows_of, snap

WIDTH, HEIGHT = 12, 8
# Whole and half texels too, so that corners and edges run through centres.
PLACE = st.one_of(st.integers(-8, 40).map(lambda k: k / 2), st.floats(-4, 20, width=32))
TRIANGLE = st.lists(st.tuples(PLACE, PLACE), min_size=3, max_size=3)


def covered(snapped, closed: bool) -> np.ndarray:
    """How many of the triangles cover each texel."""
    out = np.zeros((HEIGHT, WIDTH), int)
    for m in range(len(snapped.owner)):
        top, bottom = rows_of(snapped.corner, m, 0, HEIGHT - 1)
        for y in range(top, bottom + 1):
            first, last = columns_of(snapped.corner, m, y, closed, 0, WIDTH - 1)
            out[y, list(range(first, last + 1))] += 1
    return out


def uv_of(corners) -> np.ndarray:
    """UVs of corners given as columns and rows of the map."""
    p = np.array(corners, float)
    return np.stack([p[:, 0] / WIDTH, 1 - p[:, 1] / HEIGHT], axis=1)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(TRIANGLE)
def test_texels_are_those_whose_centres_lie_inside(corners):
    snapped = snap(uv_of(corners)[None], 1001, WIDTH, HEIGHT)
    with_border, without = covered(snapped, True), covered(snapped, False)
    if len(snapped.owner) == 0:
        return
    p = [[Fraction(int(x), SUBTEXEL) for x in row] for row in snapped.corner[0]]
    for y in range(HEIGHT):
        for x in range(WIDTH):
            c = (Fraction(2 * x + 1, 2), Fraction(2 * y + 1, 2))
            sides = [
                (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
                for a, b in zip(p, p[1:] + p[:1], strict=True)
            ]
            assert with_border[y, x] == all(s >= 0 for s in sides)
            if all(s > 0 for s in sides) or any(s < 0 for s in sides):
                assert without[y, x] == with_border[y, x]


@settings(max_examples=100, deadline=None, derandomize=True)
@given(PLACE, PLACE)
def test_triangles_around_a_point_share_no_texel_and_leave_none(x, y):
    """Four triangles from the corners of the map to a point in it cut it up."""
    middle = (min(max(x, 0), WIDTH), min(max(y, 0), HEIGHT))
    rim = [(0, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT)]
    fan = [uv_of([a, b, middle]) for a, b in zip(rim, rim[1:] + rim[:1], strict=True)]
    assert np.all(covered(snap(np.array(fan), 1001, WIDTH, HEIGHT), False) == 1)


@pytest.mark.parametrize("seed", range(4))
def test_masks_are_those_of_shapely(seed):
    rng = np.random.default_rng(seed)
    uv = rng.uniform(-0.3, 1.3, (30, 3, 2)) + [1, 2]
    ours = tile_coverage(uv, 1022, 90, 50)
    x, y = np.meshgrid((np.arange(90) + 0.5) / 90 + 1, 3 - (np.arange(50) + 0.5) / 50)
    polygons = shapely.polygons(uv)
    whole = shapely.union_all(polygons)
    shapely.prepare(whole)
    theirs = shapely.intersects_xy(whole, x, y)
    # Snapping moves an outline by half of 1/4096 of a texel.
    near = shapely.distance(shapely.boundary(whole), shapely.points(x, y)) < 1 / 4096 / 50
    assert np.array_equal(ours[~near], theirs[~near]) and near.mean() < 0.01 < ours.mean()
