"""Which texels a UV triangle covers, exactly: the one rule of all maps, masks and pictures.

UVs are snapped to 1/4096 of a texel, as graphics hardware does, and edge functions are evaluated in
integers (Pineda, "A Parallel Algorithm for Polygon Rasterization", SIGGRAPH 1988). Row 0 is the top
of the map (v = 1).

A centre on an edge belongs to the triangle by the top-left rule, so that of two triangles that
share the edge exactly one has it; or, with `closed`, to both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.meshes.tiles import tile_origin

Whole = int | np.int64

# Bits below one texel. With maps of 2^14, 4 sub-texels across and UVs up to 4 tiles across, edge
# functions stay below 2^(2 * (14 + 2 + 12 + 2) + 1) = 2^61.
SUBTEXEL_BITS = 12
SUBTEXEL = 1 << SUBTEXEL_BITS
WIDEST_TRIANGLE = 4.0


@dataclass(frozen=True, eq=False)
class Snapped:
    """The triangles that reach into a tile, on the grid of sub-texels.

    corner : (M, 3, 2) int64 columns and rows times `SUBTEXEL`, in an order that makes areas
        positive with rows down. swapped : (M,) bool, corners 1 and 2 changed places for that.
    owner : (M,) int32, the triangles.
    """

    corner: NDArray[np.int64]
    swapped: NDArray[np.bool_]
    owner: Ints


def snap(uv: Floats, tile: int, width: int, height: int) -> Snapped:
    """Snap the (T, 3, 2) UV triangles that reach into a tile of `width` x `height` texels.

    Triangles without finite UVs, without area, or wider than `WIDEST_TRIANGLE` tiles are left out.
    """
    with np.errstate(invalid="ignore"):
        local = uv - np.array(tile_origin(tile), dtype=np.float64)
        a, b, c = local[:, 0], local[:, 1], local[:, 2]
        least, most = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
        inside = (most > 0) & (least < 1) & (most - least <= WIDEST_TRIANGLE)
    owner = np.flatnonzero(inside[:, 0] & inside[:, 1]).astype(np.int32)
    scaled = local[owner]
    scaled[:, :, 1] = 1.0 - scaled[:, :, 1]
    corner = np.rint(scaled * (np.array([width, height]) * SUBTEXEL)).astype(np.int64)
    p, q, r = corner[:, 0], corner[:, 1], corner[:, 2]
    doubled = (q[:, 0] - p[:, 0]) * (r[:, 1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (r[:, 0] - p[:, 0])
    swapped = doubled < 0
    corner[swapped, 1:] = corner[swapped, :0:-1]
    solid = doubled != 0
    return Snapped(corner[solid], swapped[solid], owner[solid])


@njit(cache=True, nogil=True)
def rows_of(corner: NDArray[np.int64], m: int, first: int, last: int) -> tuple[int, int]:
    """Return the first and last row, within those given, whose centres triangle m reaches."""
    half = SUBTEXEL // 2
    ay, by, cy = corner[m, 0, 1], corner[m, 1, 1], corner[m, 2, 1]
    top = (min(ay, by, cy) - half + SUBTEXEL - 1) >> SUBTEXEL_BITS
    bottom = (max(ay, by, cy) - half) >> SUBTEXEL_BITS
    return max(first, top), min(last, bottom)


@njit(cache=True, nogil=True, error_model="numpy")
def columns_of(
    corner: NDArray[np.int64], m: int, y: int, closed: bool, first: int, last: int
) -> tuple[int, int]:
    """Return the first and last column, within those given, that triangle m covers in row y.

    The first is beyond the last where there are none.
    """
    half = SUBTEXEL // 2
    py = y * SUBTEXEL + half
    for k in range(3):
        n = (k + 1) % 3
        ax, ay, bx, by = corner[m, k, 0], corner[m, k, 1], corner[m, n, 0], corner[m, n, 1]
        # Twice the signed area of a, b and the centre of column x is value - step * x: positive
        # inside. On the edge it counts where that is a top or a left one: with positive area and
        # rows down, top edges run right and left edges run up.
        step = (by - ay) * SUBTEXEL
        value = (bx - ax) * (py - ay) - (by - ay) * (half - ax)
        if not (closed or by < ay or (by == ay and bx > ax)):
            value -= 1
        if step > 0:
            last = min(last, value // step)
        elif step < 0:
            first = max(first, -(value // -step))
        elif value < 0:
            return 1, 0
    return first, last
