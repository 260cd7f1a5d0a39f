"""Nearest places on the low poly, against every triangle."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from cagecheck.defects.nearest import NearestPaired
from cagecheck.meshes.lowpoly import prepare_low
from tests.scenes.shapes import box, mesh_parts, prism


@pytest.fixture(scope="module")
def low():
    """A drum, a thin plate through it and a box, as three parts."""
    return prepare_low(
        mesh_parts(
            prism(40, 1.0, 1.0), box((-2, -2, -0.01), (2, 2, 0.01)), box((0, 0, 0), (1.5, 1, 2)),
            names=("drum", "plate", "box"),
        )
    )  # fmt: skip


def brute(low, point, parts, facing):
    """Least distance over cosine squared; the triangles that have it, and their distances."""
    corner = low.positions[low.triangles]
    asked = np.isin(low.triangle_part, parts)
    cosine = np.ones(len(corner))
    if facing.any():
        cosine = low.face_normals @ facing / np.linalg.norm(facing)
        asked &= cosine > 0
    if not asked.any():
        return np.array([np.inf]), [-1]
    rows = np.flatnonzero(asked)
    place = trimesh.triangles.closest_point(corner[rows], np.repeat(point[None], len(rows), axis=0))
    distance = np.linalg.norm(place - point, axis=1)
    counts = distance / cosine[rows] ** 2
    best = counts <= counts.min() * (1 + 1e-9) + 1e-12
    return distance[best], rows[best]


@pytest.mark.parametrize("guess", ["none", "any", "right"])
def test_nearest_among_paired_triangles_that_face_so(low, guess):
    """Points all over, facings all round and none; a guess changes nothing but the time."""
    rng = np.random.default_rng(3)
    paired = np.array([[1, 0, 1], [1, 1, 0], [0, 0, 0]], bool)
    n = 600
    points, part = rng.uniform(-2.5, 2.5, (n, 3)), rng.integers(0, 3, n)
    facing = rng.normal(size=(n, 3)) * (rng.random((n, 1)) < 0.8)
    nearest = NearestPaired(low, paired)
    likely = {
        "none": None,
        "any": rng.integers(0, len(low.triangles), n).astype(np.int32),
        "right": nearest.find(points, part, facing)[0],
    }[guess]
    triangle, place, distance = nearest.find(points, part, facing, likely)
    for k in range(n):
        least, rows = brute(low, points[k], np.flatnonzero(paired[:, part[k]]), facing[k])
        assert triangle[k] in rows
        expected = least[np.flatnonzero(np.asarray(rows) == triangle[k])[0]]
        assert distance[k] == pytest.approx(expected, abs=1e-12)
        if np.isfinite(expected):
            assert np.linalg.norm(place[k] - points[k]) == pytest.approx(expected, abs=1e-12)


def test_of_equally_near_triangles_the_guess_is_taken(low):
    """Points over the edges of the box: both faces there are as near."""
    edge = np.array([[1.5, y, 2.0] for y in (0.1, 0.3, 0.9)])
    points = edge + [0.2, 0.0, 0.2]
    nearest = NearestPaired(low, np.array([[False], [False], [True]]))
    part = np.zeros(3, np.int32)
    near = np.flatnonzero(low.triangle_part == 2).astype(np.int32)
    for guess in near:
        triangle, _, distance = nearest.find(points, part, None, np.full(3, guess))
        assert distance == pytest.approx(np.sqrt(0.08), abs=1e-12)
        own = trimesh.triangles.closest_point(
            np.repeat(low.positions[low.triangles[[guess]]], 3, axis=0), points
        )
        ties = np.linalg.norm(own - points, axis=1) <= np.sqrt(0.08) * (1 + 1e-15)
        assert (triangle[ties] == guess).all()


def test_nothing_paired_and_nothing_that_faces_so(low):
    nearest = NearestPaired(low, np.array([[False, False], [False, True], [False, False]]))
    up = np.array([[0.0, 0.0, 1.0]])
    triangle, place, distance = nearest.find(up, np.array([0], np.int32))
    assert triangle.tolist() == [-1] and np.isnan(place).all() and np.isinf(distance).all()
    triangle, place, _ = nearest.find(up, np.array([1], np.int32), -up)
    assert low.face_normals[triangle[0]] @ up[0] == -1 and place[0, 2] == -0.01
