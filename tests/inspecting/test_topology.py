"""Faults of topology planted one by one: each is found, and nothing else is."""

from __future__ import annotations

from dataclasses import replace

import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.inspecting.edges import polygon_edges
from cagecheck.inspecting.shells import shell_measures
from cagecheck.meshes.mesh import join_meshes, mesh_from_polygons
from tests.scenes.sound_lows import (
    BOX_CORNERS,
    box,
    codes,
    flipped,
    grid,
    inspect,
    low_of,
    the,
    with_faces,
    without_faces,
)

NO_UV = {"uv-missing"}


def found(*meshes, **settings):
    """Codes of what is found, leaving out what meshes without UVs always have."""
    return [c for c in codes(inspect(*meshes, **settings)) if c not in NO_UV]


def solid(mesh: trimesh.Trimesh, name: str = "solid"):
    return mesh_from_polygons(mesh.vertices, mesh.faces, part=name)


def test_sound_meshes_have_nothing():
    assert codes(inspect(box())) == []
    assert codes(inspect(grid())) == ["open-borders"]
    assert found(solid(trimesh.creation.icosphere())) == []
    assert found(solid(trimesh.creation.torus(1, 0.3))) == []


def test_an_empty_mesh_is_clean():
    assert codes(inspect(mesh_from_polygons(np.zeros((0, 3)), []))) == []


# Edges


def test_a_fin_makes_a_non_manifold_edge():
    sphere = trimesh.creation.icosphere(subdivisions=1)
    a, b = sphere.faces[0][:2]
    points = np.vstack([sphere.vertices, 2 * sphere.vertices[[a, b]].mean(axis=0)])
    mesh = mesh_from_polygons(points, [*sphere.faces.tolist(), [a, b, len(sphere.vertices)]])
    inspection = inspect(mesh)
    finding = the(inspection, "non-manifold-edges")
    assert finding.count == 1 and finding.severity == "error"
    assert set(finding.places[0].faces) >= {0, mesh.face_count - 1}
    expected = sphere.vertices[[a, b]].mean(axis=0)
    assert np.allclose(finding.places[0].position, expected)
    assert found(mesh) == ["non-manifold-edges", "open-borders"]


def test_two_boxes_sharing_an_edge_are_non_manifold_in_one_part_only():
    a, b = box("a"), box("b", at=(1, 1, 0), uv_at=(1.1, 0.1))
    assert "non-manifold-edges" not in codes(inspect(a, b))
    one = join_meshes([replace(a, part_names=("m",)), replace(b, part_names=("m",))])
    finding = the(inspect(one), "non-manifold-edges")
    assert finding.count == 1 and finding.measures["length_units"] == pytest.approx(1)


def test_counts_of_edges_match_libigl_and_trimesh():
    rng = np.random.default_rng(5)
    sphere = trimesh.creation.icosphere(subdivisions=2)
    keep = rng.random(len(sphere.faces)) > 0.2
    faces = sphere.faces[keep]
    low = low_of(mesh_from_polygons(sphere.vertices, faces))
    edges = polygon_edges(low)
    boundary = igl.boundary_facets(faces.astype(np.int64))
    boundary = boundary[0] if isinstance(boundary, tuple) else boundary
    assert int((edges.uses == 1).sum()) == len(boundary)
    theirs = trimesh.Trimesh(sphere.vertices, faces, process=False)
    theirs.remove_unreferenced_vertices()
    assert len(edges.uses) == len(theirs.edges_unique)
    euler = low.position_count - len(sphere.vertices) + len(theirs.vertices)
    assert euler - len(edges.uses) + len(faces) == theirs.euler_number
    assert edges.shell_count == igl.facet_components(faces.astype(np.int64))[0]


def test_a_hole_is_one_border_at_its_place():
    sphere = trimesh.creation.icosphere(subdivisions=2)
    mesh = mesh_from_polygons(sphere.vertices, sphere.faces[1:])
    finding = the(inspect(mesh), "open-borders")
    assert (finding.count, finding.measures["edges"]) == (1, 3)
    corners = sphere.vertices[sphere.faces[0]]
    assert finding.measures["length_units"] == pytest.approx(
        np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).sum()
    )
    assert np.allclose(finding.places[0].position, corners.mean(axis=0))
    assert found(mesh) == ["open-borders"]


def test_a_tube_has_two_borders():
    tube = trimesh.creation.cylinder(1, 2, sections=16)
    side = np.abs(tube.face_normals[:, 2]) < 0.5
    finding = the(inspect(mesh_from_polygons(tube.vertices, tube.faces[side])), "open-borders")
    assert (finding.count, finding.measures["edges"]) == (2, 32)


@pytest.mark.parametrize(("gap", "cracked"), [(1e-6, True), (1e-2, False), (0.0, False)])
def test_a_crack_is_told_from_a_hole(gap, cracked):
    """Two halves of a sphere, each with its own rim: apart, almost together, or joined."""
    sphere = trimesh.creation.icosphere(subdivisions=2)
    upper = sphere.triangles_center[:, 2] > 0
    halves = [sphere.vertices[sphere.faces[upper]], sphere.vertices[sphere.faces[~upper]]]
    halves[0] = halves[0] + [0, 0, gap]
    points = np.concatenate([h.reshape(-1, 3) for h in halves])
    mesh = mesh_from_polygons(points, np.arange(len(points)).reshape(-1, 3))
    inspection = inspect(mesh)
    assert ("cracks" in codes(inspection)) == cracked
    if cracked:
        assert the(inspection, "cracks").measures["widest_gap_units"] == pytest.approx(gap)
    assert ("open-borders" in codes(inspection)) == (gap > 0)


@settings(max_examples=15, deadline=None)
@given(st.sets(st.integers(0, 319), min_size=1, max_size=40))
def test_flipped_faces_break_the_winding_on_their_outline(faces):
    sphere = trimesh.creation.icosphere(subdivisions=2)
    wound = sphere.faces.copy()
    wound[list(faces)] = wound[list(faces)][:, ::-1]
    finding = the(inspect(mesh_from_polygons(sphere.vertices, wound)), "inconsistent-winding")
    outline = np.isin(sphere.face_adjacency, list(faces)).sum(axis=1) == 1
    assert finding.count == int(outline.sum())


def test_one_flipped_face_gives_nothing_but_winding():
    mesh = flipped(solid(trimesh.creation.icosphere(subdivisions=2)), [7])
    assert found(mesh) == ["inconsistent-winding"]
    assert the(inspect(mesh), "inconsistent-winding").count == 3


# Faces


def test_faces_without_area():
    points = np.vstack([BOX_CORNERS, [[0.5, 0, 0]]])
    mesh = with_faces(mesh_from_polygons(points, box().corner_vertex.reshape(-1, 4)), [[0, 8, 4]])
    assert the(inspect(mesh), "zero-area-faces").faces.tolist() == [6]
    mesh = with_faces(box(), [[0, 0, 1], [2, 2, 2], [3, 5]])
    finding = the(inspect(mesh), "zero-area-faces")
    assert finding.faces.tolist() == [6, 7, 8] and finding.places[0].part == "box"


def test_a_needle_with_area_is_left_alone():
    points = np.array([[0, 0, 0], [1, 0, 0], [0.5, 1e-4, 0]])
    assert found(mesh_from_polygons(points, [[0, 1, 2]])) == ["open-borders"]


@pytest.mark.parametrize("shared", [True, False])
@pytest.mark.parametrize("turned", [True, False])
def test_copies_of_a_face(shared, turned):
    """Told whether they share vertices or not; one that faces the other way is a card's back."""
    base = grid(2)
    quad = base.corner_vertex[:4].tolist()
    quad = quad[::-1] if turned else quad[1:] + quad[:1]
    if shared:
        mesh = with_faces(base, [quad])
    else:
        points = np.vstack([base.positions, base.positions[quad]])
        old = base.corner_vertex.reshape(-1, 4).tolist()
        mesh = mesh_from_polygons(points, [*old, [9, 10, 11, 12]])
    inspection = inspect(mesh)
    finding = the(inspection, "double-sided-faces" if turned else "duplicate-faces")
    assert finding.faces.tolist() == [4]
    assert inspection.low.aside.doubled.tolist() == ([] if turned else [4])
    if not turned:
        assert found(mesh) == ["duplicate-faces", "open-borders"]


# Shells


def test_an_inverted_box_and_a_hollow_one():
    assert codes(inspect(flipped(box()))) == ["inverted-shell", "uv-mirrored"]
    finding = the(inspect(flipped(box(size=2))), "inverted-shell")
    assert finding.places[0].measure == pytest.approx(8) and finding.count == 1
    outer = box("m", size=3)
    inner = flipped(box("m", at=(1, 1, 1), uv_at=(1.1, 0.1)))
    assert codes(inspect(join_meshes([outer, inner]))) == ["hollow-shell", "uv-mirrored"]


def test_volumes_match_trimesh_far_from_the_origin():
    rng = np.random.default_rng(2)
    sphere = trimesh.creation.icosphere(subdivisions=3)
    sphere.vertices *= 1 + 0.1 * rng.normal(size=(len(sphere.vertices), 1))
    faces = sphere.faces.astype(np.int32)
    for shift in (0, 1e5):
        area, volume, vector = shell_measures(
            sphere.vertices + shift, faces, np.zeros(len(faces), np.int32), 1
        )
        assert volume[0] == pytest.approx(sphere.volume, rel=1e-6)
        assert area[0] == pytest.approx(sphere.area, rel=1e-6)
        assert np.abs(vector).max() < 1e-6


def open_bowl() -> trimesh.Trimesh:
    sphere = trimesh.creation.icosphere(subdivisions=3)
    return trimesh.Trimesh(sphere.vertices, sphere.faces[sphere.triangles_center[:, 2] < 0.6])


def test_an_open_shell_facing_inwards():
    bowl = open_bowl()
    assert found(mesh_from_polygons(bowl.vertices, bowl.faces)) == ["open-borders"]
    inside_out = mesh_from_polygons(bowl.vertices, bowl.faces[:, ::-1])
    assert found(inside_out) == ["open-borders", "inward-shell"]
    tube = trimesh.creation.cylinder(1, 6, sections=24)
    side = tube.faces[np.abs(tube.face_normals[:, 2]) < 0.5]
    assert found(mesh_from_polygons(tube.vertices, side)) == ["open-borders"]
    assert "inward-shell" in found(mesh_from_polygons(tube.vertices, side[:, ::-1]))


def test_cards_and_waves_have_no_inside():
    wave = grid(16)
    points = wave.positions.copy()
    points[:, 2] = 0.05 * np.sin(12 * points[:, 0])
    for mesh in (grid(2), replace(wave, positions=points)):
        for side in (mesh, flipped(mesh)):
            assert "inward-shell" not in codes(inspect(side))


def test_a_removed_side_is_an_open_border():
    assert codes(inspect(without_faces(box(), [0]))) == ["open-borders"]


def test_findings_name_parts():
    a, b = box("arm"), without_faces(box("belt", at=(3, 0, 0), uv_at=(1.1, 0.1)), [2])
    finding = the(inspect(a, b), "open-borders")
    assert finding.by_part == {"belt": 1}
    assert finding.places[0].part == "belt" and finding.places[0].tile == 1002
    assert finding.to_dict()["places"][0]["part"] == "belt"
