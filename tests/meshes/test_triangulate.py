"""Polygons to triangles, against Shapely's areas, Mapbox's earcut and closed forms."""

from __future__ import annotations

import mapbox_earcut
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.meshes.mesh import Mesh, mesh_from_polygons
from cagecheck.meshes.normals import triangle_normals
from cagecheck.meshes.triangulate import newell_normals, triangulate


def flat_mesh(points: np.ndarray, rotation: np.ndarray | None = None, shift=(0, 0, 0)) -> Mesh:
    """One polygon in a plane of space."""
    space = np.column_stack([points, np.zeros(len(points))])
    space = space if rotation is None else space @ rotation.T
    return mesh_from_polygons(space + np.asarray(shift), [list(range(len(points)))])


def random_rotation(rng: np.random.Generator) -> np.ndarray:
    q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    return q * np.sign(np.linalg.det(q))


def triangles_of(points: np.ndarray, mesh: Mesh, quads="first") -> list[shapely.Polygon]:
    cut = triangulate(mesh, quads)
    return [shapely.Polygon(points[mesh.corner_vertex[t]]) for t in cut.corners]


def covers_exactly(points: np.ndarray, triangles: list[shapely.Polygon]) -> None:
    """The triangles tile the polygon: same area, none outside, none over another."""
    whole = shapely.Polygon(points)
    total = sum(t.area for t in triangles)
    assert total == pytest.approx(whole.area, rel=1e-9)
    assert shapely.union_all(triangles).symmetric_difference(whole).area < 1e-9 * whole.area


def star(rng: np.random.Generator, n: int) -> np.ndarray:
    """A random star-shaped polygon: simple, usually concave, counter-clockwise."""
    angle = (np.arange(n) + rng.uniform(0.1, 0.9, n)) * 2 * np.pi / n
    radius = rng.uniform(0.2, 1.0, n)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def test_counts_and_maps():
    points = np.random.default_rng(1).normal(size=(12, 3))
    faces = [[0, 1, 2], [3, 4], [3, 4, 5, 6], [7, 8, 9, 10, 11], [], [2, 1, 0]]
    mesh = mesh_from_polygons(points, faces)
    cut = triangulate(mesh)
    assert list(np.bincount(cut.face, minlength=6)) == [1, 0, 2, 3, 0, 1]
    assert np.all(np.diff(cut.face) >= 0)
    assert cut.corners.dtype == np.int32 and cut.face.dtype == np.int32
    assert np.array_equal(mesh.corner_face[cut.corners], np.repeat(cut.face[:, None], 3, axis=1))


def test_empty_mesh():
    mesh = mesh_from_polygons(np.zeros((0, 3)), [])
    cut = triangulate(mesh)
    assert cut.corners.shape == (0, 3) and cut.face.shape == (0,)
    assert newell_normals(mesh).shape == (0, 3)


@pytest.mark.parametrize("turn", range(4))
@pytest.mark.parametrize("rule", ["first", "short"])
def test_concave_quad_is_cut_inside(turn, rule):
    dart = np.roll(np.array([[0, 0], [1, -0.6], [0.3, 0.0], [1, 0.6]]), turn, axis=0)
    covers_exactly(dart, triangles_of(dart, flat_mesh(dart), rule))


def test_flat_convex_quad_follows_the_rule():
    kite = np.array([[0, 0], [1, -0.2], [2, 0], [1, 0.2]])
    first, short = (triangulate(flat_mesh(kite), rule).corners for rule in ("first", "short"))
    assert first.tolist() == [[0, 1, 2], [0, 2, 3]]
    assert short.tolist() == [[0, 1, 3], [1, 2, 3]]


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(3, 40), st.sampled_from(["first", "short"]))
def test_star_polygons_are_tiled_and_face_the_same_way(seed, n, rule):
    rng = np.random.default_rng(seed)
    points = star(rng, n)
    rotation = random_rotation(rng)
    scale, shift = 10 ** rng.uniform(-3, 3), rng.normal(size=3)
    mesh = flat_mesh(points * scale, rotation, shift)
    cut = triangulate(mesh, rule)
    assert len(cut.corners) == n - 2
    covers_exactly(points, [shapely.Polygon(points[t]) for t in cut.corners])
    normals, area = triangle_normals(mesh.positions, mesh.corner_vertex[cut.corners])
    real = area > 1e-9 * scale**2
    assert np.allclose(normals[real] @ rotation[:, 2], 1, atol=1e-6)


@pytest.mark.parametrize("n", [5, 8, 33, 200])
def test_area_equals_earcut_and_newell(n):
    rng = np.random.default_rng(n)
    points = star(rng, n)
    mesh = flat_mesh(points)
    cut = triangulate(mesh)
    _, area = triangle_normals(mesh.positions, mesh.corner_vertex[cut.corners])
    theirs = mapbox_earcut.triangulate_float64(points, np.array([n], np.uint32)).reshape(-1, 3)
    e1, e2 = (
        points[theirs[:, 1]] - points[theirs[:, 0]],
        points[theirs[:, 2]] - points[theirs[:, 0]],
    )
    earcut_area = 0.5 * np.abs(e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0]).sum()
    assert area.sum() == pytest.approx(earcut_area, rel=1e-9)
    assert 0.5 * newell_normals(mesh)[0, 2] == pytest.approx(earcut_area, rel=1e-9)


def test_regular_polygon_is_a_fan_of_known_area():
    n = 12
    angle = 2 * np.pi * np.arange(n) / n
    points = np.column_stack([np.cos(angle), np.sin(angle)])
    cut = triangulate(flat_mesh(points))
    assert np.all(cut.corners[:, 0] == 0)
    triangles = triangles_of(points, flat_mesh(points))
    assert sum(t.area for t in triangles) == pytest.approx(n / 2 * np.sin(2 * np.pi / n))


def test_points_on_an_edge_are_kept_and_change_nothing():
    square = np.array([[0, 0], [0.5, 0], [1, 0], [1, 0.5], [1, 1], [0.5, 1], [0, 1], [0, 0.5]])
    covers_exactly(square, [t for t in triangles_of(square, flat_mesh(square)) if t.area > 0])


def test_polygon_with_a_bridged_hole():
    """A ring written as one loop walks its bridge twice, with repeated points."""
    outer = [[0, 0], [4, 0], [4, 4], [0, 4]]
    inner = [[1, 1], [1, 3], [3, 3], [3, 1]]
    loop = np.array([*outer, outer[0], inner[0], *inner[1:], inner[0]], float)
    triangles = triangles_of(loop, flat_mesh(loop))
    ring = shapely.Polygon(outer, [inner])
    assert sum(t.area for t in triangles) == pytest.approx(ring.area)
    assert shapely.union_all(triangles).symmetric_difference(ring).area < 1e-12


def test_spiral_of_many_corners():
    turn = np.linspace(0, 6 * np.pi, 300)
    outer = np.column_stack([np.cos(turn), np.sin(turn)]) * (1 + turn)[:, None]
    inner = np.column_stack([np.cos(turn), np.sin(turn)]) * (0.4 + turn)[:, None]
    spiral = np.concatenate([outer, inner[::-1]])
    assert shapely.Polygon(spiral).is_valid
    covers_exactly(spiral, triangles_of(spiral, flat_mesh(spiral)))


def test_star_that_turns_left_everywhere_is_not_taken_for_convex():
    """A pentagram's turns are all left, yet it goes round twice: no cut may fail."""
    order = [0, 2, 4, 1, 3]
    angle = 2 * np.pi * np.array(order) / 5
    pentagram = np.column_stack([np.cos(angle), np.sin(angle)])
    assert triangulate(flat_mesh(pentagram)).corners.shape == (3, 3)


@pytest.mark.parametrize("n", [4, 5, 9])
def test_polygons_without_area_still_give_their_triangles(n):
    line = np.column_stack([np.arange(n), np.zeros(n)])
    assert triangulate(flat_mesh(line)).corners.shape == (n - 2, 3)
    assert triangulate(flat_mesh(np.zeros((n, 2)))).corners.shape == (n - 2, 3)


def test_newell_keeps_its_digits_far_from_the_origin():
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])
    far = flat_mesh(square, shift=(2.0**30, -(2.0**30), 2.0**20))
    assert newell_normals(far)[0].tolist() == [0, 0, 2]


def test_mixed_sizes_keep_face_order_and_corner_order():
    rng = np.random.default_rng(7)
    points, faces = [], []
    for n in rng.integers(3, 9, 60):
        faces.append(list(range(len(points), len(points) + n)))
        points.extend(np.column_stack([star(rng, n), np.zeros(n)]))
    mesh = mesh_from_polygons(np.array(points), faces)
    cut = triangulate(mesh)
    assert np.array_equal(np.bincount(cut.face), np.diff(mesh.face_start) - 2)
    per_face = np.zeros(mesh.face_count)
    _, area = triangle_normals(mesh.positions, mesh.corner_vertex[cut.corners])
    np.add.at(per_face, cut.face, area)
    expected = [shapely.Polygon(mesh.positions[f, :2]).area for f in faces]
    assert np.allclose(per_face, expected, rtol=1e-9)


@pytest.mark.parametrize("rule", ["first", "short"])
def test_every_quad_of_a_mesh_is_judged_by_its_own_corners(rule):
    """Convex and concave quads side by side: each is tiled, the convex ones as the rule says."""
    rng = np.random.default_rng(5)
    quads = np.array([star(rng, 4) + 7 * k for k in range(60)])
    for k in range(0, 60, 2):  # a dart: its fourth corner lies inside the triangle of the others
        quads[k, 3] = rng.dirichlet([2, 2, 2]) @ quads[k, :3]
        quads[k] = np.roll(quads[k], rng.integers(4), axis=0)
    space = np.concatenate([quads, np.zeros((60, 4, 1))], axis=2).reshape(-1, 3)
    cut = triangulate(mesh_from_polygons(space, np.arange(240).reshape(60, 4)), rule)
    seconds = convex = 0
    for k, quad in enumerate(quads):
        triangles = cut.corners[cut.face == k] - 4 * k
        covers_exactly(quad, [shapely.Polygon(quad[t]) for t in triangles])
        if shapely.Polygon(quad).convex_hull.area > shapely.Polygon(quad).area * (1 + 1e-9):
            continue
        diagonals = [np.hypot(*(quad[b] - quad[a])) for a, b in ((0, 2), (1, 3))]
        second = rule == "short" and diagonals[1] < diagonals[0]
        assert triangles.tolist() == ([[0, 1, 3], [1, 2, 3]] if second else [[0, 1, 2], [0, 2, 3]])
        convex += 1
        seconds += second
    assert 10 < convex < 50 and bool(seconds > 3) is (rule == "short")


def test_a_square_has_no_shorter_diagonal_and_is_cut_from_its_first_corner():
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])
    assert triangulate(flat_mesh(square), "short").corners.tolist() == [[0, 1, 2], [0, 2, 3]]


def test_newell_of_faces_far_apart_and_of_faces_without_corners():
    """Each face by its own corners: squares of side 1 and 2 that are 2^30 apart, a point, a gap."""
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]])
    points = np.concatenate([square, 2 * square[:, [1, 2, 0]] + 2.0**30])
    faces = [[0, 1, 2, 3], [], [5], [4, 5, 6, 7], [], [1, 6]]
    expected = [[0, 0, 2], [0, 0, 0], [0, 0, 0], [0, 8, 0], [0, 0, 0], [0, 0, 0]]
    assert newell_normals(mesh_from_polygons(points, faces)).tolist() == expected


@pytest.mark.parametrize("turn", range(6))
def test_concave_polygons_far_from_the_origin_are_tiled(turn):
    """An L of six whole-numbered corners, 2^30 away: nothing is rounded."""
    corner = np.roll(np.array([[0, 0], [4, 0], [4, 1], [1, 1], [1, 4], [0, 4.0]]), turn, axis=0)
    far = flat_mesh(corner, shift=(2.0**30, 2.0**30, -(2.0**30)))
    covers_exactly(corner, triangles_of(corner, far))
