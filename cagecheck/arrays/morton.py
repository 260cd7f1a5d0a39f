"""Points in an order in which neighbours in space are neighbours in memory."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import BLOCK, in_blocks
from cagecheck.arrays.box import box_of
from cagecheck.arrays.types import Floats
from cagecheck.loops import njit

_CODE_BITS = 63
# Codes are first put into groups by their highest bits, 16 cells along each side of the box: each
# group of some million points fits into a core's own cache.
_GROUP_BITS = 12
_GROUPS = 1 << _GROUP_BITS
# Bits that one pass within a group sorts by: the counts of all digits stay in cache.
_DIGIT_BITS = 11
_DIGITS = 1 << _DIGIT_BITS
_PASSES = -(-(_CODE_BITS - _GROUP_BITS) // _DIGIT_BITS)
# Bits that the lowest digit lacks.
_SPARE = _PASSES * _DIGIT_BITS - (_CODE_BITS - _GROUP_BITS)
# After two passes hardly any codes are still out of order, and none has far to go. Where they have,
# in points that lie in a small part of their box, so many moves per code are given up on.
_MOVES = 4
# Groups up to this size are put in order by moves alone.
_FEW = 24


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
    """Return the stable order of codes (N,)."""
    n = len(code)
    # Where in its group what a block puts there begins: counted, then added up group by group.
    begin = np.zeros((-(-n // BLOCK), _GROUPS), np.int64)

    def count_groups(first: int, last: int) -> None:
        _count_groups(code[first:last], begin[first // BLOCK])

    in_blocks(n, count_groups, BLOCK)
    count = begin.T.ravel()
    ends = np.cumsum(count)
    begin[:] = (ends - count).reshape(_GROUPS, -1).T
    starts = np.append(begin[0], n)
    grouped, order = np.empty(n, np.uint64), np.empty(n, np.int64)

    def group(first: int, last: int) -> None:
        _group(code, first, last, begin[first // BLOCK], grouped, order)

    def sort(first: int, last: int) -> None:
        groups = np.searchsorted(starts[:-1], (first, last))
        most = int(np.diff(starts[groups[0] : groups[1] + 1]).max(initial=0))
        room = np.empty(most, np.uint64), np.empty(most, np.int64)
        counts = np.empty((_PASSES, _DIGITS + 1), np.int64)
        _sort_groups(starts[groups[0] : groups[1] + 1], grouped, order, *room, counts)

    in_blocks(n, group, BLOCK)
    in_blocks(n, sort)
    return order


@njit(cache=True, nogil=True, makes_arrays=False)
def _codes(positions: Floats, low: Floats, scale: float, out: NDArray[np.uint64]) -> None:
    for i in range(len(out)):
        code = np.uint64(0)
        for k in range(3):
            cell = np.uint64((positions[i, k] - low[k]) * scale)
            code |= _spread(cell) << np.uint64(k)
        out[i] = code


@njit(cache=True, nogil=True, makes_arrays=False)
def _count_groups(code: NDArray[np.uint64], out: NDArray[np.int64]) -> None:
    for i in range(len(code)):
        out[_group_of(code[i])] += 1


@njit(cache=True, nogil=True, makes_arrays=False)
def _group(
    code: NDArray[np.uint64],
    first: int,
    last: int,
    begin: NDArray[np.int64],
    grouped: NDArray[np.uint64],
    order: NDArray[np.int64],
) -> None:
    """Put codes and their numbers from `first` up to `last` into groups; begin : used up."""
    for i in range(first, last):
        g = _group_of(code[i])
        grouped[begin[g]], order[begin[g]] = code[i], i
        begin[g] += 1


@njit(cache=True, nogil=True)
def _group_of(code: np.uint64) -> np.int64:
    return np.int64(code >> np.uint64(_CODE_BITS - _GROUP_BITS))


@njit(cache=True, nogil=True, makes_arrays=False)
def _sort_groups(
    starts: NDArray[np.int64],
    code: NDArray[np.uint64],
    order: NDArray[np.int64],
    other_code: NDArray[np.uint64],
    other: NDArray[np.int64],
    begin: NDArray[np.int64],
) -> None:
    """Sort each group of codes and their numbers; starts : (G + 1,) where groups begin and end.

    other_code, other : room for the largest group. begin : room, a row for each digit.
    """
    for g in range(len(starts) - 1):
        n = starts[g + 1] - starts[g]
        codes, orders = code[starts[g] : starts[g + 1]], order[starts[g] : starts[g + 1]]
        if n > _FEW:
            _sort_by_digits(codes, orders, other_code[:n], other[:n], begin, _PASSES - 2)
        if not _sort_by_moves(codes, orders, n * (_MOVES if n > _FEW else _FEW)):
            _sort_by_digits(codes, orders, other_code[:n], other[:n], begin, 0)


@njit(cache=True, nogil=True, makes_arrays=False)
def _sort_by_moves(code: NDArray[np.uint64], order: NDArray[np.int64], moves: int) -> bool:
    """Move each code down to its place; tell whether no more moves were needed than are given."""
    for i in range(1, len(code)):
        mine, number, k = code[i], order[i], i
        while k > 0 and code[k - 1] > mine:
            code[k], order[k] = code[k - 1], order[k - 1]
            k -= 1
        code[k], order[k] = mine, number
        moves -= i - k
        if moves < 0:
            return False
    return True


@njit(cache=True, nogil=True, makes_arrays=False)
def _sort_by_digits(
    code: NDArray[np.uint64],
    order: NDArray[np.int64],
    other_code: NDArray[np.uint64],
    other: NDArray[np.int64],
    begin: NDArray[np.int64],
    lowest: int,
) -> None:
    """Sort codes and their numbers digit by digit from `lowest` on; equals keep their order.

    Codes move along with their numbers, so that every pass reads memory from front to back.
    """
    n = len(code)
    begin[lowest:] = 0
    for i in range(n):
        for p in range(lowest, _PASSES):
            begin[p, _digit(code[i], p) + 1] += 1
    moved = False
    for p in range(lowest, _PASSES):
        if begin[p, _digit(code[0], p) + 1] == n:
            continue  # all have the same digit
        for d in range(_DIGITS):
            begin[p, d + 1] += begin[p, d]
        for i in range(n):
            digit = _digit(code[i], p)
            to = begin[p, digit]
            other[to], other_code[to] = order[i], code[i]
            begin[p, digit] = to + 1
        order, other = other, order
        code, other_code = other_code, code
        moved = not moved
    if moved:
        for i in range(n):
            other[i], other_code[i] = order[i], code[i]


@njit(cache=True, nogil=True)
def _digit(code: np.uint64, which: int) -> np.int64:
    """Return a digit of a code below its group as a number, counted from the lowest."""
    shifted = (code << np.uint64(_SPARE)) >> np.uint64(which * _DIGIT_BITS)
    return np.int64(shifted & np.uint64(_DIGITS - 1))


@njit(cache=True, nogil=True)
def _spread(x: Any) -> Any:
    """Put two zero bits between the low 21 bits."""
    x = (x | x << np.uint64(32)) & np.uint64(0x1F00000000FFFF)
    x = (x | x << np.uint64(16)) & np.uint64(0x1F0000FF0000FF)
    x = (x | x << np.uint64(8)) & np.uint64(0x100F00F00F00F00F)
    x = (x | x << np.uint64(4)) & np.uint64(0x10C30C30C30C30C3)
    return (x | x << np.uint64(2)) & np.uint64(0x1249249249249249)
