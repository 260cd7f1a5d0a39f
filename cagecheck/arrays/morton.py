"""Points in an order in which neighbours in space are neighbours in memory."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.loops import njit

# Bits of a code that one pass sorts by: the counts of all digits stay in cache.
_DIGIT_BITS = 11
_CODE_BITS = 63


def coherent_order(positions: Floats) -> NDArray[np.int64]:
    """Return the order of (N, 3) points along a Morton (Z) curve; ties keep their order.

    Source of the curve: Morton, "A computer oriented geodetic data base", IBM, 1966.
    """
    if len(positions) == 0:
        return np.zeros(0, np.int64)
    low, high = positions.min(axis=0), positions.max(axis=0)
    extent = float((high - low).max()) or 1.0
    code = np.empty(len(positions), np.uint64)
    _codes(positions, low, (2**21 - 1) / extent, code)
    return _order_of(code)


@njit(cache=True, nogil=True)
def _codes(positions: Floats, low: Floats, scale: float, out: NDArray[np.uint64]) -> None:
    for i in range(len(out)):
        code = np.uint64(0)
        for k in range(3):
            cell = np.uint64((positions[i, k] - low[k]) * scale)
            code |= _spread(cell) << np.uint64(k)
        out[i] = code


@njit(cache=True, nogil=True)
def _order_of(code: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Return the stable order of codes: counted digit by digit, the lowest first."""
    n = len(code)
    order, other = np.arange(n), np.empty(n, np.int64)
    digits = 1 << _DIGIT_BITS
    for shift in range(0, _CODE_BITS, _DIGIT_BITS):
        begin = np.zeros(digits + 1, np.int64)
        for i in range(n):
            begin[((code[i] >> np.uint64(shift)) & np.uint64(digits - 1)) + np.uint64(1)] += 1
        if begin.max() == n:
            continue  # all have the same digit
        for d in range(digits):
            begin[d + 1] += begin[d]
        for i in range(n):
            digit = (code[order[i]] >> np.uint64(shift)) & np.uint64(digits - 1)
            other[begin[digit]] = order[i]
            begin[digit] += 1
        order, other = other, order
    return order


@njit(cache=True, nogil=True)
def _spread(x: Any) -> Any:
    """Put two zero bits between the low 21 bits."""
    x = (x | x << np.uint64(32)) & np.uint64(0x1F00000000FFFF)
    x = (x | x << np.uint64(16)) & np.uint64(0x1F0000FF0000FF)
    x = (x | x << np.uint64(8)) & np.uint64(0x100F00F00F00F00F)
    x = (x | x << np.uint64(4)) & np.uint64(0x10C30C30C30C30C3)
    return (x | x << np.uint64(2)) & np.uint64(0x1249249249249249)
