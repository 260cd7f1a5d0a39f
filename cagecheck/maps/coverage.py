"""Which texels of a tile some triangles cover.

A texel is covered when its centre lies in a triangle or on its border. Row 0 of a mask is the top
of the map (v = 1), as in image files.
"""

from __future__ import annotations

import math

import numba
import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.tiles import tile_origin

Mask = NDArray[np.bool_]


def tile_coverage(uv: Floats, tile: int, width: int, height: int | None = None) -> Mask:
    """Return the (height, width) bool mask of the texels that (T, 3, 2) UV triangles cover.

    Triangles outside `tile`, without finite UVs or without area cover nothing.
    """
    height = width if height is None else height
    mask = np.zeros((height, width), np.bool_)
    local = uv - np.array(tile_origin(tile), dtype=np.float64)
    with np.errstate(invalid="ignore"):
        near = (
            np.isfinite(local).all(axis=(1, 2))
            & (local.max(axis=1) > 0).all(axis=1)
            & (local.min(axis=1) < 1).all(axis=1)
        )
    texels = local[near] * np.array([width, height], dtype=np.float64)
    texels[:, :, 1] = height - texels[:, :, 1]
    _fill(np.ascontiguousarray(texels), mask)
    return mask


@numba.njit(cache=True, nogil=True)
def _fill(triangles: Floats, mask: Mask) -> None:  # pragma: no cover - compiled
    height, width = mask.shape
    for t in range(len(triangles)):
        ax, ay = triangles[t, 0]
        bx, by = triangles[t, 1]
        cx, cy = triangles[t, 2]
        area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
        if area == 0.0:
            continue
        side = 1.0 if area > 0.0 else -1.0
        first_row = max(0, math.ceil(min(ay, by, cy) - 0.5))
        last_row = min(height - 1, math.floor(max(ay, by, cy) - 0.5))
        first_column = max(0, math.ceil(min(ax, bx, cx) - 0.5))
        last_column = min(width - 1, math.floor(max(ax, bx, cx) - 0.5))
        for row in range(first_row, last_row + 1):
            y = row + 0.5
            for column in range(first_column, last_column + 1):
                x = column + 0.5
                if (
                    side * ((bx - ax) * (y - ay) - (x - ax) * (by - ay)) >= 0.0
                    and side * ((cx - bx) * (y - by) - (x - bx) * (cy - by)) >= 0.0
                    and side * ((ax - cx) * (y - cy) - (x - cx) * (ay - cy)) >= 0.0
                ):
                    mask[row, column] = True
