"""The model lit with normal maps, for the page and the window: what is shown, and how it is stored.

Maps are stored without loss (WebP), in the largest size whose files fit a budget; the size is part
of what is shown, since a smaller map is softer than the bake.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.maps.encode import BasisRule, tangent_basis
from cagecheck.maps.normal_maps import NormalMaps
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.tiles import FIRST_TILE, NO_TILE, TILES_PER_ROW
from cagecheck.words.numbers import count_text

# What the frames of the stored corners are good for: the shader knows this rule and no other.
BASIS = BasisRule()
# Four tiles of two maps at 1024 take about 2 MB; twice the size is seldom seen on a screen.
LARGEST, SMALLEST = 1024, 64
# Bytes of all maps together. As text in a page they take a third more: 8 MB of 15.
BUDGET = 6_000_000
# A map of a dense sculpt takes 0.3 bytes a texel: sizes that would come to more than twice the
# budget by that are not even tried.
BYTES_PER_TEXEL = 0.3
# libwebp's effort, of 0 to 100: more takes seconds for a percent.
WEBP_EFFORT = 50


@dataclass(frozen=True, eq=False)
class LitSide:
    """One way to show the model: `maps` on the low poly, or the thinned high poly for None.

    key : short name; title : what stands beside the line; words : what it is, in a sentence.
    files : the maps as WebP, tile to bytes.
    """

    key: str
    title: str
    words: str
    files: dict[int, bytes] | None


@dataclass(frozen=True, eq=False)
class Lit:
    """The sides that can be compared, and which two are shown first.

    size : texels along the edge of each tile's map, 0 without maps.
    """

    sides: tuple[LitSide, ...]
    left: str
    right: str
    size: int


@dataclass(frozen=True, eq=False)
class LitCorners:
    """The low poly's corners as a renderer wants them: one row for corners that are alike.

    Attributes
    ----------
    position : (K, 3), world; uv : (K, 2) in the tile; normal : (K, 3); tangent : (K, 4), sign last.
    triangles : (T, 3) int32 rows of those; part, tile : (T,), `NO_TILE` where no map lies.
    low_triangle : (T,) the low poly's triangle. Triangles are in the order of part and tile.
    """

    position: Floats
    uv: Floats
    normal: Floats
    tangent: Floats
    triangles: Ints
    part: Ints
    tile: Ints
    low_triangle: Ints

    def runs(self) -> list[dict[str, int]]:
        """Return part, tile, first triangle and count of every run of one part on one tile."""
        key = np.stack([self.part, self.tile], axis=1)
        first = np.flatnonzero(np.r_[True, (np.diff(key, axis=0) != 0).any(axis=1)])
        count = np.diff(np.r_[first, len(key)])
        return [
            {"part": int(key[a, 0]), "tile": int(key[a, 1]), "first": int(a), "count": int(n)}
            for a, n in zip(first, count, strict=True)
        ]


def lit_corners(low: LowPoly) -> LitCorners:
    """Return the corners of a low poly with UVs, with the frames that its maps are made for."""
    assert low.uv is not None, "maps need UVs"
    basis = tangent_basis(low, BASIS)
    index = np.maximum(low.tile - FIRST_TILE, 0)
    origin = np.stack([index % TILES_PER_ROW, index // TILES_PER_ROW], axis=1)
    uv = np.where((low.tile != NO_TILE)[:, None, None], low.uv - origin[:, None], 0.0)
    order = np.lexsort((low.tile, low.triangle_part))
    order = order[low.area[order] > 0]
    rows = np.concatenate(
        [low.positions[low.triangles], np.nan_to_num(uv), basis.normals, basis.tangents], axis=2
    )[order].reshape(-1, 12)
    alike, corner = np.unique(np.ascontiguousarray(rows), axis=0, return_inverse=True)
    return LitCorners(
        alike[:, :3], alike[:, 3:5], alike[:, 5:8], alike[:, 8:],
        corner.reshape(-1, 3).astype(np.int32), low.triangle_part[order], low.tile[order],
        order.astype(np.int32),
    )  # fmt: skip


def fitting_maps(
    makers: list[Callable[[int], NormalMaps]], tiles: int, most: int, budget: int = BUDGET
) -> tuple[int, list[dict[int, bytes]]]:
    """Return the size and the files of maps that fit a budget together.

    makers : each makes one map for every tile, of a size. most : the largest size that is wanted.
    """
    count = tiles * len(makers)
    size = LARGEST
    while size > SMALLEST and (size > most or count * size**2 * BYTES_PER_TEXEL > 2 * budget):
        size //= 2
    while True:
        files = [{tile: webp(x) for tile, x in make(size).tiles.items()} for make in makers]
        if size <= SMALLEST or sum(len(x) for side in files for x in side.values()) <= budget:
            return size, files
        size //= 2


def webp(texels: NDArray[np.unsignedinteger]) -> bytes:
    """Return a lossless WebP file of (H, W, 3) uint8 texels."""
    # Imported here since it takes a tenth of a second, which most commands need not wait.
    import imagecodecs

    return bytes(imagecodecs.webp_encode(texels, lossless=True, level=WEBP_EFFORT))


def size_words(size: int, map_size: int) -> str:
    """Say how large the shown maps are, beside the bake's own."""
    shown = f"{count_text(size)} × {count_text(size)} texels per tile"
    return shown if size == map_size else f"{shown} (the bake’s own have {count_text(map_size)})"
