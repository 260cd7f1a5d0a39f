"""Splits: hard edges with split normals, where neighbouring rays part company."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.meshes.edges import edge_pairs
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import normalised
from cagecheck.rays.cage import Cage
from cagecheck.rays.points import PointKind, SurfacePoints, interpolate


def wedge_slope(low: LowPoly, cage: Cage, points: SurfacePoints) -> Floats:
    """Return (N,) how wide a wedge rays leave uncovered per unit of height above the low poly.

    Only edge points have one: the distance between the rays of both sides, which grows with the
    height above the edge, or below it (as overlap turned round) where the slope is negative. 0
    elsewhere.
    """
    out = np.zeros(len(points))
    if cage.positions is not None:
        return out  # one vertex, one direction: nothing parts
    twin = np.full(3 * len(low.triangles), -1, np.int64)
    _, left, right = edge_pairs(low.welded)
    twin[left], twin[right] = right, left
    rows = np.flatnonzero(points.kind == PointKind.EDGE)
    half = _half_edge(points.barycentric[rows])
    other = twin[3 * points.triangle[rows].astype(np.int64) + half]
    rows, half, other = rows[other >= 0], half[other >= 0], other[other >= 0]
    t, u = points.triangle[rows], (other // 3).astype(np.int32)
    k = other % 3
    s = points.barycentric[rows, (half + 1) % 3]
    # The twin edge usually runs the other way round.
    same_way = low.welded[t, half] == low.welded[u, k]
    weights = np.zeros((len(rows), 3))
    weights[np.arange(len(rows)), k] = np.where(same_way, 1 - s, s)
    weights[np.arange(len(rows)), (k + 1) % 3] = np.where(same_way, s, 1 - s)
    mine = _direction(cage, t, points.barycentric[rows])
    theirs = _direction(cage, u, weights)
    corner = low.positions[low.triangles[t]]
    r = np.arange(len(rows))
    edge = normalised(corner[r, (half + 1) % 3] - corner[r, half])
    outward = np.cross(edge, low.face_normals[t])  # away from this triangle, in its plane
    # Rays diverge above the edge when the other side's ray leans further out than this one's.
    opening = np.einsum("ij,ij->i", theirs - mine, outward)
    gap = np.linalg.norm(theirs - mine, axis=1)
    out[rows] = np.sign(opening) * gap
    return out


def split_slope(wedge_slope: Floats, texels: Floats) -> Floats:
    """Return (N,) the same in texels per unit of height, from (N,) texels per world unit.

    Without UVs there are no texels to hide a wedge in, and any width is too wide: infinite.
    """
    if not wedge_slope.any():
        return wedge_slope
    mapped = texels > 0
    if mapped.all():
        return wedge_slope * texels
    without = np.where(wedge_slope != 0, np.copysign(np.inf, wedge_slope), 0.0)
    return np.where(mapped, wedge_slope * texels, without)


def _half_edge(barycentric: Floats) -> np.ndarray:
    """Return which half-edge (corner k to k + 1) each edge point lies on: corner k + 2 weighs 0."""
    return (np.argmin(barycentric, axis=1) + 1) % 3


def _direction(cage: Cage, triangle: np.ndarray, barycentric: Floats) -> Floats:
    corners = 3 * triangle[:, None].astype(np.int64) + np.arange(3)
    return normalised(interpolate(cage.normals.reshape(-1, 3), corners, barycentric))
