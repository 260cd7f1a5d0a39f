"""Texel density, stretch, hard edges and seams in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.arrays.quantiles import weighted_quantiles
from cagecheck.inspecting import inspect_low, part_rows
from cagecheck.inspecting.density import part_density, singular_values
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.meshes.normals import NormalRule
from tests.scenes.sound_lows import box, codes, grid, inspect, low_of, the


def stretched_grid(across: float, along: float, turn: float = 0.0):
    """A grid whose UVs are scaled differently both ways, then turned in the map."""
    mesh = grid(3, uv=1.0, uv_at=(0, 0))
    c, s = np.cos(turn), np.sin(turn)
    uv = (mesh.corner_uv - 0.5) * [across, along] @ np.array([[c, s], [-s, c]]) + 0.5
    return replace(mesh, corner_uv=uv)


# Density


def test_density_of_a_square_in_closed_form():
    """A unit square on half the tile's edge: half the map's size in texels per unit."""
    density = part_density(low_of(grid(4, uv=0.5)), 2048)
    assert density.texels_per_unit[0] == pytest.approx(1024)
    assert density.low_tenth[0] == pytest.approx(1024)
    assert density.high_tenth[0] == pytest.approx(1024)
    assert density.usual == pytest.approx(1024) and density.l2_stretch[0] == pytest.approx(1)


def test_a_part_with_another_density_is_named():
    parts = [box(n, at=(3 * k, 0, 0), uv_at=(k + 0.1, 0.1)) for k, n in enumerate("abc")]
    odd = box("odd", at=(9, 0, 0), size=0.5, uv_at=(3.1, 0.1))
    inspection = inspect(*parts, odd)
    finding = the(inspection, "texel-density")
    assert codes(inspection) == ["texel-density"]
    assert finding.by_part == {"odd": 1} and finding.places[0].measure == pytest.approx(2)
    assert "texel-density" not in codes(inspect(*parts))
    rows = {row["part"]: row for row in part_rows(inspection)}
    assert rows["odd"]["texels_per_unit"] == pytest.approx(2 * rows["a"]["texels_per_unit"])
    assert rows["b"]["tiles"] == [1002] and rows["b"]["faces"] == 6


def test_a_part_with_uneven_density():
    mesh = box()
    uv = mesh.corner_uv.copy()
    uv[:8] = (uv[:8] - uv[0]) * 0.3 + uv[0]
    inspection = inspect(replace(mesh, corner_uv=uv))
    finding = the(inspection, "texel-density-spread")
    assert finding.measures["greatest_ratio"] == pytest.approx(1 / 0.3)
    assert codes(inspection) == ["texel-density-spread"]


def test_weighted_quantiles_count_weight():
    values, weights = np.array([3.0, 1.0, 2.0]), np.array([1.0, 8.0, 1.0])
    assert weighted_quantiles(values, weights, (0.1, 0.5, 0.85, 1.0)).tolist() == [1, 1, 2, 3]


# Stretch


@settings(max_examples=40, deadline=None)
@given(st.floats(0.05, 1), st.floats(0.05, 1), st.floats(0, 6.28))
def test_singular_values_of_an_affine_map(across, along, turn):
    largest, smallest = singular_values(low_of(stretched_grid(across, along, turn)))
    assert np.allclose(largest, 1 / min(across, along), rtol=1e-9)
    assert np.allclose(smallest, 1 / max(across, along), rtol=1e-9)


def test_singular_values_match_numpy():
    """The Jacobian of the map written out and handed to numpy.linalg.svd."""
    rng = np.random.default_rng(1)
    points, uv = rng.normal(size=(60, 3)), rng.normal(size=(60, 2))
    low = low_of(mesh_from_polygons(points, np.arange(60).reshape(20, 3), uv=uv))
    largest, smallest = singular_values(low)
    for t in range(20):
        p, q = low.positions[low.triangles[t]], low.uv[t]
        jacobian = np.linalg.solve((q[1:] - q[0]).T.T, p[1:] - p[0]).T
        values = np.linalg.svd(jacobian, compute_uv=False)
        assert (largest[t], smallest[t]) == pytest.approx(tuple(values), rel=1e-9)


def test_l2_stretch_of_an_affine_map():
    """Sander 2001: L2 = sqrt((G^2 + g^2) / 2), times sqrt(map area / area) to be 1 at best."""
    density = part_density(low_of(stretched_grid(0.8, 0.2)), 1024)
    expected = np.sqrt((1 / 0.2**2 + 1 / 0.8**2) / 2) * np.sqrt(0.8 * 0.2)
    assert density.l2_stretch[0] == pytest.approx(expected)


def test_stretched_faces_are_information():
    assert codes(inspect(stretched_grid(0.8, 0.5))) == ["open-borders"]
    inspection = inspect(stretched_grid(0.8, 0.2))
    finding = the(inspection, "uv-stretch")
    assert codes(inspection) == ["open-borders", "uv-stretch"]
    assert finding.severity == "information" and finding.count == 9
    assert finding.measures["worst_ratio"] == pytest.approx(4)
    assert finding.measures["area_share"] == pytest.approx(1)


# Hard edges and seams


def joined_box():
    """A cube with its first two sides unwrapped as one island: their shared edge is not split."""
    mesh = box()
    uv = mesh.corner_uv.copy()
    # Sides 0 (x = 0) and 2 (y = 0) share the edge from vertex 0 to vertex 1.
    place = {0: (0.1, 0.5), 1: (0.1, 0.7), 3: (0.3, 0.7), 2: (0.3, 0.5)}
    place.update({4: (-0.1, 0.5), 5: (-0.1, 0.7)})
    for side in (0, 2):
        for c in range(4 * side, 4 * side + 4):
            u, v = place[int(mesh.corner_vertex[c])]
            # Mirrored so that both sides keep their handedness.
            uv[c] = [0.75 - u, v + 0.1]
    return replace(mesh, corner_uv=uv)


def test_a_hard_edge_without_a_split():
    inspection = inspect(joined_box())
    finding = the(inspection, "hard-edge-no-split")
    assert codes(inspection) == ["hard-edge-no-split"]
    assert finding.count == 1 and finding.measures["length_units"] == pytest.approx(1)
    assert finding.places[0].faces in ((0, 2), (2, 0))
    assert np.allclose(finding.places[0].position, [0, 0, 0.5])
    assert finding.places[0].measure == pytest.approx(90)


def test_a_soft_box_has_seams_in_smooth_areas():
    low = low_of(box(), rule=NormalRule("smooth"))
    inspection = inspect_low(low, map_size=1024, padding=8)
    finding = the(inspection, "seam-in-smooth")
    assert codes(inspection) == ["seam-in-smooth"]
    assert finding.count == 12 and finding.measures["length_units"] == pytest.approx(12)
    assert "smooth everywhere" in finding.text


def test_a_seam_in_a_flat_area():
    mesh = grid(2)
    uv = mesh.corner_uv.copy()
    uv[8:] += [0.0, 0.2]  # the upper row of quads
    inspection = inspect(replace(mesh, corner_uv=uv))
    assert the(inspection, "seam-in-smooth").count == 2
    assert codes(inspection) == ["open-borders", "seam-in-smooth"]


@pytest.mark.parametrize("hardness", [20, 60])
def test_hard_edges_are_counted_as_trimesh_sees_them(hardness):
    """All UVs one island (a planar map): every hard edge lacks its split."""
    sphere = trimesh.creation.icosphere(subdivisions=1)
    rng = np.random.default_rng(3)
    sphere.vertices *= 1 + 0.15 * rng.normal(size=(len(sphere.vertices), 1))
    uv = sphere.vertices[sphere.faces.ravel(), :2] * 0.3 + 0.5
    mesh = mesh_from_polygons(sphere.vertices, sphere.faces, uv=uv)
    low = low_of(mesh, rule=NormalRule("hardness", hardness_deg=hardness))
    inspection = inspect_low(low, map_size=1024)
    sharp = sphere.face_adjacency_angles > np.radians(hardness + 0.01)
    # A hard edge inside a smooth fan splits no normals at its ends: nothing to tell apart there.
    count = the(inspection, "hard-edge-no-split").count
    assert 0 < count <= sharp.sum()
    # With half of all edges hard nobody chose them: no advice to split UVs.
    faceted = 2 * count >= len(sphere.face_adjacency)
    cure = the(inspection, "hard-edge-no-split").cure
    assert ("shaded flat" in cure) == faceted and ("Split the UVs" in cure) != faceted
    if hardness == 20:
        assert count == sharp.sum()


def test_file_normals_decide_when_given():
    mesh = box()
    face_normal = low_of(mesh).face_normals[::2]
    flat = replace(mesh, corner_normal=np.repeat(face_normal, 4, axis=0))
    assert codes(inspect_low(low_of(flat, rule=NormalRule()), map_size=1024)) == []
    smooth = low_of(mesh, rule=NormalRule())
    assert "seam-in-smooth" in codes(inspect_low(smooth, map_size=1024, padding=8))
