"""Padding: how empty texels around an island get their values.

Every empty texel within `width` texels of a covered one takes the value of the nearest covered
texel, by the distance between texel centres; of equally near ones the one in the upper row, then
the left one, wins. Maps do not wrap round. The nearest texel is found exactly in linear time
(Felzenszwalb and Huttenlocher, "Distance Transforms of Sampled Functions", Theory of Computing 8,
2012).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.loops import njit

_FAR = 1 << 30
# Rows or columns that one core works on at a time.
BAND = 256

# One texel of padding for every 256 of the map keeps a border clean down to mip levels of a 256th
# of the size: 4 at 1024, 16 at 4096 (common practice, no source).
TEXELS_PER_PADDING = 256
LEAST_PADDING = 2


def padded(image: NDArray[Any], covered: NDArray[np.bool_], width: float) -> NDArray[Any]:
    """Return a copy of an (H, W) or (H, W, k) image, padded; texels out of reach keep theirs."""
    source = nearest_covered(covered, width)
    flat = image.reshape(covered.size, -1)
    out = flat.copy()
    take = (source >= 0) & ~covered
    out[take.ravel()] = flat[source[take]]
    return out.reshape(image.shape)


def taken(image: NDArray[Any], source: NDArray[np.int32], background: NDArray[Any]) -> NDArray[Any]:
    """Return a (h, w, k) image whose texels are those of an (H, W, k) image at `source`.

    source : (h, w) flat index of a texel (see `nearest_covered`), -1 for the `background` (k,).
    Texels are copied, so it is all one whether this happens before they become numbers or after.
    """
    out = np.empty((*source.shape, image.shape[2]), image.dtype)
    _take(image.reshape(-1, image.shape[2]), source, background.astype(image.dtype), out)
    return out


def nearest_covered(
    covered: NDArray[np.bool_], width: float = np.inf, threads: int = 1
) -> NDArray[np.int32]:
    """Return (H, W) int32: the flat index of the nearest covered texel within `width`, or -1."""
    height, across = covered.shape
    beside, out = np.empty(covered.shape, np.int32), np.empty(covered.shape, np.int32)
    limit = min(float(width) ** 2, 2.0 * max(covered.shape) ** 2)

    def along(top: int) -> None:
        rows = slice(top, top + BAND)
        _nearest_in_row(covered[rows], beside[rows])
        out[rows] = -1

    def down(left: int) -> None:
        _nearest(beside, limit, out, left, min(left + BAND, across))

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(along, range(0, height, BAND)))
        list(pool.map(down, range(0, across, BAND)))
    return out


@njit(cache=True, nogil=True)
def _take(
    texels: NDArray[Any], source: NDArray[np.int32], background: NDArray[Any], out: NDArray[Any]
) -> None:
    for y in range(source.shape[0]):
        for x in range(source.shape[1]):
            k = source[y, x]
            for c in range(out.shape[2]):
                out[y, x, c] = texels[k, c] if k >= 0 else background[c]


@njit(cache=True, nogil=True)
def _nearest_in_row(covered: NDArray[np.bool_], column: NDArray[np.int32]) -> None:
    """Write the column of the nearest covered texel of the same row, or a far away one."""
    height, width = covered.shape
    for y in range(height):
        last = -_FAR
        for x in range(width):
            if covered[y, x]:
                last = x
            column[y, x] = last
        last = _FAR
        for x in range(width - 1, -1, -1):
            if covered[y, x]:
                last = x
            if last - x < x - column[y, x]:
                column[y, x] = last


@njit(cache=True, nogil=True)
def _nearest(
    column: NDArray[np.int32], limit: float, out: NDArray[np.int32], first: int, end: int
) -> None:
    """Lower envelope of parabolas down some columns of the map."""
    height, width = column.shape
    row = np.empty(height, np.int64)
    until = np.empty(height + 1, np.float64)
    for x in range(first, end):
        k = -1
        for y in range(height):
            side = column[y, x]
            if side <= -_FAR or side >= _FAR:
                continue
            cost = float(side - x) ** 2 + float(y) ** 2
            meet = -np.inf
            while k >= 0:
                r = row[k]
                before = float(column[r, x] - x) ** 2 + float(r) ** 2
                meet = (cost - before) / (2.0 * (y - r))
                if meet > until[k]:
                    break
                k -= 1
                meet = -np.inf
            k += 1
            row[k], until[k], until[k + 1] = y, meet, np.inf
        if k < 0:
            continue
        j = 0
        for y in range(height):
            # At equal distance the parabola of the upper row is kept.
            while until[j + 1] < y and j < k:
                j += 1
            r = row[j]
            side = column[r, x]
            if float(side - x) ** 2 + float(r - y) ** 2 <= limit:
                out[y, x] = r * width + side


def needed_padding(size: int) -> int:
    """Return how many texels of padding a map should have.

    Parameters
    ----------
    size : int
        The map's width in texels.
    """
    return max(LEAST_PADDING, size // TEXELS_PER_PADDING)
