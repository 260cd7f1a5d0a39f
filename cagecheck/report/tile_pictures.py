"""UV tiles as pictures: the heat map laid out flat."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import row
from cagecheck.defects.kinds import CLEAN
from cagecheck.loops import njit
from cagecheck.maps.raster import columns_of, rows_of, snap
from cagecheck.meshes.barycentric import weights_in
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.tiles import FIRST_TILE, NO_TILE, tile_origin
from cagecheck.report.colours import CLEAN_COLOUR, Rgb
from cagecheck.report.heatmap import HeatMap

EMPTY, ISLAND_EDGE = 254, 253
EDGE_COLOUR = (110, 112, 116)
# Pixels along a tile's edge.
TILE_SIZE = 1024
# Maps shown beside their faults: fine enough to see what is meant, light enough for a page.
PHOTO_QUALITY = 86


@dataclass(frozen=True, eq=False)
class TilePicture:
    """A tile drawn.

    main : (size, size) uint8, row 0 on top: the category, `CLEAN`, `EMPTY` or `ISLAND_EDGE`.
    region : (size, size) uint16, the most harmful region there, 0 for none.
    photo : the map that lies on this tile as a JPEG, None where there is none; words : about it.
    """

    tile: int
    main: NDArray[np.uint8]
    region: NDArray[np.uint16]
    photo: bytes | None = None
    words: str = ""

    def png(self, colours: Mapping[int, Rgb]) -> bytes:
        """Return the picture as a PNG with a palette; what lies outside islands is clear.

        Over a photo clean surface is clear, too.
        """
        palette = np.zeros((256, 3), np.uint8)
        palette[CLEAN] = CLEAN_COLOUR
        palette[ISLAND_EDGE] = EDGE_COLOUR
        for code, colour in colours.items():
            palette[code] = colour
        main = self.main
        if self.photo is not None:
            main = np.where(main == CLEAN, np.uint8(EMPTY), main)
        image = Image.fromarray(main, "P")
        image.putpalette(palette.tobytes())
        stream = io.BytesIO()
        image.save(stream, "PNG", optimize=True, transparency=EMPTY)
        return stream.getvalue()


def photo_of(shares: NDArray[np.floating], size: int = TILE_SIZE) -> bytes:
    """Return a (H, W, 3) picture of values from 0 to 1 as a JPEG of at most `size` pixels."""
    image = Image.fromarray(np.rint(np.clip(shares, 0, 1) * 255).astype(np.uint8), "RGB")
    if image.width > size:
        image = image.resize((size, size), Image.Resampling.BOX)
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=PHOTO_QUALITY, subsampling=0)
    return stream.getvalue()


def least_of_blocks(picture: NDArray[Any], step: int) -> NDArray[Any]:
    """Shrink a square picture so that the least number of each `step` x `step` block stays."""
    if step == 1:
        return picture
    size = -(-len(picture) // step)
    padded = np.full((size * step, size * step), np.iinfo(picture.dtype).max, picture.dtype)
    padded[: len(picture), : len(picture)] = picture
    out: NDArray[Any] = padded.reshape(size, step, size, step).min(axis=(1, 3))
    return out


def worst_region_of_blocks(region: NDArray[Any], step: int) -> NDArray[Any]:
    """Shrink a picture of region numbers (0 for none): the most harmful of each block stays."""
    nothing = np.iinfo(region.dtype).max
    least = least_of_blocks(np.where(region == 0, nothing, region), step)
    return np.where(least == nothing, 0, least).astype(region.dtype)


def heat_uv(low: LowPoly, heat: HeatMap) -> tuple[Floats, Ints]:
    """Return (K, 2) UVs within their tile (NaN without UVs) and (K,) tiles of heat-map vertices."""
    owner = np.zeros(len(heat.positions), np.int64)
    owner[heat.triangles.ravel()] = np.repeat(heat.low_triangle, 3)
    if low.uv is None:
        return np.full((len(owner), 2), np.nan), np.full(len(owner), NO_TILE, np.int32)
    # Of every low-poly triangle: its tile's corner.
    tiles, which = np.unique(low.tile, return_inverse=True)
    origin = np.array([tile_origin(int(t)) if t != NO_TILE else (np.nan, np.nan) for t in tiles])
    within = np.empty((len(owner), 2))
    _uv_within(low.positions, low.triangles, low.uv, origin[which], owner, heat.positions, within)
    return within, low.tile[owner]


@njit(cache=True, nogil=True)
def _uv_within(
    positions: Floats, triangles: Ints, uv: Floats, origin: Floats, owner: NDArray[np.int64],
    place: Floats, out: Floats,
) -> None:  # fmt: skip
    """Write the UVs of places on triangles, counted from the corners of their tiles."""
    for i in range(len(owner)):
        f = owner[i]
        a, b, c = triangles[f, 0], triangles[f, 1], triangles[f, 2]
        u, v, w = weights_in(row(place, i), row(positions, a), row(positions, b), row(positions, c))
        for k in range(2):
            out[i, k] = u * uv[f, 0, k] + v * uv[f, 1, k] + w * uv[f, 2, k] - origin[f, k]


def draw_tiles(
    heat: HeatMap,
    uv: Floats,
    tile: Ints,
    main: NDArray[np.uint8],
    region: NDArray[np.uint16],
    size: int = TILE_SIZE,
) -> list[TilePicture]:
    """Draw every tile in use.

    uv, tile : see `heat_uv`; main : (M,) the triangles' categories; region : (M,) their most
    harmful regions.
    """
    of_triangle = tile[heat.triangles[:, 0]]
    pictures = []
    for number in np.flatnonzero(np.bincount(of_triangle)):
        if number == NO_TILE:
            continue
        rows = np.flatnonzero(of_triangle == number)
        # These UVs count from the tile's own corner, as on the first tile.
        snapped = snap(uv[heat.triangles[rows]], FIRST_TILE, size, size)
        rows = rows[snapped.owner]
        picture = np.full((size, size), EMPTY, np.uint8)
        regions = np.zeros((size, size), np.uint16)
        _fill(snapped.corner, main[rows], region[rows], picture, regions)
        draw_island_edges(picture)
        pictures.append(TilePicture(int(number), picture, regions))
    return pictures


@njit(cache=True, nogil=True)
def _fill(
    corner: NDArray[np.int64],
    main: NDArray[np.uint8],
    region: NDArray[np.uint16],
    picture: NDArray[np.uint8],
    regions: NDArray[np.uint16],
) -> None:
    """Colour the pixels whose centres snapped triangles cover, borders included.

    Where triangles meet, a category wins over clean.
    """
    size = picture.shape[0]
    for i in range(len(corner)):
        top, bottom = rows_of(corner, i, 0, size - 1)
        for y in range(top, bottom + 1):
            first, last = columns_of(corner, i, y, True, 0, size - 1)
            for x in range(first, last + 1):
                if picture[y, x] == EMPTY or main[i] != CLEAN:
                    picture[y, x] = main[i]
                if regions[y, x] == 0 or 0 < region[i] < regions[y, x]:
                    regions[y, x] = region[i]


@njit(cache=True, nogil=True)
def draw_island_edges(picture: NDArray[np.uint8]) -> None:
    """Outline islands with the empty pixels beside them."""
    size = picture.shape[0]
    for y in range(size):
        for x in range(size):
            if picture[y, x] != EMPTY:
                continue
            for dy, dx in ((0, 1), (1, 0), (0, -1), (-1, 0)):
                j, i = y + dy, x + dx
                if not (0 <= j < size and 0 <= i < size):
                    continue
                if picture[j, i] != EMPTY and picture[j, i] != ISLAND_EDGE:
                    picture[y, x] = ISLAND_EDGE
                    break
