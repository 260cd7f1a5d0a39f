"""Texels to points: which texel centres of a map lie on which low-poly triangle.

Convention, everywhere in `cagecheck.maps`: a map of one UDIM tile is square, row 0 is the top row
(PNG, glTF) while v points up (OBJ and `LowPoly.uv`; readers turn glTF's v around). The centre of
texel (x, y) of a map of `size` is at u = u0 + (x + 0.5) / size, v = v0 + 1 - (y + 0.5) / size.

Coverage is exact (see `raster`; a texel there is a sub-texel when supersampling): a centre on an
edge shared by two triangles belongs to exactly one of them. Where UVs overlap, the first triangle
in file order keeps the texel; the others are counted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import run_end, store_flat
from cagecheck.errors import InputError, Notice
from cagecheck.loops import njit
from cagecheck.maps.raster import (
    SUBTEXEL,
    SUBTEXEL_BITS,
    WIDEST_TRIANGLE,
    Snapped,
    columns_of,
    rows_of,
    snap,
)
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.tiles import FIRST_TILE, udim_of
from cagecheck.rays.points import PointKind, SurfacePoints
from cagecheck.words.numbers import as_given, count_text

SMALLEST_MAP, LARGEST_MAP = 8, 16384
SUPERSAMPLING = (1, 4, 16)
NO_TRIANGLE = -1
# (N,) columns and rows of texels to (N,) bool.
Choice = Callable[[Ints, Ints], NDArray[np.bool_]]
# Rows and columns of a block to whether it is wanted.
BlockChoice = Callable[[slice, slice], bool]

# Texels of a block are listed in cells of this edge, so that the 16 rays of a packet come from a
# compact place: 4 x 4 rays share more of their way through the scene than 16 in a row.
_CELL = 4
_DEFAULT_BLOCK = 512


@dataclass(frozen=True, eq=False)
class TexelPoints:
    """The covered texels of one tile, or of one block of it, in an order that keeps rays coherent.

    Attributes
    ----------
    tile : UDIM number.
    size : texels along the map's edge (not sub-texels).
    points : (N,) `SurfacePoints` of kind TEXEL. `area` is the world area of a texel (of a
        sub-texel when supersampling) and `spacing` its square root, the mean distance to the next.
    x, y : (N,) int32, column and row of the texel; row 0 is the top.
    overlaps : triangle-texel pairs that lost against an earlier triangle.
    """

    tile: int
    size: int
    points: SurfacePoints
    x: Ints
    y: Ints
    overlaps: int

    def __len__(self) -> int:
        return len(self.x)


def texel_points(low: LowPoly, map_size: int, tile: int, *, supersample: int = 1) -> TexelPoints:
    """Return every covered texel centre of one tile (see the module's convention).

    `supersample` is 1, 4 or 16 sub-texels per texel; `x` and `y` stay those of the texel.
    Use `texel_blocks` for large maps: this holds about 70 bytes for every covered texel.

    Raises `InputError` for a low poly without UVs and for sizes that are not usable.
    """
    blocks = list(texel_blocks(low, map_size, tile, supersample=supersample))
    return _join_blocks(blocks, tile, map_size)


def uv_notices(low: LowPoly) -> list[Notice]:
    """Say which triangles no map can hold: without UVs, without UV area, or far too wide."""
    if low.uv is None:
        return []
    missing = ~np.isfinite(low.uv).all(axis=(1, 2))
    # What has no area in space either is told where it is set aside.
    flat = ~missing & (low.uv_area == 0) & (low.area > 0)
    wide = ~missing & (np.ptp(low.uv, axis=1) > WIDEST_TRIANGLE).any(axis=1)
    found = (
        (missing, "no-uv", "have no UVs", "Unwrap them."),
        (flat, "flat-uv", "have UVs without area", "Unwrap them again."),
        (wide, "wide-uv", f"span over {as_given(WIDEST_TRIANGLE)} tiles", "Scale the UVs down."),
    )
    return [
        Notice(code, f"{count_text(n)} low-poly triangles {what} and get no texels.", cure, n)
        for mask, code, what, cure in found
        if (n := int(np.count_nonzero(mask)))
    ]


def texel_blocks(
    low: LowPoly,
    map_size: int,
    tile: int,
    *,
    supersample: int = 1,
    block: int = _DEFAULT_BLOCK,
    chosen: Choice | None = None,
    wanted: BlockChoice | None = None,
) -> Iterator[TexelPoints]:
    """Yield the covered texels of one tile in square blocks of `block` sub-texels, row by row.

    Blocks without a covered texel are left out. Memory is bounded by the block, not by the map.
    `block` is rounded up to a multiple of 32, so that no texel's sub-texels are parted. chosen :
    tells by their columns and rows which texels are asked for; the others are left out before
    their points are worked out. wanted : tells which blocks (of texels) are looked at at all.
    """
    size, across = _checked_size(map_size, supersample)
    across_bits = across.bit_length() - 1
    texel_area: Floats | None = None
    for listed in _listed_blocks(low, size, tile, block, across_bits, wanted):
        x, y, m, snapped = listed.x, listed.y, listed.m, listed.snapped
        column, line = (x + listed.left) >> across_bits, (y + listed.top) >> across_bits
        if chosen is not None:
            kept = chosen(column, line)
            if not kept.any():
                continue
            x, y, m, column, line = x[kept], y[kept], m[kept], column[kept], line[kept]
        texel_area = _texel_area(low, size) if texel_area is None else texel_area
        triangle, barycentric, area, spacing = _placed(
            snapped.corner, snapped.swapped, snapped.owner, texel_area, m, x, y,
            listed.left, listed.top,
        )  # fmt: skip
        kind = np.full(len(x), PointKind.TEXEL, np.uint8)
        points = SurfacePoints(triangle, barycentric, area, kind, spacing)
        yield TexelPoints(tile, map_size, points, column, line, listed.overlaps)


def texel_mask(low: LowPoly, map_size: int, tile: int) -> NDArray[np.bool_]:
    """Return the (size, size) bool of the texels whose centres lie on the low poly."""
    size, _ = _checked_size(map_size, 1)
    out = np.zeros((size, size), bool)
    for listed in _listed_blocks(low, size, tile, _DEFAULT_BLOCK):
        out[listed.y + listed.top, listed.x + listed.left] = True
    return out


@dataclass(frozen=True, eq=False)
class _Listed:
    """The covered sub-texels of a block: columns and rows in it, and whose each is."""

    snapped: Snapped
    left: int
    top: int
    x: Ints
    y: Ints
    m: Ints
    overlaps: int


def _listed_blocks(
    low: LowPoly,
    size: int,
    tile: int,
    block: int,
    across_bits: int = 0,
    wanted: BlockChoice | None = None,
) -> Iterator[_Listed]:
    """Yield the blocks of one tile that hold a covered sub-texel, row by row.

    across_bits, wanted : of those that are wanted, as blocks of 2 ** `across_bits` sub-texels each.
    """
    if low.uv is None:
        raise InputError(
            "the low poly has no UVs, so it has no texels.",
            file=low.mesh.source.path if low.mesh.source else None,
            cure="Unwrap it, or export it with its UVs.",
        )
    block = -(-block // 32) * 32
    snapped = _snap(low, tile, size)
    if len(snapped.owner) == 0:
        return
    per_side = -(-size // block)
    start, members = _bin(snapped.corner, size, block, per_side)
    for b in range(per_side * per_side):
        mine = members[start[b] : start[b + 1]]
        if len(mine) == 0:
            continue
        left, top = (b % per_side) * block, (b // per_side) * block
        rows, columns = (slice(k >> across_bits, (k + block) >> across_bits) for k in (top, left))
        if wanted is not None and not wanted(rows, columns):
            continue
        winner = np.full((block, block), NO_TRIANGLE, np.int32)
        overlaps = _raster(snapped.corner, mine, left, top, size, winner)
        x, y, m = _listed(winner)
        if len(x):
            yield _Listed(snapped, left, top, x, y, m, overlaps)


def triangle_ids(low: LowPoly, map_size: int, tile: int) -> Ints:
    """Return the (size, size) int32 triangle at every texel centre, `NO_TRIANGLE` outside."""
    image = np.full((map_size, map_size), NO_TRIANGLE, np.int32)
    for part in texel_blocks(low, map_size, tile):
        image[part.y, part.x] = part.points.triangle
    return image


def tiles_touched(low: LowPoly) -> tuple[int, ...]:
    """Return the UDIM numbers that any UV triangle reaches into, ascending (empty without UVs).

    A border that a triangle only touches does not count.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    """
    if low.uv is None:
        return ()
    usable = np.isfinite(low.uv).all(axis=(1, 2)) & (low.uv_area != 0)
    uv = low.uv[usable]
    first = np.floor(uv.min(axis=1))
    last = np.maximum(np.ceil(uv.max(axis=1)) - 1, first)
    numbers: set[int] = set()
    for span in np.unique(np.concatenate([first, last], axis=1), axis=0):
        if (span[2:] - span[:2]).max() > WIDEST_TRIANGLE:
            continue
        u, v = np.meshgrid(np.arange(span[0], span[2] + 1), np.arange(span[1], span[3] + 1))
        cells = np.stack([u.ravel(), v.ravel()], axis=1) + 0.5
        numbers.update(int(t) for t in np.unique(udim_of(cells)) if t >= FIRST_TILE)
    return tuple(sorted(numbers))


def _checked_size(map_size: int, supersample: int) -> tuple[int, int]:
    if not SMALLEST_MAP <= map_size <= LARGEST_MAP:
        raise InputError(
            f"a map of {map_size} texels is not possible.",
            cure=f"Choose a size from {SMALLEST_MAP} to {LARGEST_MAP}.",
        )
    if supersample not in SUPERSAMPLING:
        raise InputError(
            f"{supersample} samples per texel are not possible.", cure="Choose 1, 4 or 16."
        )
    across = {1: 1, 4: 2, 16: 4}[supersample]
    return map_size * across, across


def _snap(low: LowPoly, tile: int, size: int) -> Snapped:
    """Snap the triangles with area that reach into the tile."""
    assert low.uv is not None
    return snap(np.where((low.area > 0)[:, None, None], low.uv, np.nan), tile, size, size)


def _texel_area(low: LowPoly, size: int) -> Floats:
    """Return the (T,) world area of one of `size`**2 texels on every triangle."""
    in_texels = np.abs(low.uv_area) * float(size) ** 2
    return np.divide(low.area, in_texels, out=np.zeros_like(low.area), where=in_texels > 0)


@njit(cache=True, nogil=True)
def _block_range(corners: NDArray[np.int64], axis: int, size: int, block: int) -> tuple[int, int]:
    low = min(corners[0, axis], corners[1, axis], corners[2, axis]) >> SUBTEXEL_BITS
    high = max(corners[0, axis], corners[1, axis], corners[2, axis]) >> SUBTEXEL_BITS
    return max(low, 0) // block, min(high, size - 1) // block


@njit(cache=True, nogil=True)
def _bin(
    snapped: NDArray[np.int64], size: int, block: int, per_side: int
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """List the triangles whose bounding box meets every block, in file order."""
    start = np.zeros(per_side * per_side + 1, np.int64)
    for m in range(len(snapped)):
        x0, x1 = _block_range(snapped[m], 0, size, block)
        y0, y1 = _block_range(snapped[m], 1, size, block)
        for by in range(y0, y1 + 1):
            for bx in range(x0, x1 + 1):
                start[by * per_side + bx + 1] += 1
    for b in range(len(start) - 1):
        start[b + 1] += start[b]
    fill = start.copy()
    members = np.empty(start[-1], np.int32)
    for m in range(len(snapped)):
        x0, x1 = _block_range(snapped[m], 0, size, block)
        y0, y1 = _block_range(snapped[m], 1, size, block)
        for by in range(y0, y1 + 1):
            for bx in range(x0, x1 + 1):
                members[fill[by * per_side + bx]] = m
                fill[by * per_side + bx] += 1
    return start, members


@njit(cache=True, nogil=True)
def _raster(
    corner: NDArray[np.int64],
    members: NDArray[np.int32],
    left: int,
    top: int,
    size: int,
    winner: NDArray[np.int32],
) -> int:
    """Write the first triangle over every centre into `winner`; return how many came too late."""
    late = 0
    right = min(left + winner.shape[1], size) - 1
    bottom = min(top + winner.shape[0], size) - 1
    for m in members:
        y0, y1 = rows_of(corner, m, top, bottom)
        for y in range(y0, y1 + 1):
            x0, x1 = columns_of(corner, m, y, False, left, right)
            for x in range(x0, x1 + 1):
                if winner[y - top, x - left] == NO_TRIANGLE:
                    winner[y - top, x - left] = m
                else:
                    late += 1
    return late


@njit(cache=True, nogil=True)
def _listed(winner: NDArray[np.int32]) -> Any:
    """List a block's covered sub-texels, cell by cell: their columns, rows and winners."""
    rows, columns = winner.shape
    x = np.empty(winner.size, np.int32)
    y, m = np.empty_like(x), np.empty_like(x)
    k = 0
    for cell_y in range(0, rows, _CELL):
        for cell_x in range(0, columns, _CELL):
            for r in range(cell_y, min(cell_y + _CELL, rows)):
                for c in range(cell_x, min(cell_x + _CELL, columns)):
                    x[k], y[k], m[k] = c, r, winner[r, c]
                    k += winner[r, c] != NO_TRIANGLE
    return x[:k], y[:k], m[:k]


@njit(cache=True, nogil=True)
def _placed(
    snapped: NDArray[np.int64],
    swap: NDArray[np.bool_],
    owner: Ints,
    texel_area: Floats,
    m: Ints,
    x: Ints,
    y: Ints,
    left: int,
    top: int,
) -> Any:
    """Return triangle, barycentrics, area and spacing at sub-texels (x, y) of a block.

    m : (N,) row of `snapped`, `swap` and `owner`; `left` and `top` are the block's place.
    """
    triangle, barycentric = np.empty_like(m), np.empty((len(m), 3))
    area, spacing = np.empty(len(m)), np.empty(len(m))
    weights = barycentric.reshape(-1)
    # The centre of the block's first sub-texel is the origin of the corners.
    px, py = left * SUBTEXEL + SUBTEXEL // 2, top * SUBTEXEL + SUBTEXEL // 2
    first = 0
    while first < len(m):
        end, t = run_end(m, first), m[first]
        triangle[first:end] = owner[t]
        area[first:end] = texel_area[owner[t]]
        spacing[first:end] = np.sqrt(texel_area[owner[t]])
        a = (snapped[t, 0, 0] - px, snapped[t, 0, 1] - py)
        b = (snapped[t, 1, 0] - px, snapped[t, 1, 1] - py)
        c = (snapped[t, 2, 0] - px, snapped[t, 2, 1] - py)
        _weigh_run(a, b, c, swap[t], x, y, weights, np.uint64(first), np.uint64(end))
        first = end
    return triangle, barycentric, area, spacing


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh_run(
    a: tuple[int, int],
    b: tuple[int, int],
    c: tuple[int, int],
    swapped: bool,
    x: Ints,
    y: Ints,
    barycentric: Floats,
    first: int | np.uint64,
    end: int | np.uint64,
) -> None:
    """Write the weights at sub-texels over one triangle: a wide loop (see `vectors`)."""
    for i in range(first, end):
        px, py = np.int64(x[i]) * SUBTEXEL, np.int64(y[i]) * SUBTEXEL
        ax, ay, bx, by = a[0] - px, a[1] - py, b[0] - px, b[1] - py
        cx, cy = c[0] - px, c[1] - py
        wa, wb = np.float64(bx * cy - by * cx), np.float64(cx * ay - cy * ax)
        wc = np.float64(ax * by - ay * bx)
        inverse = 1.0 / (wa + wb + wc)
        second, third = (wc, wb) if swapped else (wb, wc)
        store_flat(barycentric, i, (wa * inverse, second * inverse, third * inverse))


def _join_blocks(blocks: list[TexelPoints], tile: int, map_size: int) -> TexelPoints:
    if not blocks:
        none = np.zeros(0, np.int32)
        empty = SurfacePoints(
            none, np.zeros((0, 3)), np.zeros(0), np.zeros(0, np.uint8), np.zeros(0)
        )
        return TexelPoints(tile, map_size, empty, none, none, 0)
    points = {
        name: np.concatenate([getattr(b.points, name) for b in blocks])
        for name in ("triangle", "barycentric", "area", "kind", "spacing")
    }
    return TexelPoints(
        tile,
        map_size,
        SurfacePoints(**points),
        np.concatenate([b.x for b in blocks]),
        np.concatenate([b.y for b in blocks]),
        sum(b.overlaps for b in blocks),
    )
