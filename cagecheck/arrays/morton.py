"""Points in an order in which neighbours in space are neighbours in memory."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.box import box_of
from cagecheck.arrays.types import Floats
from cagecheck.loops import njit

# Bits of a code that one pass sorts by: the counts of all digits stay in cache.
_DIGIT_BITS = 11
_CODE_BITS = 63
_PASSES = -(-_CODE_BITS // _DIGIT_BITS)


def coherent_order(positions: Floats) -> NDArray[np.int64]:
    """Return the order of (N, 3) points along a Morton (Z) curve; ties keep their order.

    Source of the curve: Morton, "A computer oriented geodetic data base", IBM, 1966.
    """
    if len(positions) == 0:
        return np.zeros(0, np.int64)
    low, high = box_of(positions)
    extent = float((high - low).max()) or 1.0
    code = np.empty(len(positions), np.uint64)

    def encode(begin: int, end: int) -> None:
        _codes(positions[begin:end], low, (2**21 - 1) / extent, code[begin:end])

    in_blocks(len(code), encode)
    return _order_of(code)


def _order_of(code: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Return the stable order of codes, whose array is used up."""
    order, other = np.arange(len(code)), np.empty(len(code), np.int64)
    begin = np.zeros((_PASSES, (1 << _DIGIT_BITS) + 1), np.int64)
    in_other = _sort(code, np.empty_like(code), order, other, begin)
    return other if in_other else order


@njit(cache=True, nogil=True, makes_arrays=False)
def _codes(positions: Floats, low: Floats, scale: float, out: NDArray[np.uint64]) -> None:
    for i in range(len(out)):
        code = np.uint64(0)
        for k in range(3):
            cell = np.uint64((positions[i, k] - low[k]) * scale)
            code |= _spread(cell) << np.uint64(k)
        out[i] = code


@njit(cache=True, nogil=True, makes_arrays=False)
def _sort(
    code: NDArray[np.uint64],
    other_code: NDArray[np.uint64],
    order: NDArray[np.int64],
    other: NDArray[np.int64],
    begin: NDArray[np.int64],
) -> bool:
    """Sort codes and their numbers digit by digit, the lowest first; tell whether into the others.

    begin : zeros, a row for each pass. Codes move along with their numbers, so that every pass
    reads memory from front to back.
    """
    n = len(code)
    moved = False
    for i in range(n):
        for p in range(_PASSES):
            begin[p, _digit(code[i], p) + 1] += 1
    for p in range(_PASSES):
        if n > 0 and begin[p, _digit(code[0], p) + 1] == n:
            continue  # all have the same digit
        for d in range(1 << _DIGIT_BITS):
            begin[p, d + 1] += begin[p, d]
        for i in range(n):
            digit = _digit(code[i], p)
            to = begin[p, digit]
            other[to], other_code[to] = order[i], code[i]
            begin[p, digit] = to + 1
        order, other = other, order
        code, other_code = other_code, code
        moved = not moved
    return moved


@njit(cache=True, nogil=True)
def _digit(code: np.uint64, which: int) -> np.int64:
    """Return a digit of a code as a number, counted from the lowest."""
    shifted = code >> np.uint64(which * _DIGIT_BITS)
    return np.int64(shifted & np.uint64((1 << _DIGIT_BITS) - 1))


@njit(cache=True, nogil=True)
def _spread(x: Any) -> Any:
    """Put two zero bits between the low 21 bits."""
    x = (x | x << np.uint64(32)) & np.uint64(0x1F00000000FFFF)
    x = (x | x << np.uint64(16)) & np.uint64(0x1F0000FF0000FF)
    x = (x | x << np.uint64(8)) & np.uint64(0x100F00F00F00F00F)
    x = (x | x << np.uint64(4)) & np.uint64(0x10C30C30C30C30C3)
    return (x | x << np.uint64(2)) & np.uint64(0x1249249249249249)
