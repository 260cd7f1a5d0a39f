"""Quads and larger faces: closed forms for what the two cuts of a quad change."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.inspecting.polygons import FLAT_LIMIT_DEG, quad_cuts
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from tests.scenes.sound_lows import codes, inspect, low_of, the

QUIET = {"open-borders", "uv-missing"}


def quad(height: float, points=((0, 0), (1, 0), (1, 1), (0, 1))):
    """One quad with its first and third corner lifted by `height`."""
    z = np.array([height, 0, height, 0])
    return mesh_from_polygons(np.column_stack([np.array(points, float), z]), [[0, 1, 2, 3]])


def found(mesh):
    return [c for c in codes(inspect(mesh)) if c not in QUIET]


def bend_of_lifted_square(height: float) -> float:
    """The greatest angle between normals of the two cuts of a unit square lifted at 0 and 2.

    Cut 0-2: normals (-h, h, 1) and (h, -h, 1). Cut 1-3: (h, h, 1) and (-h, -h, 1), all up to
    length. Between any one of each: cos = 1 / (1 + 2 h^2).
    """
    return float(np.degrees(np.arccos(1 / (1 + 2 * height**2))))


@settings(max_examples=40, deadline=None)
@given(st.floats(1e-3, 0.6))
def test_lifted_square_in_closed_form(height):
    cuts = quad_cuts(low_of(quad(height)))
    assert cuts.change_deg[0] == pytest.approx(bend_of_lifted_square(height), abs=1e-5)
    assert cuts.gap[0] == pytest.approx(height)
    assert not cuts.folded[0]
    bent = cuts.change_deg[0] > FLAT_LIMIT_DEG
    assert found(quad(height)) == (["non-flat-quads"] if bent else [])


def test_the_change_is_that_between_the_real_triangulations():
    rng = np.random.default_rng(4)
    for _ in range(50):
        points = np.column_stack([[0, 1, 1, 0], [0, 0, 1, 1], np.zeros(4)])
        mesh = mesh_from_polygons(points + rng.uniform(-0.2, 0.2, (4, 3)), [[0, 1, 2, 3]])
        turned = mesh_from_polygons(mesh.positions, [[1, 2, 3, 0]])
        normals = [prepare_low(m).face_normals for m in (mesh, turned)]
        cosine = np.clip(normals[0] @ normals[1].T, -1, 1)
        expected = np.degrees(np.arccos(cosine.min()))
        assert quad_cuts(low_of(mesh)).change_deg[0] == pytest.approx(expected, abs=1e-5)


def test_the_place_and_numbers_of_a_bent_quad():
    finding = the(inspect(quad(0.3)), "non-flat-quads")
    worst = bend_of_lifted_square(0.3)
    assert finding.measures["worst_degrees"] == pytest.approx(worst)
    assert finding.places[0].measure == pytest.approx(worst)
    assert finding.places[0].faces == (0,) and f"{worst:.3g} degrees" in finding.text


def test_a_flat_concave_quad_is_fine():
    assert found(quad(0, ((0, 0), (1, -0.6), (0.3, 0), (1, 0.6)))) == []


def test_a_bow_tie_is_folded():
    assert found(quad(0, ((0, 0), (1, 1), (1, 0), (0, 1)))) == ["folded-quads"]
    assert the(inspect(quad(0, ((0, 0), (1, 1), (1, 0), (0, 1)))), "folded-quads").count == 1


def test_faces_with_many_corners():
    angle = 2 * np.pi * np.arange(7) / 7
    points = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(7)])
    finding = the(inspect(mesh_from_polygons(points, [list(range(7))])), "many-sided-faces")
    assert finding.count == 1 and "7 corners" in finding.text
