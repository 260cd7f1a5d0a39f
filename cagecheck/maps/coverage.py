"""Which texels of a tile some triangles cover.

A texel is covered when its centre lies in a triangle or on its border (see `raster`). Row 0 of a
mask is the top of the map (v = 1), as in image files.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.loops import njit
from cagecheck.maps.raster import columns_of, rows_of, snap

Mask = NDArray[np.bool_]


def tile_coverage(uv: Floats, tile: int, width: int, height: int | None = None) -> Mask:
    """Return the (height, width) bool mask of the texels that (T, 3, 2) UV triangles cover.

    Triangles outside `tile`, without finite UVs or without area cover nothing.
    """
    height = width if height is None else height
    mask = np.zeros((height, width), np.bool_)
    _fill(snap(uv, tile, width, height).corner, mask)
    return mask


@njit(cache=True, nogil=True)
def _fill(corner: NDArray[np.int64], mask: Mask) -> None:
    height, width = mask.shape
    for m in range(len(corner)):
        top, bottom = rows_of(corner, m, 0, height - 1)
        for y in range(top, bottom + 1):
            first, last = columns_of(corner, m, y, True, 0, width - 1)
            for x in range(first, last + 1):
                mask[y, x] = True
