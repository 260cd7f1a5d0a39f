"""Winding numbers by counting along lines, against libigl's exact sum of solid angles."""

import igl
import numpy as np
import pytest
import trimesh

from cagecheck.meshes.meeting import triangle_tree
from cagecheck.meshes.winding import winding_numbers


def counted(points, mesh):
    positions = np.ascontiguousarray(mesh.vertices, np.float64)
    triangles = np.ascontiguousarray(mesh.faces, np.int64)
    return winding_numbers(points, positions, triangles, triangle_tree(positions, triangles))


def summed(points, mesh):
    """Jacobson et al. 2013: the sum of signed solid angles, every triangle by itself."""
    return igl.winding_number(
        np.array(mesh.vertices), np.array(mesh.faces, np.int64), np.ascontiguousarray(points)
    )


def scenes():
    ball = trimesh.creation.icosphere(subdivisions=3)
    moved = ball.copy()
    moved.apply_translation([0.7, 0.1, 0])
    hole = trimesh.creation.icosphere(subdivisions=2, radius=0.5)
    hole.invert()
    box = trimesh.creation.box((1.5, 1.0, 0.5))
    ring = trimesh.creation.torus(1.0, 0.3)
    return {
        "ball": ball,
        "two that overlap": ball + moved,
        "hollow": ball + hole,
        "box": box,
        "ring": ring,
        "inside out": hole,
    }


@pytest.mark.parametrize("name", scenes())
def test_as_often_as_solid_angles_say(name):
    mesh = scenes()[name]
    rng = np.random.default_rng(0)
    points = rng.uniform(-1.6, 1.6, (4000, 3))
    exact = summed(points, mesh)
    assert len(np.unique(np.round(exact))) > 1
    assert np.array_equal(counted(points, mesh), np.round(exact))


@pytest.mark.parametrize("name", scenes())
def test_lines_through_corners_and_along_edges_and_faces(name):
    """Points that share coordinates with the corners: every line along an axis hits a corner, and
    those of the box run in its faces."""
    mesh = scenes()[name]
    rng = np.random.default_rng(1)
    corner = np.array(mesh.vertices)[rng.integers(0, len(mesh.vertices), 4000)]
    points = corner.copy()
    free = rng.integers(0, 3, len(points))
    points[np.arange(len(points)), free] = rng.uniform(-1.6, 1.6, len(points))
    away = np.sqrt(igl.point_mesh_squared_distance(points, mesh.vertices, mesh.faces)[0])
    clear = away > 1e-9
    assert clear.sum() > 1000
    assert np.array_equal(counted(points, mesh)[clear], np.round(summed(points[clear], mesh)))


def test_a_hair_off_the_surface():
    """Just above a face's middle a ball winds round nothing and just below once, however near."""
    ball = trimesh.creation.icosphere(subdivisions=3)
    middle, normal = ball.triangles_center, ball.face_normals
    for step in (1e-6, 1e-10, 1e-14):
        assert (counted(middle + step * normal, ball) == 0).all()
        assert (counted(middle - step * normal, ball) == 1).all()
