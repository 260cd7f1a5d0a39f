"""The nearest place on the low poly, among the parts that a high part may be baked onto."""

from __future__ import annotations

import igl
import numpy as np
from numpy.typing import NDArray

from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Floats, Ints


def nearest_paired(
    low: LowPoly, paired: NDArray[np.bool_], points: Floats, high_part: Ints
) -> tuple[Ints, Floats, Floats]:
    """Find the nearest place on the low-poly parts paired with each point's high part.

    Parameters
    ----------
    paired : (low parts, high parts) bool.
    points : (N, 3) world. high_part : (N,) the part each point is of.

    Returns
    -------
    triangle : (N,) int32, -1 where no triangle with area is paired.
    place : (N, 3) world, NaN there.
    distance : (N,) world units, infinity there.
    """
    triangle = np.full(len(points), -1, np.int32)
    place, distance = np.full((len(points), 3), np.nan), np.full(len(points), np.inf)
    # High parts that serve the same low parts are projected onto those together.
    columns, group = np.unique(paired.T, axis=0, return_inverse=True)
    solid = np.flatnonzero(low.area > 0)
    solid = solid[np.argsort(low.triangle_part[solid], kind="stable")]
    solid_start = np.searchsorted(low.triangle_part[solid], np.arange(len(paired) + 1))
    of_point = group.ravel()[high_part]
    order = np.argsort(of_point, kind="stable")
    start = np.searchsorted(of_point[order], np.arange(len(columns) + 1))
    for g in np.flatnonzero(np.diff(start)):
        rows = order[start[g] : start[g + 1]]
        parts = np.flatnonzero(columns[g])
        candidates = [solid[solid_start[k] : solid_start[k + 1]] for k in parts]
        chosen = np.sort(np.concatenate([solid[:0], *candidates]))
        if len(chosen) == 0:
            continue
        used, local = np.unique(low.triangles[chosen], return_inverse=True)
        squared, index, where = igl.point_mesh_squared_distance(
            np.ascontiguousarray(points[rows]),
            np.ascontiguousarray(low.positions[used]),
            local.reshape(-1, 3).astype(np.int64),
        )
        triangle[rows], place[rows], distance[rows] = chosen[index], where, np.sqrt(squared)
    return triangle, place, distance
