"""UDIM tile numbers: 1001 + u + 10 v, with u from 0 to 9 (common practice, no source)."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats, Ints

FIRST_TILE, LAST_TILE = 1001, 9999
TILES_PER_ROW = 10
NO_TILE = 0


def udim_of(uv: Floats) -> Ints:
    """Return the (N,) tile numbers of (N, 2) UVs; `NO_TILE` where a UV is missing or off the grid.

    The grid is 0 <= u < 10 and 0 <= v, up to tile 9999, so that numbers keep four digits.
    """
    with np.errstate(invalid="ignore"):
        cell = np.floor(uv)
        inside = (
            np.isfinite(uv).all(axis=1)
            & (cell[:, 0] >= 0)
            & (cell[:, 0] < TILES_PER_ROW)
            & (cell[:, 1] >= 0)
            & (FIRST_TILE + cell[:, 0] + TILES_PER_ROW * cell[:, 1] <= LAST_TILE)
        )
    cell = np.where(inside[:, None], cell, 0).astype(np.int64)
    number = FIRST_TILE + cell[:, 0] + TILES_PER_ROW * cell[:, 1]
    return np.where(inside, number, NO_TILE).astype(np.int32)


def why_off_tiles(uv: Floats | None) -> tuple[str, str]:
    """Say why a low poly with these (C, 2) UVs lies on no tile: what is wrong, and the cure."""
    if uv is None or not np.isfinite(uv).all(axis=1).any():
        return "the low poly has no UVs", "Unwrap it, or export it with its UVs."
    return (
        "all UVs of the low poly lie off the tile grid (u from 0 to 10, v from 0 up)",
        "Move the islands onto tiles.",
    )


def tile_origin(tile: int) -> tuple[int, int]:
    """Return the (u, v) of a tile's lower left corner."""
    index = tile - FIRST_TILE
    return index % TILES_PER_ROW, index // TILES_PER_ROW
