"""Meshes at places, as the reader of a scene tells of them, against matrices multiplied by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cagecheck.formats.file_bytes import load_bytes
from cagecheck.formats.placed_meshes import Scene, mesh_of, surface_of

# A triangle and a square that face up.
POINTS = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [2, 0, 0]], "<f4")
CORNERS = np.array([1, 4, 2, 0, 1, 2, 3], "<i4")
UP = np.array([[0, 0, 3]], "<f4")


def scene(places: list[np.ndarray], unit: float = 0.01) -> Scene:
    """One shape at several places; matrices are stored as those that multiply rows are."""
    arrays = [
        np.stack([m.T for m in places]), POINTS, np.array([3, 4], "<i4"), CORNERS, UP,
        np.zeros(7, np.int64),
    ]  # fmt: skip
    shape = {"points": 1, "sizes": 2, "corners": 3, "kept": None, "flipped": False, "uv": None,
             "normal": (4, 5)}  # fmt: skip
    part = {"path": "/a", "roots": [], "geometry": 0, "matrices": 0, "materials": None}
    answer = {"up": "Y", "unit": unit, "parts": [part], "geometries": [shape]}
    return Scene(answer, arrays, ())


@pytest.mark.parametrize("size", [0.25, 1.0, 4.0])
@pytest.mark.parametrize("unit", [0.01, 1.0])
def test_faces_turn_where_a_place_mirrors_and_nowhere_else(
    tmp_path: Path, size: float, unit: float
) -> None:
    """Whatever its size: a square that faces up still does when it is mirrored sideways."""
    (tmp_path / "a.usda").write_bytes(b"#usda 1.0")
    file = load_bytes(tmp_path / "a.usda")
    plain, mirrored = np.diag([size, size, size, 1.0]), np.diag([-size, size, size, 1.0])
    for matrix in (plain, mirrored):
        matrix[:3, 3] = [5, 6, 7]
    told = scene([plain, mirrored], unit)
    mesh, surface = mesh_of(file, told), surface_of(file, told, normals=True)
    wanted = [(POINTS @ m[:3, :3].T + m[:3, 3]) * (unit / 0.01) for m in (plain, mirrored)]
    assert np.allclose(mesh.positions, np.concatenate(wanted))
    # Of each mesh the square, its first three corners.
    corner = mesh.positions[mesh.corner_vertex].reshape(2, 7, 3)[:, 3:6]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    assert (normal[:, :2] == 0).all() and (normal[:, 2] > 0).all()
    assert mesh.corner_normal is not None and (mesh.corner_normal == [0, 0, 1]).all()
    corner = surface.positions[surface.triangles]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    assert len(normal) == 6 and (normal[:, 2] > 0).all()
    assert surface.normals is not None and (surface.normals.rows == [0, 0, 1]).all()
