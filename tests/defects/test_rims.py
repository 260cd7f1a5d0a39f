"""Rims of holes and nearest places, against plain loops over all triangles."""

from __future__ import annotations

from collections import Counter

import numpy as np
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.defects.nearest import NearestPaired
from cagecheck.defects.rims import rim_within
from cagecheck.meshes.lowpoly import prepare_low
from tests.scenes.shapes import box, grid, halves, mesh_parts, surface


def open_middles(positions, triangles):
    """Middles of the edges that one triangle has, by position; a dictionary, edge by edge."""
    uses = Counter()
    for corners in positions[triangles].tolist():
        for k in range(3):
            uses[frozenset((tuple(corners[k]), tuple(corners[(k + 1) % 3])))] += 1
    return np.array([np.mean(list(edge), axis=0) for edge, n in uses.items() if n == 1])


@settings(max_examples=40, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), log_scale=st.floats(-4, 5), far=st.booleans())
def test_rims_are_found_like_by_hand(seed, log_scale, far):
    """A sheet of three parts, with holes and split vertices; balls anywhere, for any parts."""
    rng = np.random.default_rng(seed)
    positions, quads = grid(8)
    triangles = halves(quads)
    triangles = triangles[rng.random(len(triangles)) > 0.1]
    part = np.digitize(positions[triangles].mean(axis=1)[:, 0], [-0.2, 0.2])
    soup = rng.random() < 0.5
    positions = 10**log_scale * (positions + (1000.0 if far else 0.0))
    if soup:
        positions, triangles = positions[triangles].reshape(-1, 3), np.arange(triangles.size)
        triangles = triangles.reshape(-1, 3)
    high = surface(positions, triangles, part, ("a", "b", "c"))
    count = 12
    wanted = rng.random((count, 3)) < 0.6
    # Not beyond the sheet's own outline, so that most balls hold no rim.
    centre = 10**log_scale * (rng.uniform(-0.4, 0.4, (count, 3)) * [1, 1, 0.1])
    centre += 10**log_scale * (1000.0 if far else 0.0)
    radius = 10**log_scale * rng.uniform(0.02, 0.3, count)
    found = rim_within(high, wanted, centre, radius)
    for k in range(count):
        middles = open_middles(positions, triangles[wanted[k][part]])
        away = np.linalg.norm(middles - centre[k], axis=1) if len(middles) else np.zeros(0)
        if np.any(np.abs(away - radius[k]) < 1e-6 * radius[k]):
            continue
        assert found[k] == bool((away < radius[k]).any())


def test_the_seam_of_two_parts_is_no_hole_where_both_are_wanted():
    positions, quads = grid(4)
    triangles = halves(quads)
    part = (positions[triangles].mean(axis=1)[:, 0] > 0).astype(int)
    high = surface(positions, triangles, part, ("left", "right"))
    wanted = np.array([[True, True], [True, False], [False, True], [False, False]])
    found = rim_within(high, wanted, np.zeros((4, 3)), np.full(4, 0.2))
    assert found.tolist() == [False, True, True, False]
    assert rim_within(high, wanted[:0], np.zeros((0, 3)), np.zeros(0)).tolist() == []


@settings(max_examples=25, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6))
def test_nearest_place_on_the_paired_parts_like_by_hand(seed):
    """Against Ericson's closest point on a triangle (Real-Time Collision Detection, 2004)."""
    rng = np.random.default_rng(seed)
    pieces = [box(c - 0.3, c + 0.3) for c in rng.uniform(-1, 1, (4, 3))]
    low = prepare_low(mesh_parts(*pieces, names=list("abcd")))
    paired = rng.random((4, 5)) < 0.4
    points, part = rng.uniform(-1.5, 1.5, (60, 3)), rng.integers(0, 5, 60)
    triangle, place, distance = NearestPaired(low, paired).find(points, part)
    for i in range(60):
        chosen = np.flatnonzero(paired[low.triangle_part, part[i]])
        if len(chosen) == 0:
            assert triangle[i] == -1 and np.isnan(place[i]).all() and distance[i] == np.inf
            continue
        corners = low.positions[low.triangles[chosen]]
        nearest = trimesh.triangles.closest_point(corners, np.repeat(points[[i]], len(chosen), 0))
        away = np.linalg.norm(nearest - points[i], axis=1)
        assert np.isclose(distance[i], away.min(), atol=1e-12)
        assert np.isclose(away[np.flatnonzero(chosen == triangle[i])[0]], away.min(), atol=1e-12)
        assert np.isclose(np.linalg.norm(place[i] - points[i]), away.min(), atol=1e-12)
