"""Normals against libigl (its angle and area weights), closed forms and rules worked by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.errors import InputError
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh, mesh_from_polygons
from cagecheck.meshes.normals import (
    HARDNESS_SLACK_DEG,
    SLIVER_HEIGHT,
    NormalRule,
    averaged_normals,
    corner_angles,
    corner_normals,
    edge_pairs,
    hard_edges,
    triangle_normals,
    weld,
)
from cagecheck.meshes.triangulate import triangulate

CUBE = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], float)
CUBE_QUADS = [
    [0, 1, 3, 2],
    [4, 6, 7, 5],
    [0, 4, 5, 1],
    [2, 3, 7, 6],
    [0, 2, 6, 4],
    [1, 5, 7, 3],
]


def cube() -> Mesh:
    return mesh_from_polygons(CUBE, CUBE_QUADS)


def split_cube() -> Mesh:
    """The same cube with four vertices of its own for every face, as some formats store it."""
    quads = np.arange(24).reshape(6, 4)
    return mesh_from_polygons(CUBE[np.array(CUBE_QUADS).ravel()], quads)


def bumpy_sphere(seed: int = 3, bump: float = 0.1) -> trimesh.Trimesh:
    mesh = trimesh.creation.icosphere(subdivisions=3)
    rng = np.random.default_rng(seed)
    mesh.vertices *= 1 + bump * rng.normal(size=(len(mesh.vertices), 1))
    return mesh


def prism(n: int) -> Mesh:
    """An open n-sided tube around z, of quads, facing outwards."""
    angle = 2 * np.pi * np.arange(n) / n
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    points = np.concatenate([np.column_stack([ring, np.full(n, z)]) for z in (0.0, 1.0)])
    quads = [[i, (i + 1) % n, n + (i + 1) % n, n + i] for i in range(n)]
    return mesh_from_polygons(points, quads)


def corners(mesh: Mesh, rule: NormalRule | None = None) -> np.ndarray:
    cut = triangulate(mesh)
    position_id = weld(mesh.positions, mesh.corner_vertex[cut.corners])
    return corner_normals(mesh, cut, position_id, rule)


# Triangles


def test_triangle_normal_and_area_of_a_known_triangle():
    unit, area = triangle_normals(
        np.array([[0, 0, 0], [2, 0, 0], [0, 3, 0.0]]), np.array([[0, 1, 2]], np.int32)
    )
    assert unit.tolist() == [[0, 0, 1]] and area.tolist() == [3]


def test_triangles_without_area_or_direction_have_no_normal():
    points = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [1, 1e-8, 0], [1, 1e-3, 0.0]])
    unit, area = triangle_normals(points, np.array([[0, 1, 2], [0, 2, 3], [0, 2, 4]], np.int32))
    assert unit.tolist() == [[0, 0, 0], [0, 0, 0], [0, 0, 1]]
    assert area[0] == 0 and area[1] == pytest.approx(1e-8) and area[2] == pytest.approx(1e-3)


@pytest.mark.parametrize("turn", range(3))
@pytest.mark.parametrize("along", [0.0, 0.5])
@pytest.mark.parametrize(("share", "faces"), [(0.9, False), (1.1, True)])
def test_a_sliver_is_judged_by_its_height_against_its_longest_edge(turn, along, share, faces):
    """A needle (two long edges) and a flat triangle (its tip over the middle) near the limit."""
    points = np.array([[0, 0, 0], [1, 0, 0], [along, share * SLIVER_HEIGHT, 0.0]])
    triangle = np.roll(np.arange(3, dtype=np.int32), turn)[None]
    unit, _ = triangle_normals(points + [4, 8, 0], triangle)
    assert unit.tolist() == [[0, 0, float(faces)]]


@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e6])
def test_triangle_normals_and_angles_match_trimesh_and_libigl(scale):
    mesh = bumpy_sphere()
    points, triangles = mesh.vertices * scale, mesh.faces.astype(np.int32)
    unit, area = triangle_normals(points, triangles)
    assert np.allclose(unit, mesh.face_normals, atol=1e-12)
    assert np.allclose(area, mesh.area_faces * scale**2, rtol=1e-12)
    assert np.allclose(corner_angles(points, triangles), igl.internal_angles(points, mesh.faces))


# Positions


@pytest.mark.parametrize(
    ("weight", "igl_weight"),
    [
        ("angle", igl.PER_VERTEX_NORMALS_WEIGHTING_TYPE_ANGLE),
        ("area", igl.PER_VERTEX_NORMALS_WEIGHTING_TYPE_AREA),
    ],
)
def test_averaged_normals_match_libigl(weight, igl_weight):
    mesh = bumpy_sphere()
    triangles = mesh.faces.astype(np.int32)
    position_id = weld(mesh.vertices, triangles)
    ours = averaged_normals(mesh.vertices, triangles, position_id, weight)[position_id]
    theirs = igl.per_vertex_normals(mesh.vertices, mesh.faces.astype(np.int64), igl_weight)
    assert np.allclose(ours, theirs, atol=1e-12)


def test_angle_weight_does_not_see_how_the_faces_are_cut():
    """Thuermer and Wuethrich 1998: a cube's corner normal is its diagonal, however cut."""
    diagonal = (2 * CUBE - 1) / np.sqrt(3)
    for quads in ("first", "short"):
        for turn in range(4):
            mesh = mesh_from_polygons(CUBE, [q[turn:] + q[:turn] for q in CUBE_QUADS])
            low = prepare_low(mesh, quads=quads)
            assert np.allclose(low.ray_normals[low.position_id], diagonal, atol=1e-12)
    by_area = corners(cube(), NormalRule("smooth", "area")).reshape(-1, 3)
    assert not np.allclose(np.abs(by_area), 1 / np.sqrt(3), atol=1e-3)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_normals_turn_with_the_mesh_and_ignore_scale(seed):
    rng = np.random.default_rng(seed)
    mesh = bumpy_sphere(seed % 7)
    triangles = mesh.faces.astype(np.int32)
    q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    q *= np.sign(np.linalg.det(q))
    moved = (mesh.vertices * 10 ** rng.uniform(-3, 3)) @ q.T
    same = np.arange(len(moved), dtype=np.int32)
    before = averaged_normals(mesh.vertices, triangles, same)
    assert np.allclose(averaged_normals(moved, triangles, same), before @ q.T, atol=1e-9)


def test_a_sliver_does_not_sway_its_neighbours():
    """A T-junction's sliver faces anywhere and spans 180 degrees: it must weigh nothing."""
    points = np.array([[0, 0, 0], [1, 0, 0], [0.5, 0, 1e-9], [0.5, 1, 0], [0.5, -1, 0.0]])
    triangles = np.array([[0, 2, 3], [2, 1, 3], [0, 1, 2], [1, 0, 4]], np.int32)
    normals = averaged_normals(points, triangles, np.arange(5, dtype=np.int32))
    assert np.allclose(normals, [0, 0, 1], atol=1e-8)


def test_normals_that_cancel_are_zero_not_noise():
    """One set of vertices used by both sides of a sheet has no direction to be pushed in."""
    rng = np.random.default_rng(0)
    points = rng.normal(size=(3, 3))
    triangles = np.array([[0, 1, 2], [0, 2, 1]], np.int32)
    assert not averaged_normals(points, triangles, np.arange(3, dtype=np.int32)).any()
    mesh = mesh_from_polygons(points, triangles)
    unit, _ = triangle_normals(points, triangles)
    # Shading still has a direction: the triangle's own.
    assert np.allclose(corners(mesh), unit[:, None], atol=1e-12)


def test_unused_positions_have_no_normal():
    points = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [5, 5, 5.0]])
    normals = averaged_normals(
        points, np.array([[0, 1, 2]], np.int32), np.arange(4, dtype=np.int32)
    )
    assert normals[3].tolist() == [0, 0, 0]


# Corners


@pytest.mark.parametrize("make", [cube, split_cube])
def test_smooth_corners_cross_splits_in_the_file(make):
    mesh = make()
    normals = corners(mesh, NormalRule("smooth"))
    cut = triangulate(mesh)
    at = mesh.positions[mesh.corner_vertex[cut.corners]]
    assert np.allclose(normals, (2 * at - 1) / np.sqrt(3), atol=1e-12)


@pytest.mark.parametrize("make", [cube, split_cube])
def test_hardness_splits_a_cube_below_90_degrees_only(make):
    mesh = make()
    cut = triangulate(mesh)
    face, _ = triangle_normals(mesh.positions, mesh.corner_vertex[cut.corners])
    hard = corners(mesh, NormalRule("hardness", hardness_deg=89))
    assert np.allclose(hard, face[:, None], atol=1e-12)
    soft = corners(mesh, NormalRule("hardness", hardness_deg=90))
    assert np.allclose(np.abs(soft), 1 / np.sqrt(3), atol=1e-12)


@pytest.mark.parametrize("n", [5, 8, 12, 36, 72])
def test_a_prism_at_exactly_the_hardness_stays_soft_all_round(n):
    """360 / n degrees between sides: rounding must not make some edges hard and some soft."""
    mesh = prism(n)
    cut = triangulate(mesh)
    position_id = weld(mesh.positions, mesh.corner_vertex[cut.corners])
    at = hard_edges(mesh, cut, position_id, NormalRule("hardness", hardness_deg=360 / n))
    assert not at.any()
    under = hard_edges(mesh, cut, position_id, NormalRule("hardness", hardness_deg=360 / n - 0.1))
    assert under.sum() == 2 * n  # each of the n upright edges, seen from both its triangles


def test_hard_edges_match_trimesh_angles():
    sphere = bumpy_sphere()
    mesh = mesh_from_polygons(sphere.vertices, sphere.faces)
    cut = triangulate(mesh)
    position_id = weld(mesh.positions, mesh.corner_vertex[cut.corners])
    ours = hard_edges(mesh, cut, position_id, NormalRule("hardness", hardness_deg=40))
    by_trimesh = sphere.face_adjacency_angles > np.radians(40 + HARDNESS_SLACK_DEG)
    wanted = {
        tuple(sorted(edge))
        for edge, hard in zip(sphere.face_adjacency_edges.tolist(), by_trimesh, strict=True)
        if hard
    }
    faces = mesh.corner_vertex[cut.corners]
    got = {
        tuple(sorted((int(faces[t, k]), int(faces[t, (k + 1) % 3])))) for t, k in np.argwhere(ours)
    }
    assert got == wanted and 0 < len(wanted) < len(by_trimesh)


def test_non_flat_quads_have_no_hard_diagonals_and_do_not_depend_on_the_cut():
    points = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 1], [0, 1, 0], [2, 0, 0], [2, 1, 1.0]])
    mesh = mesh_from_polygons(points, [[0, 1, 2, 3], [1, 4, 5, 2]])
    found = []
    for quads in ("first", "short"):
        cut = triangulate(mesh, quads)
        position_id = weld(mesh.positions, mesh.corner_vertex[cut.corners])
        hard = hard_edges(mesh, cut, position_id, NormalRule("hardness", hardness_deg=1))
        found.append(int(hard.sum()))
    assert found == [2, 2]


def test_a_sliver_face_makes_no_edge_hard():
    points = np.array([[0, 0, 0], [1, 0, 0], [0.5, 0, 0], [0.5, 1, 0], [0.5, -1, 0.0]])
    mesh = mesh_from_polygons(points, [[0, 2, 3], [2, 1, 3], [0, 1, 2], [1, 0, 4]])
    assert np.allclose(corners(mesh, NormalRule("hardness")), [0, 0, 1])
    # Nearly without area it faces sideways, as rounding will have it.
    points[2, 2] = 1e-9
    mesh = mesh_from_polygons(points, [[0, 2, 3], [2, 1, 3], [0, 1, 2], [1, 0, 4]])
    cut = triangulate(mesh)
    same = np.arange(5, dtype=np.int32)
    assert not hard_edges(mesh, cut, same, NormalRule("hardness")).any()


def test_smoothing_groups_as_in_obj():
    """OBJ: ``s`` numbers share normals among themselves; ``s off`` (0) is flat on its own."""
    mesh = prism(8)
    groups = np.array([1, 1, 2, 2, 0, 0, 3, 3], np.int32)
    mesh = replace(mesh, face_smoothing=groups)
    cut = triangulate(mesh)
    position_id = weld(mesh.positions, mesh.corner_vertex[cut.corners])
    hard = hard_edges(mesh, cut, position_id, NormalRule("groups"))
    # Soft: 1|1, 2|2 and 3|3. Hard: 1|2, 2|0, 0|0, 0|3 and 3|1, seen from two triangles each.
    assert hard.sum() == 2 * 5
    normals = corners(mesh, NormalRule("groups"))
    face, _ = triangle_normals(mesh.positions, mesh.corner_vertex[cut.corners])
    for flat_face in (4, 5):
        here = cut.face == flat_face
        assert np.allclose(normals[here], face[here][:, None])
    assert not np.allclose(normals[cut.face == 0], face[cut.face == 0][:, None])


def test_smoothing_groups_are_asked_for_where_there_are_none():
    with pytest.raises(InputError, match="no smoothing groups"):
        corners(cube(), NormalRule("groups"))


def test_a_dart_of_soft_edges_around_one_hard_one_stays_joined():
    """One hard edge ending inside a smooth fan splits nothing at its end: normals flow around."""
    angle = 2 * np.pi * np.arange(6) / 6
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(6)])
    points = np.concatenate([[[0, 0, 0.3]], ring])
    mesh = mesh_from_polygons(points, [[0, 1 + i, 1 + (i + 1) % 6] for i in range(6)])
    groups = np.array([1, 1, 1, 1, 1, 2], np.int32)
    normals = corners(replace(mesh, face_smoothing=groups), NormalRule("groups"))
    apex = normals[:, 0]
    assert np.allclose(apex[:5], apex[0]) and not np.allclose(apex[5], apex[0])


def test_file_normals_are_kept_and_gaps_filled():
    mesh = cube()
    given = np.tile([0.0, 3.0, 4.0], (24, 1))
    given[:4] = np.nan
    given[4] = 0
    given[10, 1] = np.nan
    mesh = replace(mesh, corner_normal=given)
    cut = triangulate(mesh)
    normals = corners(mesh)
    smooth = corners(mesh, NormalRule("smooth"))
    gap = (cut.corners <= 4) | (cut.corners == 10)
    assert np.allclose(normals[~gap], [0, 0.6, 0.8])
    assert np.allclose(normals[gap], smooth[gap])


@settings(max_examples=30, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from(["smooth", "hardness"]),
    st.sampled_from(["angle", "area"]),
)
def test_corner_normals_are_unit_and_face_outwards(seed, source, weight):
    sphere = bumpy_sphere(seed % 100, bump=0.02)
    normals = corners(mesh_from_polygons(sphere.vertices, sphere.faces), NormalRule(source, weight))
    assert np.allclose(np.linalg.norm(normals, axis=2), 1)
    assert np.all(np.einsum("tki,ti->tk", normals, sphere.face_normals) > 0)


def test_neighbours_wound_against_each_other_still_get_a_direction():
    mesh = mesh_from_polygons(
        np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]]), [[0, 1, 2], [0, 3, 2]]
    )
    normals = corners(mesh, NormalRule("smooth"))
    assert np.allclose(normals[0], [0, 0, 1]) and np.allclose(normals[1], [0, 0, -1])


# Edges


def test_edge_pairs_of_closed_open_and_non_manifold():
    sphere = bumpy_sphere()
    pairs, left, right = edge_pairs(sphere.faces.astype(np.int32))
    assert len(pairs) == len(sphere.edges_unique)
    assert len(np.unique(np.concatenate([left, right]))) == 3 * len(sphere.faces)
    fin = np.array([[0, 1, 2], [1, 0, 3], [0, 1, 4]], np.int32)
    pairs, _, _ = edge_pairs(fin)
    assert pairs.tolist() == [[0, 1], [0, 1]]
    assert all(len(x) == 0 for x in edge_pairs(np.zeros((0, 3), np.int32)))


@settings(max_examples=50, deadline=None, derandomize=True)
@given(st.integers(0, 2**32 - 1))
def test_edge_pairs_like_a_dictionary(seed):
    """Few vertices and many triangles, so that every edge and every crowded one comes up."""
    rng = np.random.default_rng(seed)
    count = rng.integers(3, 7)
    faces = np.array([rng.permutation(count)[:3] for _ in range(rng.integers(1, 25))], np.int32)
    held = {}
    for half, (a, b) in enumerate(zip(faces.ravel(), np.roll(faces, -1, 1).ravel(), strict=True)):
        held.setdefault((min(a, b), max(a, b)), []).append(half)
    expected = {
        (*edge, one, other) for edge, halves in held.items() for one, other in pairwise(halves)
    }
    pairs, left, right = edge_pairs(faces)
    found = {tuple(row) for row in np.column_stack([pairs, left, right]).tolist()}
    assert found == expected and len(found) == len(left)


def test_rules_are_told_in_words():
    assert "30 degrees" in NormalRule("hardness").describe()
    sources = ("file", "smooth", "hardness", "groups")
    assert len({NormalRule(s).describe() for s in sources}) == 4
