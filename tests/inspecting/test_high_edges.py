"""Holes and flipped patches of a high poly, against trimesh and by count."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.inspecting.high import measure_parts
from cagecheck.inspecting.high_edges import high_edge_findings
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.surface_edges import high_edges


def sphere(kind=np.float64, subdivisions: int = 3) -> trimesh.Trimesh:
    del kind
    return trimesh.creation.icosphere(subdivisions=subdivisions)


def as_surface(points, triangles, part=None, names=("a",)) -> Surface:
    part = np.zeros(len(triangles), np.int32) if part is None else np.asarray(part, np.int32)
    return Surface(np.asarray(points), np.asarray(triangles, np.int32), part, names)


def findings(surface: Surface) -> dict[str, object]:
    return {f.check.code: f for f in high_edge_findings(surface, *high_edges(surface))}


def soup(mesh: trimesh.Trimesh, kind) -> Surface:
    points = mesh.vertices[mesh.faces].reshape(-1, 3).astype(kind)
    return as_surface(points, np.arange(len(points)).reshape(-1, 3))


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_closed_meshes_have_neither_even_as_soup(kind):
    mesh = sphere()
    assert findings(as_surface(mesh.vertices.astype(kind), mesh.faces)) == {}
    assert findings(soup(mesh, kind)) == {}
    assert findings(as_surface(np.zeros((0, 3), kind), np.zeros((0, 3)))) == {}


def test_a_hole_and_its_length():
    mesh = sphere()
    finding = findings(as_surface(mesh.vertices, mesh.faces[1:]))["high-open-borders"]
    corners = mesh.vertices[mesh.faces[0]]
    perimeter = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).sum()
    assert finding.count == 1 and finding.measures["edges"] == 3
    assert finding.measures["length_units"] == pytest.approx(perimeter)
    assert np.allclose(finding.places[0].position, corners.mean(axis=0))
    assert finding.side == "high" and finding.severity == "information"


def test_a_flipped_patch_and_its_outline():
    mesh = sphere()
    patch = mesh.vertices[mesh.faces].mean(axis=1)[:, 2] > 0.8
    faces = mesh.faces.copy()
    faces[patch] = faces[patch][:, ::-1]
    found = findings(as_surface(mesh.vertices, faces))
    outline = np.count_nonzero(patch[mesh.face_adjacency].sum(axis=1) == 1)
    assert set(found) == {"high-flipped"}
    assert found["high-flipped"].count == 1
    assert found["high-flipped"].measures["edges"] == outline
    assert np.allclose(found["high-flipped"].places[0].position[:2], 0, atol=0.02)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_counts_match_trimesh(seed, shuffled):
    rng = np.random.default_rng(seed)
    mesh = sphere(subdivisions=2)
    faces = mesh.faces[rng.random(len(mesh.faces)) > 0.3]
    part = rng.integers(0, 3, len(faces)) if shuffled else np.sort(rng.integers(0, 3, len(faces)))
    surface = as_surface(mesh.vertices.astype(np.float32), faces, part, ("a", "b", "c"))
    open_edges, same_way = high_edges(surface)
    expected = 0
    for k in range(3):
        edges = np.sort(faces[part == k][:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        groups = trimesh.grouping.group_rows(edges, require_count=1)
        expected += len(groups)
    assert len(open_edges.triangle) == expected and len(same_way.triangle) == 0
    # Every edge named belongs to the triangle named.
    ends = surface.positions[surface.triangles[open_edges.triangle]].astype(float)
    for place in (open_edges.start, open_edges.end):
        assert np.all(np.any(np.all(ends == place[:, None], axis=2), axis=1))


def test_parts_that_share_an_outline_stay_apart():
    mesh = sphere()
    upper = (mesh.vertices[mesh.faces].mean(axis=1)[:, 2] > 0).astype(int)
    finding = findings(as_surface(mesh.vertices, mesh.faces, upper, ("a", "b")))
    assert finding["high-open-borders"].by_part == {"a": 1, "b": 1}


def test_fins_and_doubled_faces_are_neither():
    """Three or more triangles at an edge say nothing about holes or sides."""
    points = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1.0]])
    surface = as_surface(points, [[0, 1, 2], [1, 0, 3], [0, 1, 4]])
    open_edges, same_way = high_edges(surface)
    assert len(open_edges.triangle) == 6 and len(same_way.triangle) == 0


def test_far_from_the_origin_details_stay_apart():
    mesh = sphere(subdivisions=4)
    assert findings(as_surface(mesh.vertices * 1e-3 + 1000.0, mesh.faces)) == {}


def test_triangles_without_area_open_nothing():
    """Lines and near lines along edges of a closed ball: told as such, and no hole with them."""
    ball = trimesh.creation.icosphere(subdivisions=2)
    rng = np.random.default_rng(3)
    points, faces = [ball.vertices], [ball.faces]
    for k, f in enumerate(rng.integers(0, len(ball.faces), 30)):
        a, b, c = ball.faces[f]
        new = len(ball.vertices) + k
        off = 1e-9 * (k % 2) * (ball.vertices[c] - ball.vertices[a])
        points.append((0.5 * (ball.vertices[a] + ball.vertices[b]) + off)[None])
        faces.append(np.array([[a, b, new], [b, b, a]]))
    triangles = np.concatenate(faces).astype(np.int32)
    surface = Surface(np.concatenate(points), triangles, np.zeros(len(triangles), np.int32))
    measures = measure_parts(surface)
    assert measures.flat.tolist() == list(range(len(ball.faces), len(triangles)))
    open_edges, same_way = high_edges(surface, measures.flat)
    assert len(open_edges.triangle) == len(same_way.triangle) == 0
    assert len(high_edges(surface)[0].triangle) > 0
