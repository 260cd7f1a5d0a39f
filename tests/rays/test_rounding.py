"""Distances refined in float64 from the triangle that was hit, in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.rays.rounding import GRAZING_DISAGREEMENT, refine


@pytest.mark.parametrize("size", [1e-3, 1.0, 1e3])
@pytest.mark.parametrize("degrees", [0.0, 60.0, 150.0])
def test_a_distance_and_the_cosine_to_the_normal_of_a_triangle_of_any_size(
    size: float, degrees: float
) -> None:
    """A plane at height 2 met from the origin at an angle a: after 2 / cos(a), cosine cos(a)."""
    positions = size * np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]) + [0, 0, 2.0]
    triangles = np.array([[0, 1, 2]], np.int32)
    a = np.radians(degrees)
    direction, wanted = (np.sin(a), 0.0, np.cos(a)), 2.0 / np.cos(a)
    off = 0.5 * GRAZING_DISAGREEMENT
    t, cosine = refine(positions, triangles, 0, (0.0, 0.0, 0.0), direction, wanted + off, 1.0)
    assert t == pytest.approx(wanted, rel=1e-14) and cosine == pytest.approx(np.cos(a), rel=1e-14)
    # A traversal that is farther off grazes the plane, and is believed.
    rough = wanted + 2 * GRAZING_DISAGREEMENT
    t, cosine = refine(positions, triangles, 0, (0.0, 0.0, 0.0), direction, rough, 1.0)
    assert t == rough and cosine == pytest.approx(np.cos(a), rel=1e-14)


def test_triangles_without_area_and_along_the_ray_keep_the_distance_of_the_traversal() -> None:
    positions = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 0, 1]])
    triangles = np.array([[0, 1, 2], [0, 1, 3]], np.int32)
    for face in (0, 1):
        along = (0.0, 0.0, 1.0) if face == 0 else (1.0, 0.0, 0.0)
        assert refine(positions, triangles, face, (0.0, 0.0, -1.0), along, 0.7, 1.0) == (0.7, 0.0)
