"""Points whose rays pass through the high poly's own vertices.

Between samples the high poly can rise unseen, but not anywhere: over one low triangle, where rays
are close to parallel, a surface of flat triangles is highest above a flat cage at one of its own
vertices or where an edge of the cage crosses it. Edge samples watch the second; this watches the
first: every high-poly vertex near the cage gets the low-poly point whose ray runs through it.
"""

from __future__ import annotations

import igl
import numpy as np
from numpy.typing import NDArray

from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Floats
from cagecheck.rays.cage import Along, Cage, rays_through
from cagecheck.rays.points import PointKind, SurfacePoints, join_points
from cagecheck.rays.scene import Scene

# Vertices projected at once: bounds the memory.
BLOCK = 1 << 20
# Steps that slide a point until its ray meets the vertex; each shrinks the miss by about the
# offset over the low poly's radius of curvature.
SLIDES = 4
# Of the vertices in one cell of a triangle (this many along a side) only the highest is kept.
CELLS = 8
# A vertex is looked at when it is farther out than this share of the triangle's least offset.
LOOK_SHARE = 0.5


def peak_points(
    low: LowPoly,
    scene: Scene,
    cage: Cage,
    paired: NDArray[np.bool_],
    clearance: float,
    *,
    along: Along = "cage",
) -> SurfacePoints:
    """Return points (of area 0) whose rays run through high-poly vertices near or above the cage.

    clearance : vertices less than this below the cage count as near, world units.
    """
    surface = scene.surface
    used = np.zeros(len(surface.positions), bool)
    found: list[SurfacePoints] = []
    _, group = np.unique(paired.T, axis=0, return_inverse=True)
    for g in np.unique(group):
        parts = group.ravel() == g
        allowed = paired[:, int(np.flatnonzero(parts)[0])]
        candidates = np.flatnonzero(allowed[low.triangle_part] & (low.area > 0))
        if len(candidates) == 0:
            continue
        used[:] = False
        used[scene.triangles[parts[surface.triangle_part]].ravel()] = True
        vertices = np.flatnonzero(used)
        for a in range(0, len(vertices), BLOCK):
            place = surface.positions[vertices[a : a + BLOCK]].astype(np.float64)
            found.append(_near_cage(low, cage, candidates, place, clearance, along))
    return join_points(found) if found else _points(np.zeros(0, np.int32), np.zeros((0, 3)))


def _near_cage(
    low: LowPoly,
    cage: Cage,
    candidates: NDArray[np.int64],
    place: Floats,
    clearance: float,
    along: Along,
) -> SurfacePoints:
    squared, index, foot = igl.point_mesh_squared_distance(
        place, low.positions, np.ascontiguousarray(low.triangles[candidates], dtype=np.int64)
    )
    triangle = candidates[index].astype(np.int32)
    least = np.linalg.norm(cage.displacement, axis=2).min(axis=1)[triangle]
    outside = np.einsum("ij,ij->i", place - foot, low.face_normals[triangle]) > 0
    near = outside & (np.sqrt(squared) > LOOK_SHARE * (least - clearance))
    place, triangle, foot = place[near], triangle[near], foot[near]
    points = _points(triangle, barycentric_of(low, triangle, foot))
    for _ in range(SLIDES):
        rays = rays_through(low, cage, points, along)
        t = np.einsum("ij,ij->i", place - rays.origin, rays.direction)
        missed = place - rays.origin - t[:, None] * rays.direction
        points = _points(triangle, barycentric_of(low, triangle, rays.origin + missed))
    rays = rays_through(low, cage, points, along)
    t = np.einsum("ij,ij->i", place - rays.origin, rays.direction)
    room = rays.start - t
    rows = np.flatnonzero((t > 0) & (room < clearance))
    return points.take(_highest_per_cell(points, room, rows))


def barycentric_of(low: LowPoly, triangle: NDArray[np.int32], place: Floats) -> Floats:
    """Return (N, 3) barycentrics of places projected into their triangles, kept inside them."""
    p = low.positions[low.triangles[triangle]]
    e1, e2, q = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0], place - p[:, 0]
    normal = np.cross(e1, e2)
    size = np.einsum("ij,ij->i", normal, normal)
    size = np.where(size > 0, size, 1.0)
    out = np.empty((len(triangle), 3))
    out[:, 1] = np.einsum("ij,ij->i", np.cross(q, e2), normal) / size
    out[:, 2] = np.einsum("ij,ij->i", np.cross(e1, q), normal) / size
    out[:, 0] = 1 - out[:, 1] - out[:, 2]
    out = np.clip(out, 0.0, 1.0)
    out /= out.sum(axis=1, keepdims=True)
    return out


def _highest_per_cell(
    points: SurfacePoints, room: Floats, rows: NDArray[np.int64]
) -> NDArray[np.int64]:
    cell = np.minimum((points.barycentric[rows, :2] * CELLS).astype(np.int64), CELLS - 1)
    key = points.triangle[rows].astype(np.int64) * CELLS**2 + cell[:, 0] * CELLS + cell[:, 1]
    order = np.lexsort((room[rows], key))
    first = np.ones(len(rows), bool)
    first[1:] = np.diff(key[order]) != 0
    return rows[order[first]]


def _points(triangle: NDArray[np.int32], barycentric: Floats) -> SurfacePoints:
    n = len(triangle)
    return SurfacePoints(
        triangle, barycentric, np.zeros(n), np.full(n, PointKind.INTERIOR, np.uint8), np.zeros(n)
    )
