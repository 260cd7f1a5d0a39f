"""The nearest place on the low poly, among the parts that a high part may be baked onto."""

from __future__ import annotations

import igl
import numpy as np
from numpy.typing import NDArray

from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Floats, Ints
from cagecheck.meshes.rows import rows_by_label


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
    triangles_of = rows_by_label(np.where(low.area > 0, low.triangle_part, -1), len(paired))
    rows_of = rows_by_label(group.ravel()[high_part], len(columns))
    for column, rows in zip(columns, rows_of, strict=True):
        parts = np.flatnonzero(column)
        if len(rows) == 0 or len(parts) == 0:
            continue
        chosen = np.sort(np.concatenate([triangles_of[k] for k in parts]))
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
