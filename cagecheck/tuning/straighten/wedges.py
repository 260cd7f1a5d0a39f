"""How far rays may turn at an edge before a wedge opens between its two sides."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.edges import edge_pairs
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import normalised
from cagecheck.predicting.settings import Settings
from cagecheck.rays.points import PointKind, SurfacePoints

# Halvings of the search for the share of one sample: to a thousandth.
HALVINGS = 10


def greatest_shares(
    low: LowPoly, points: SurfacePoints, hit: Floats, start: Floats, settings: Settings
) -> tuple[NDArray[np.int64], Floats]:
    """Return edge samples and the greatest share at which the rays of both sides stay together.

    At height t over a convex edge (or at depth t below a concave one) rays turned by s leave a
    wedge between them; it may be as wide as the split threshold. Edges that bind nothing have no
    row.

    hit : (N,) float64 distance of what is recorded, NaN for a miss; start : (N,) float64.
    """
    rows = np.flatnonzero(points.kind == PointKind.EDGE)
    half = (np.argmin(points.barycentric[rows], axis=1) + 1) % 3
    twin = np.full(3 * len(low.triangles), -1, np.int64)
    _, left, right = edge_pairs(low.welded)
    twin[left], twin[right] = right, left
    other = twin[3 * points.triangle[rows].astype(np.int64) + half]
    rows, half, other = rows[other >= 0], half[other >= 0], other[other >= 0]
    triangle, beside = points.triangle[rows], other // 3
    mine, theirs = low.face_normals[triangle], low.face_normals[beside]
    corner = low.ray_normals[low.welded[triangle]]
    averaged = normalised(np.einsum("ij,ijk->ik", points.barycentric[rows], corner))
    p = low.positions[low.triangles[triangle]]
    at = np.arange(len(rows))
    along = normalised(p[at, (half + 1) % 3] - p[at, half])
    convex = np.einsum("ij,ij->i", theirs - mine, np.cross(along, mine)) > 0
    t = hit[rows]
    height = np.where(convex, np.maximum(t, 0), np.maximum(-t, 0))
    height = np.where(np.isfinite(height), height, np.maximum(start[rows], 0))
    texels = low.texels_per_unit(settings.map_size)[triangle]
    limit = settings.thresholds.split_texels

    def kept(s: Floats) -> NDArray[np.bool_]:
        a = normalised((1 - s[:, None]) * averaged + s[:, None] * mine)
        b = normalised((1 - s[:, None]) * averaged + s[:, None] * theirs)
        width = np.linalg.norm(a - b, axis=1) * height
        # Without UVs there are no texels to hide a wedge in: any width is too wide.
        return np.where(texels > 0, width * texels <= limit, width <= 0)

    greatest = bisect_share(kept, len(rows), wanted_above=False)
    binding = greatest < 1.0
    return rows[binding], greatest[binding]


def bisect_share(
    kept: Callable[[Floats], NDArray[np.bool_]], count: int, *, wanted_above: bool
) -> Floats:
    """Return (N,) the least s in [0, 1] that is kept (or the greatest), to 2^-`HALVINGS`."""
    low, high = np.zeros(count), np.ones(count)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        good = kept(middle)
        if wanted_above:
            low, high = np.where(good, low, middle), np.where(good, middle, high)
        else:
            low, high = np.where(good, middle, low), np.where(good, high, middle)
    if wanted_above:
        return high
    return np.where(kept(np.ones(count)), 1.0, low)
