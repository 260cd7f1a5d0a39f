"""Which vertices are one position: exact equality, and sheets kept open."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.meshes.normals import equal_positions, weld


def soup(mesh: trimesh.Trimesh) -> tuple[np.ndarray, np.ndarray]:
    """Every triangle with three vertices of its own."""
    points = mesh.vertices[mesh.faces].reshape(-1, 3)
    return points, np.arange(len(points), dtype=np.int32).reshape(-1, 3)


def blade(wedge_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Two squares meeting at an edge under `wedge_deg`, with vertices of their own."""
    half = np.radians(wedge_deg) / 2
    up = np.array([-np.cos(half), 0, np.sin(half)])
    down = up * [1, 1, -1]
    edge = np.array([[0, 0, 0], [0, 1, 0.0]])
    points = np.concatenate([edge, edge + up, edge, edge + down])
    triangles = np.array([[0, 1, 3], [0, 3, 2], [4, 7, 5], [4, 6, 7]], np.int32)
    return points, triangles


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_shuffled_soup_welds_back_to_the_mesh(seed):
    rng = np.random.default_rng(seed)
    mesh = trimesh.creation.icosphere(subdivisions=2)
    mesh.vertices *= 1 + 0.1 * rng.normal(size=(len(mesh.vertices), 1))
    points, triangles = soup(mesh)
    order = rng.permutation(len(points))
    inverse = np.argsort(order).astype(np.int32)
    welded = weld(points[order], inverse[triangles])
    assert welded.max() + 1 == len(mesh.vertices)
    original = mesh.faces.ravel()[order]
    pairs = np.unique(np.column_stack([welded, original]), axis=0)
    assert len(pairs) == len(mesh.vertices)


def test_numbers_run_in_order_of_first_use():
    points = np.array([[5, 0, 0], [1, 0, 0], [5, 0, 0], [0, 1, 0], [1, 0, 0.0]])
    welded = weld(points, np.zeros((0, 3), np.int32))
    assert welded.tolist() == [0, 1, 0, 2, 1] and welded.dtype == np.int32


def test_equality_is_exact_and_zero_has_no_sign():
    tiny = np.nextafter(1.0, 2)
    points = np.array([[1, 0, 0], [tiny, 0, 0], [0.0, 0, 0], [-0.0, 0, -0.0]])
    assert weld(points, np.zeros((0, 3), np.int32)).tolist() == [0, 1, 2, 2]


def test_nothing_to_weld():
    assert weld(np.zeros((0, 3)), np.zeros((0, 3), np.int32)).shape == (0,)


@pytest.mark.parametrize(("wedge", "positions"), [(90, 6), (10, 6), (3, 6), (0, 8)])
def test_a_blade_keeps_its_edge_and_a_sheet_stays_open(wedge, positions):
    points, triangles = blade(wedge)
    assert weld(points, triangles).max() + 1 == positions


def test_each_side_of_a_sheet_is_welded_within_itself():
    """A two-sided sheet with a UV seam has four vertices at a place: two positions, not four."""
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]])
    front = [square[[0, 1, 2]], square[[0, 2, 3]]]
    back = [square[[2, 1, 0]], square[[3, 2, 0]]]
    points = np.concatenate(front + back)
    triangles = np.arange(12, dtype=np.int32).reshape(4, 3)
    welded = weld(points, triangles)
    assert welded.max() + 1 == 8
    assert set(welded[:6]).isdisjoint(welded[6:])


def test_a_bent_sheet_anywhere_in_space_stays_open():
    """Both sides of two squares meeting at 40 degrees, each with vertices of its own.

    At the bend four vertices share a place: the two of a side are one position. A vertex without
    faces that comes first there takes no side of its own.
    """
    points, triangles = blade(140)
    turn, _ = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))
    points = points @ turn.T
    stray = points[:1]
    both = np.concatenate([stray, points, points])
    faces = np.concatenate([triangles + 1, triangles[:, ::-1] + 1 + len(points)])
    welded = weld(both, faces.astype(np.int32))
    front, back = welded[1:9], welded[9:]
    assert set(front).isdisjoint(back)
    assert len(set(front)) == len(set(back)) == 6
    assert welded[0] in (front[0], back[0]) and welded.max() + 1 == 12


def test_an_unused_vertex_joins_its_place():
    points, triangles = soup(trimesh.creation.box())
    more = np.concatenate([points, points[:1]])
    assert weld(more, triangles)[-1] == weld(points, triangles)[0]


def test_a_closed_cage_does_not_crack():
    """Pushed along the welded normals, vertices at one place end at one place."""
    points, triangles = soup(trimesh.creation.icosphere(subdivisions=2))
    low = prepare_low(mesh_from_polygons(points, triangles))
    pushed = points + 0.1 * low.ray_normals[low.position_id]
    assert weld(pushed, triangles).max() + 1 == low.position_count


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    places=st.lists(st.tuples(*[st.sampled_from([0.0, -0.0, 1.0, 1e-300, 1e9])] * 3), max_size=30)
)
def test_equal_positions_like_a_dictionary(places):
    """Equal as numbers are: 0.0 and -0.0 are one place, neighbours in the last bit are two."""
    positions = np.array(places, float).reshape(-1, 3)
    number = equal_positions(positions)
    seen = {}
    expected = [seen.setdefault(tuple(x + 0.0 for x in place), len(seen)) for place in places]
    assert set(number.tolist()) == set(range(len(seen)))
    pairs = set(zip(number.tolist(), expected, strict=True))
    assert len(pairs) == len(seen)
