"""Wedges between the rays of both sides of an edge, in closed form.

Unit vectors at an angle a are 2 sin(a / 2) apart (the chord of the unit circle).
"""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.defects.split import split_slope, wedge_slope
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage, cage_from_offset
from cagecheck.rays.points import PointKind, SurfacePoints, sample_points
from tests.scenes.shapes import as_low, box

Z, X = np.array([0.0, 0, 1]), np.array([1.0, 0, 0])


def edge_points(triangle: list[int], barycentric: list[list[float]]) -> SurfacePoints:
    n = len(triangle)
    kind = np.full(n, PointKind.EDGE, np.uint8)
    return SurfacePoints(
        np.array(triangle, np.int32), np.array(barycentric), np.zeros(n), kind, np.ones(n)
    )


def two_triangles(turn_one: int, turn_other: int, is_flipped: bool) -> tuple[LowPoly, Cage]:
    """Two triangles in one plane with the edge from (0, 0, 0) to (0, 1, 0).

    All directions are up, but for the one beyond the edge (x > 0) at the edge's far end, which lies
    along x. Corners may begin anywhere, and the second triangle may run the edge the same way.
    """
    place = np.array([[0, 0, 0], [0, 1, 0], [-1, 0, 0], [1, 0, 0]], float)
    one = np.roll([0, 1, 2], turn_one)
    other = np.roll([0, 1, 3] if is_flipped else [1, 0, 3], turn_other)
    directions = np.tile(Z, (2, 3, 1))
    directions[1, other == 1] = X
    return as_low(place, [one.tolist(), other.tolist()]), Cage(directions, directions, "by hand")


@pytest.mark.parametrize("is_flipped", [False, True])
@pytest.mark.parametrize("turn_one", range(3))
@pytest.mark.parametrize("turn_other", range(3))
def test_a_wedge_opens_along_an_edge(turn_one: int, turn_other: int, is_flipped: bool) -> None:
    """At a share s of the edge the other side's ray leans by atan(s / (1 - s))."""
    low, cage = two_triangles(turn_one, turn_other, is_flipped)
    share = np.array([0.1, 0.25, 0.5, 0.9])
    rows = np.zeros((4, 3))
    rows[:, low.triangles[0] == 0] = 1 - share[:, None]
    rows[:, low.triangles[0] == 1] = share[:, None]
    found = wedge_slope(low, cage, edge_points([0] * 4, rows.tolist()))
    assert np.allclose(found, 2 * np.sin(np.arctan2(share, 1 - share) / 2))
    # From the other side it is the same wedge.
    rows = np.zeros((4, 3))
    rows[:, low.triangles[1] == 0] = 1 - share[:, None]
    rows[:, low.triangles[1] == 1] = share[:, None]
    again = wedge_slope(low, cage, edge_points([1] * 4, rows.tolist()))
    assert np.allclose(again, found)


@pytest.mark.parametrize("turn", range(3))
def test_the_border_of_a_sheet_and_the_inside_have_no_wedge(turn: int) -> None:
    low, cage = two_triangles(turn, turn, False)
    rows = np.full((2, 3), 0.5)
    rows[:, low.triangles[1] == 0] = 0.0  # from (0, 1, 0) to (1, 0, 0)
    points = edge_points([1, 1], rows.tolist())
    assert wedge_slope(low, cage, points).tolist() == [0.0, 0.0]
    inside = edge_points([1], [[0.2, 0.3, 0.5]])
    inside.kind[:] = PointKind.INTERIOR
    assert wedge_slope(low, cage, inside).tolist() == [0.0]


@pytest.mark.parametrize("is_inside_out", [False, True])
def test_face_directions_part_by_a_right_angle_at_the_edges_of_a_box(is_inside_out: bool) -> None:
    """Above the edges of a box rays part, above those of a room they cross; diagonals are flat."""
    positions, quads = box((0, 0, 0), (1, 2, 3))
    low = as_low(positions, quads[:, ::-1] if is_inside_out else quads)
    points = sample_points(low, 0.3, seed=2)
    found = wedge_slope(low, cage_from_offset(low, 0.1, "face"), points)
    place = points.positions(low)
    on_sides = (np.abs(place) < 1e-9) | (np.abs(place - [1, 2, 3]) < 1e-9)
    on_edges = (on_sides.sum(axis=1) == 2) & (points.kind == PointKind.EDGE)
    assert on_edges.sum() > 50
    right = 2 * np.sin(np.radians(45))
    assert np.allclose(found[on_edges], -right if is_inside_out else right)
    assert (found[~on_edges] == 0).all()
    # A closed cage has one direction for each vertex.
    assert not wedge_slope(low, cage_from_offset(low, 0.1), points).any()


def test_a_wedge_in_texels_needs_texels() -> None:
    slope, texels = np.array([0.5, -0.5, 0.5, -0.5, 0.0]), np.array([100.0, 100, 0, 0, 0])
    assert split_slope(slope, texels).tolist() == [50.0, -50.0, np.inf, -np.inf, 0.0]
