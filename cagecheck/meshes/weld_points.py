"""Number equal points by hashing, for triangle soups of tens of millions of corners."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.loops import njit

_FIRST_BITS = 12
_MINUS_ZERO = np.uint32(0x80000000)


def weld_points(words: NDArray[np.uint32]) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """Number the distinct points of a soup in order of first use.

    words : (T, 3, 3) bits of float32 corners; any strides, so that a file's own bytes serve.
    Equality is exact; 0.0 and -0.0 are one place (the first of them met is kept as 0.0).

    Returns (V, 3) float32 points and (T, 3) int32 numbers. Memory beyond these: 8 to 40 bytes a
    distinct point.
    """
    number = np.empty(words.shape[:2], np.int32)
    points, count = _number(words, number)
    return points[:count].copy().view(np.float32), number


@njit(nogil=True, cache=True)
def _hash(a: np.uint32, b: np.uint32, c: np.uint32) -> np.uint64:
    """Mix three words by multiplying and shifting.

    After Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014.
    """
    h = np.uint64(a) * np.uint64(0x9E3779B97F4A7C15)
    h = (h ^ (h >> np.uint64(32))) + np.uint64(b)
    h = h * np.uint64(0xBF58476D1CE4E5B9)
    h = (h ^ (h >> np.uint64(29))) + np.uint64(c)
    h = h * np.uint64(0x94D049BB133111EB)
    return h ^ (h >> np.uint64(32))


@njit(nogil=True, cache=True)
def _slot(
    a: np.uint32,
    b: np.uint32,
    c: np.uint32,
    points: NDArray[np.uint32],
    table: NDArray[np.int32],
    mask: int,
) -> np.int64:
    """Return the slot that holds a point's number, or the free one where it belongs."""
    slot = np.int64(_hash(a, b, c) & np.uint64(mask))
    while table[slot] >= 0:
        twin = table[slot]
        if points[twin, 0] == a and points[twin, 1] == b and points[twin, 2] == c:
            return slot
        slot = (slot + 1) & mask
    return slot


@njit(nogil=True, cache=True)
def _number(words: NDArray[np.uint32], number: NDArray[np.int32]) -> tuple[NDArray[np.uint32], int]:
    size = 1 << _FIRST_BITS
    table = np.full(size, -1, np.int32)
    points = np.empty((size // 2, 3), np.uint32)
    key = np.empty(3, np.uint32)
    count = 0
    for t in range(words.shape[0]):
        for k in range(3):
            for axis in range(3):
                word = words[t, k, axis]
                key[axis] = np.uint32(0) if word == _MINUS_ZERO else word
            slot = _slot(key[0], key[1], key[2], points, table, size - 1)
            if table[slot] < 0:
                if 2 * count >= size:
                    size *= 2
                    grown = np.empty((size // 2, 3), np.uint32)
                    grown[:count] = points[:count]
                    points = grown
                    table = np.full(size, -1, np.int32)
                    for n in range(count):
                        p = points[n]
                        table[_slot(p[0], p[1], p[2], points, table, size - 1)] = n
                    slot = _slot(key[0], key[1], key[2], points, table, size - 1)
                table[slot] = count
                points[count, 0] = key[0]
                points[count, 1] = key[1]
                points[count, 2] = key[2]
                count += 1
            number[t, k] = table[slot]
    return points, count
