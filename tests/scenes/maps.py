"""Small surfaces with closed forms, for the tests of maps."""

from __future__ import annotations

import numpy as np

from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.maps.bake import BakeRule, TileBake, predict_maps
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.scene import Scene

SQUARE = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)


def plate(mirrored: bool = False) -> LowPoly:
    """The unit square, its UVs its own x and y (or turned round in u)."""
    uv = SQUARE[:, :2] * [-1, 1] + [1, 0] if mirrored else SQUARE[:, :2]
    return prepare_low(mesh_from_polygons(SQUARE, [[0, 1, 2, 3]], uv=uv))


def surface(positions: np.ndarray, triangles: np.ndarray) -> Surface:
    return Surface(
        np.asarray(positions, np.float64),
        np.asarray(triangles, np.int32),
        np.zeros(len(triangles), np.int32),
    )


def sheet(height, n: int = 65, margin: float = 0.1) -> Surface:  # type: ignore[no-untyped-def]
    """A height field over the plate, a little larger than it."""
    line = np.linspace(-margin, 1 + margin, n)
    x, y = np.meshgrid(line, line)
    p = np.stack([x, y, height(x, y)], axis=-1).reshape(-1, 3)
    c = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    lower = np.stack([c, c + 1, c + n + 1], axis=1)
    upper = np.stack([c, c + n + 1, c + n], axis=1)
    return surface(p, np.concatenate([lower, upper]))


def bake(low: LowPoly, high: Surface, offset: float = 0.5, **rule: object) -> TileBake:
    settings = BakeRule(**{"size": 64, "depth": 0.5, **rule})  # type: ignore[arg-type]
    (out,) = predict_maps(low, Scene(high), cage_from_offset(low, offset), settings)
    return out


def hemisphere(radius: float, rings: int = 160, around: int = 320) -> Surface:
    """Half a sphere on the middle of a plane: vertices on the sphere, exact vertex normals."""
    lat, lon = np.meshgrid(
        np.linspace(0, np.pi / 2, rings), np.linspace(0, 2 * np.pi, around + 1)[:-1], indexing="ij"
    )
    p = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)
    ball = p.reshape(-1, 3) * radius + [0.5, 0.5, 0]
    i, j = np.meshgrid(np.arange(rings - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = a + around, b + around
    faces = np.concatenate(
        [np.stack([a, b, d], axis=-1).reshape(-1, 3), np.stack([a, d, c], axis=-1).reshape(-1, 3)]
    )
    ground = np.array([[-1, -1, 0], [2, -1, 0], [2, 2, 0], [-1, 2, 0]], float)
    base = len(ball)
    quad = np.array([[0, 1, 2], [0, 2, 3]]) + base
    return surface(np.concatenate([ball, ground]), np.concatenate([faces, quad]))
