"""What a block's rays record, put into the arrays of a tile.

Every function here gets N sub-texels with the column `x` and the row `y` of their texels, and
writes only texels that these touch, so that blocks may be put in at the same time. With one
sub-texel a texel nothing needs a mean; those functions are kept apart since they run for every
texel of the usual bake.

Memory is touched for the first time here, which costs more than what is written into it (about a
nanosecond a byte on a virtual machine). Arrays therefore begin as untouched zeros and are as narrow
as their values allow; `fill_rest` writes what the texels that no block touches hold otherwise.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import Vector, dot, flat_row, store_flat
from cagecheck.loops import njit
from cagecheck.maps.encode import Code, coded

NO_ID = -1


def narrowest(largest: int | np.integer) -> np.dtype[Any]:
    """Return the narrowest signed integers that hold `NO_ID` to `largest`."""
    return np.min_scalar_type(-max(int(largest), 0) - 1)


@njit(cache=True, nogil=True)
def _at(x: int, y: int, out: NDArray[Any]) -> Any:
    """Return a texel's place among those of the tile: index in a flat array, row for `store_flat`.

    Without a sign, since the compiler would ask of every signed one whether it counts from the end.
    """
    return np.uint64(y) * np.uint64(out.shape[1]) + np.uint64(x)


@njit(cache=True, nogil=True)
def mark(
    x: Ints, y: Ints, face: Ints, covered: NDArray[np.bool_], any_hit: NDArray[np.bool_]
) -> None:
    """Note which texels have a sub-texel, and one that recorded a face."""
    flat_covered, flat_hit = covered.reshape(-1), any_hit.reshape(-1)
    for i in range(len(x)):
        at = _at(x[i], y[i], covered)
        flat_covered[at] = True
        flat_hit[at] |= face[i] >= 0


@njit(cache=True, nogil=True, forceinline=True)
def _number(normal: Vector, code: Code) -> Any:
    """Return the numbers that a map holds for a unit normal."""
    half, green = code
    return coded(normal[0], half), coded(green * normal[1], half), coded(normal[2], half)


@njit(cache=True, nogil=True)
def _number_all(normals: Floats, code: Code, out: NDArray[Any]) -> None:
    """Write the numbers of flat rows of normals: a wide loop (see `vectors`)."""
    for i in range(np.uint64(len(normals) // 3)):
        store_flat(out, i, _number(flat_row(normals, i), code))


@njit(cache=True, nogil=True)
def put_normals(
    normals: Floats, face: Ints, x: Ints, y: Ints, code: Code, out: NDArray[Any]
) -> None:
    """Write the unit normals of texels with one sub-texel each, where a face was recorded."""
    flat = out.reshape(-1)
    values = np.empty(normals.size, out.dtype)
    if code[0] == 0.0:
        values[:] = normals.reshape(-1)
    else:
        _number_all(normals.reshape(-1), code, values)
    for i in range(len(x)):
        if face[i] >= 0:
            store_flat(flat, _at(x[i], y[i], out), flat_row(values, np.uint64(i)))


@njit(cache=True, nogil=True)
def put_mean_normals(
    normals: Floats, face: Ints, x: Ints, y: Ints, code: Code, out: NDArray[Any]
) -> None:
    """Write the unit mean of each texel's normals, where one was recorded."""
    flat = out.reshape(-1)
    left, top, rows, columns = _window(x, y)
    total = np.zeros((rows, columns, 3))
    for i in range(len(x)):
        if face[i] >= 0:
            for k in range(3):
                total[y[i] - top, x[i] - left, k] += normals[i, k]
    for r in range(rows):
        for c in range(columns):
            mean = (total[r, c, 0], total[r, c, 1], total[r, c, 2])
            length = np.sqrt(dot(mean, mean))
            if length > 0:
                unit = (mean[0] / length, mean[1] / length, mean[2] / length)
                at = _at(left + c, top + r, out)
                if code[0] == 0.0:
                    store_flat(flat, at, unit)
                else:
                    store_flat(flat, at, _number(unit, code))


@njit(cache=True, nogil=True)
def put_heights(t: Floats, x: Ints, y: Ints, out: NDArray[np.float32]) -> None:
    """Write the heights of texels with one sub-texel each, NaN where nothing was recorded."""
    flat = out.reshape(-1)
    for i in range(len(x)):
        flat[_at(x[i], y[i], out)] = t[i]


@njit(cache=True, nogil=True)
def put_mean_heights(t: Floats, face: Ints, x: Ints, y: Ints, out: NDArray[np.float32]) -> None:
    """Write the mean of each texel's heights, where one was recorded."""
    left, top, rows, columns = _window(x, y)
    total = np.zeros((rows, columns))
    count = np.zeros((rows, columns), np.int32)
    for i in range(len(x)):
        if face[i] >= 0:
            total[y[i] - top, x[i] - left] += t[i]
            count[y[i] - top, x[i] - left] += 1
    for r in range(rows):
        for c in range(columns):
            if count[r, c] > 0:
                out[top + r, left + c] = total[r, c] / count[r, c]


@njit(cache=True, nogil=True)
def put_numbers(owner: Ints, numbers: Ints, x: Ints, y: Ints, out: Ints) -> None:
    """Write ``numbers[owner]`` into texels with one sub-texel each, `NO_ID` without an owner."""
    flat = out.reshape(-1)
    for i in range(len(x)):
        number = numbers[np.uint64(owner[i])] if owner[i] >= 0 else NO_ID
        flat[_at(x[i], y[i], out)] = number


@njit(cache=True, nogil=True)
def put_first_numbers(owner: Ints, numbers: Ints, x: Ints, y: Ints, out: Ints) -> None:
    """Write ``numbers[owner]`` into each texel, from its first sub-texel that has one."""
    flat = out.reshape(-1)
    for i in range(len(x)):
        flat[_at(x[i], y[i], out)] = NO_ID
    for i in range(len(x)):
        at = _at(x[i], y[i], out)
        if owner[i] >= 0 and flat[at] < 0:
            flat[at] = numbers[owner[i]]


@njit(cache=True, nogil=True)
def fill_rest(kept: NDArray[np.bool_], value: float, out: NDArray[Any]) -> None:
    """Write `value` into the texels that are not kept; the memory of others stays untouched."""
    for y in range(kept.shape[0]):
        for x in range(kept.shape[1]):
            if not kept[y, x]:
                out[y, x] = value


@njit(cache=True, nogil=True)
def _window(x: Ints, y: Ints) -> tuple[int, int, int, int]:
    """Return the first column and row of a block's texels, its rows and its columns."""
    left, top = x.min(), y.min()
    return left, top, y.max() - top + 1, x.max() - left + 1
