"""Sound low polys for the preflight tests: nothing to be found but what a test plants."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from cagecheck.inspecting import Finding, Inspection, inspect_low
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes, mesh_from_polygons
from cagecheck.meshes.normals import NormalRule

# Corners of each side of a box, counter-clockwise from outside, and the order of its corners.
BOX_QUADS = [
    [0, 1, 3, 2],
    [4, 6, 7, 5],
    [0, 4, 5, 1],
    [2, 3, 7, 6],
    [0, 2, 6, 4],
    [1, 5, 7, 3],
]
BOX_CORNERS = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], float)
UNIT_SQUARE = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)


def box(name: str = "box", at=(0, 0, 0), size: float = 1.0, uv_at=(0.1, 0.1), uv=0.2) -> Mesh:
    """A cube whose six sides are six square islands, apart, hard where the UVs are split."""
    cells = [(k % 3, k // 3) for k in range(6)]
    corner_uv = np.concatenate(
        [UNIT_SQUARE * uv + np.array(cell) * (uv + 0.05) + uv_at for cell in cells]
    )
    mesh = mesh_from_polygons(
        BOX_CORNERS * size + np.asarray(at, float), BOX_QUADS, uv=corner_uv, part=name
    )
    return mesh


def grid(n: int = 4, name: str = "grid", uv_at=(0.1, 0.1), uv: float = 0.5) -> Mesh:
    """A flat open square of n x n quads facing up, one island."""
    side = np.linspace(0, 1, n + 1)
    y, x = np.meshgrid(side, side, indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    quads = [
        [r * (n + 1) + c, r * (n + 1) + c + 1, (r + 1) * (n + 1) + c + 1, (r + 1) * (n + 1) + c]
        for r in range(n)
        for c in range(n)
    ]
    corner_uv = points[np.array(quads).ravel(), :2] * uv + uv_at
    return mesh_from_polygons(points, quads, uv=corner_uv, part=name)


def with_faces(mesh: Mesh, polygons: list[list[int]], uv: np.ndarray | None = None) -> Mesh:
    """The mesh with more polygons on its own vertices (UVs missing unless given)."""
    old = [
        mesh.corner_vertex[a:b].tolist()
        for a, b in zip(mesh.face_start[:-1], mesh.face_start[1:], strict=True)
    ]
    corners = sum(len(p) for p in polygons)
    more = np.full((corners, 2), np.nan) if uv is None else uv
    corner_uv = None if mesh.corner_uv is None else np.concatenate([mesh.corner_uv, more])
    return mesh_from_polygons(mesh.positions, old + polygons, uv=corner_uv, part=mesh.part_names[0])


def without_faces(mesh: Mesh, gone: list[int]) -> Mesh:
    """The mesh without some faces; its vertices stay."""
    kept = [f for f in range(mesh.face_count) if f not in gone]
    spans = [np.arange(mesh.face_start[f], mesh.face_start[f + 1]) for f in kept]
    corners = np.concatenate(spans)
    uv = None if mesh.corner_uv is None else mesh.corner_uv[corners]
    polygons = [mesh.corner_vertex[s].tolist() for s in spans]
    return mesh_from_polygons(mesh.positions, polygons, uv=uv, part=mesh.part_names[0])


def flipped(mesh: Mesh, faces: list[int] | None = None) -> Mesh:
    """The mesh with the corners of some faces (all by default) in the opposite order."""
    order = np.arange(len(mesh.corner_vertex))
    for f in range(mesh.face_count) if faces is None else faces:
        span = slice(mesh.face_start[f], mesh.face_start[f + 1])
        order[span] = order[span][::-1]
    uv = None if mesh.corner_uv is None else mesh.corner_uv[order]
    return replace(mesh, corner_vertex=mesh.corner_vertex[order], corner_uv=uv)


def moved_uv(mesh: Mesh, faces: list[int], shift) -> Mesh:
    """The mesh with the UVs of some faces shifted."""
    uv = mesh.corner_uv.copy()
    for f in faces:
        uv[mesh.face_start[f] : mesh.face_start[f + 1]] += shift
    return replace(mesh, corner_uv=uv)


def low_of(*meshes: Mesh, rule: NormalRule | None = None) -> LowPoly:
    """A low poly of several parts, with hard edges above 30 degrees."""
    mesh = meshes[0] if len(meshes) == 1 else join_meshes(list(meshes))
    return prepare_low(mesh, rule=rule or NormalRule("hardness"))


def surface_of(*meshes: Mesh) -> Surface:
    """The same as a high poly."""
    low = low_of(*meshes)
    return Surface(low.positions, low.triangles, low.triangle_part, low.part_names)


def inspect(*meshes: Mesh, size: int = 1024, padding: float = 8, **settings) -> Inspection:
    """Inspect a low poly of several parts."""
    return inspect_low(low_of(*meshes), map_size=size, padding=padding, **settings)


def codes(inspection: Inspection) -> list[str]:
    """The codes of all findings, in their order."""
    return [f.check.code for f in inspection.findings]


def the(inspection: Inspection, code: str) -> Finding:
    """The one finding with a code."""
    found = [f for f in inspection.findings if f.check.code == code]
    assert len(found) == 1, f"{code} not in {codes(inspection)}"
    return found[0]
