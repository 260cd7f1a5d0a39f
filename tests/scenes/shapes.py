"""Small closed-form scenes shared by tests."""

from __future__ import annotations

import numpy as np

from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, mesh_from_polygons


def surface(positions, triangles, part=None, names=("high",)) -> Surface:
    triangles = np.asarray(triangles, np.int32)
    part = np.zeros(len(triangles), np.int32) if part is None else np.asarray(part, np.int32)
    return Surface(np.asarray(positions, np.float64), triangles, part, tuple(names))


def as_low(positions, polygons, uv=None) -> LowPoly:
    return prepare_low(mesh_from_polygons(positions, polygons, uv=uv))


def grid(n, size=1.0, height=None):
    """A square of n x n quads in z = height(x, y) over [-size/2, size/2]^2, facing up."""
    line = np.linspace(-size / 2, size / 2, n + 1)
    x, y = np.meshgrid(line, line, indexing="ij")
    z = np.zeros_like(x) if height is None else height(x, y)
    positions = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    a = (i * (n + 1) + j).ravel()
    quads = np.stack([a, a + n + 1, a + n + 2, a + 1], axis=1)
    return positions, quads


def halves(quads):
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])


def plane_low(n=1, size=1.0, with_uv=False) -> LowPoly:
    positions, quads = grid(n, size)
    uv = None
    if with_uv:
        uv = (positions[:, :2] / size + 0.5)[quads.ravel()]
    return as_low(positions, quads, uv)


def plane_high(heights, n=4, size=1.5, up=None) -> Surface:
    """Stacked squares; each its own part."""
    up = [True] * len(heights) if up is None else up
    positions, quads = grid(n, size)
    triangles = halves(quads)
    all_positions, all_triangles, part = [], [], []
    for k, (height, faces_up) in enumerate(zip(heights, up, strict=True)):
        all_positions.append(positions + [0, 0, height])
        all_triangles.append((triangles if faces_up else triangles[:, ::-1]) + k * len(positions))
        part += [k] * len(triangles)
    return surface(
        np.concatenate(all_positions),
        np.concatenate(all_triangles),
        part,
        [f"plane{k}" for k in range(len(heights))],
    )


def prism(n, radius=1.0, half_length=1.0, caps=False):
    """An n-gon prism around z, quads facing outward."""
    angle = 2 * np.pi * np.arange(n) / n
    ring = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
    bottom = np.column_stack([ring, np.full(n, -half_length)])
    top = np.column_stack([ring, np.full(n, half_length)])
    k = np.arange(n)
    quads = np.stack([k, (k + 1) % n, n + (k + 1) % n, n + k], axis=1)
    return np.concatenate([bottom, top]), quads


def cylinder_high(radius=1.0, half_length=1.5, n=2048) -> Surface:
    positions, quads = prism(n, radius, half_length)
    return surface(positions, halves(quads))


def box(low, high):
    """Positions and outward quads of an axis-aligned box."""
    x0, y0, z0 = low
    x1, y1, z1 = high
    positions = np.array(
        [[x0, y0, z0], [x1, y0, z0], [x1, y1, z0], [x0, y1, z0],
         [x0, y0, z1], [x1, y0, z1], [x1, y1, z1], [x0, y1, z1]], float
    )  # fmt: skip
    quads = np.array(
        [[0, 3, 2, 1], [4, 5, 6, 7], [0, 1, 5, 4], [1, 2, 6, 5], [2, 3, 7, 6], [3, 0, 4, 7]]
    )
    return positions, quads


def combined(*pieces):
    """Join (positions, faces) pieces into one."""
    positions, faces, base = [], [], 0
    for p, f in pieces:
        positions.append(p)
        faces.append(np.asarray(f) + base)
        base += len(p)
    return np.concatenate(positions), np.concatenate(faces)


def edge_gap(high: Surface, origin, direction) -> float:
    """The least distance between a line and the edges of a surface's triangles."""
    a = high.positions[high.triangles].astype(float)
    b = np.roll(a, -1, axis=1)
    edge, a = (b - a).reshape(-1, 3), a.reshape(-1, 3)
    to_line = np.cross(edge, direction)
    length = np.linalg.norm(to_line, axis=1)
    gap = np.abs(np.einsum("ij,ij->i", to_line, origin - a))
    return float((gap[length > 0] / length[length > 0]).min())


def mesh_parts(*pieces, names) -> Mesh:
    """A mesh with one part per (positions, quads) piece."""
    positions, faces = combined(*pieces)
    mesh = mesh_from_polygons(positions, faces)
    part = np.repeat(np.arange(len(pieces)), [len(f) for _, f in pieces]).astype(np.int32)
    return Mesh(mesh.positions, mesh.face_start, mesh.corner_vertex, part, tuple(names))
