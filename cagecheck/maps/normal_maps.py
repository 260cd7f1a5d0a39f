"""Normal maps of several tiles, read between their texels as a renderer reads them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.maps.encode import unquantised
from cagecheck.meshes.tiles import FIRST_TILE, NO_TILE, TILES_PER_ROW, tile_origin, udim_of


@dataclass(frozen=True, eq=False)
class NormalMaps:
    """Padded tangent-space normal maps, green up, row 0 on top: tile to (H, W, 3) uint8 or 16."""

    tiles: dict[int, NDArray[np.unsignedinteger]]

    @property
    def size(self) -> int:
        """Texels along the edge of the largest map, 0 for none."""
        return max((len(texels) for texels in self.tiles.values()), default=0)

    def sample(self, uv: Floats, home: Ints) -> Floats:
        """Return (N, 3) components at N UVs, bilinear; zero where no map lies or UVs are missing.

        home : (N,) the tile of each point's triangle, which keeps what lies on its border.
        """
        out = np.zeros((len(uv), 3))
        tile = _tile_of(uv, home)
        for number, texels in self.tiles.items():
            here = np.flatnonzero(tile == number)
            if len(here):
                out[here] = _bilinear(texels, uv[here] - np.array(tile_origin(number)))
        return out


def _tile_of(uv: Floats, home: Ints) -> Ints:
    """Return the tile of every point: its triangle's, if the point lies on that or its border."""
    index = np.maximum(home - FIRST_TILE, 0)
    with np.errstate(invalid="ignore"):
        local = uv - np.stack([index % TILES_PER_ROW, index // TILES_PER_ROW], axis=1)
        inside = (home != NO_TILE) & ((local >= 0) & (local <= 1)).all(axis=1)
    return np.where(inside, home, udim_of(uv)).astype(np.int32)


def _bilinear(texels: NDArray[np.unsignedinteger], uv: Floats) -> Floats:
    """Return components between texel centres; beyond the outermost centres the map goes on."""
    height, width = texels.shape[:2]
    x = np.clip(uv[:, 0] * width - 0.5, 0, width - 1)
    y = np.clip((1 - uv[:, 1]) * height - 0.5, 0, height - 1)
    left = np.minimum(x.astype(np.int64), max(width - 2, 0))
    top = np.minimum(y.astype(np.int64), max(height - 2, 0))
    right, bottom = np.minimum(left + 1, width - 1), np.minimum(top + 1, height - 1)
    a, b = (x - left)[:, None], (y - top)[:, None]
    upper = unquantised(texels[top, left]) * (1 - a) + unquantised(texels[top, right]) * a
    lower = unquantised(texels[bottom, left]) * (1 - a) + unquantised(texels[bottom, right]) * a
    out: Floats = upper * (1 - b) + lower * b
    return out
