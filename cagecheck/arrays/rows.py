"""Rows of arrays: those of every label, by one sort instead of a pass per label, and equal ones."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.loops import njit

# An odd number without pattern (2^64 over the golden ratio), as multiplying hashes have it: Knuth,
# The Art of Computer Programming 3, section 6.4.
_MIX = np.uint64(0x9E3779B97F4A7C15)


def rows_by_label(label: NDArray[np.integer[Any]], count: int) -> list[NDArray[np.int64]]:
    """Return for each of the labels 0 to count - 1 the (K,) rows that carry it, ascending.

    label : (N,) integers; rows with a label outside that range are in no list.
    """
    order, first = sorted_by_label(label, count)
    return [order[a:b] for a, b in itertools.pairwise(first)]


def sorted_by_label(
    label: NDArray[np.integer[Any]], count: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the (N,) rows sorted by label, and the (count + 1,) places where each label begins.

    Rows of one label stay in their order. Those with a label below 0 come first, those with one of
    `count` and more last.
    """
    order, first = np.empty(len(label), np.int64), np.empty(count + 1, np.int64)
    _sort_by_label(np.asarray(label, np.int64), order, first)
    return order, first


@njit(cache=True, nogil=True)
def _sort_by_label(
    label: NDArray[np.int64], order: NDArray[np.int64], first: NDArray[np.int64]
) -> None:
    """Count the labels, then put every row where its label's next one belongs."""
    count = len(first) - 1
    place = np.zeros(count + 3, np.int64)
    for i in range(len(label)):
        place[min(max(label[i], -1), count) + 2] += 1
    for k in range(1, count + 3):
        place[k] += place[k - 1]
    first[:] = place[1 : count + 2]
    for i in range(len(label)):
        k = min(max(label[i], -1), count) + 1
        order[place[k]] = i
        place[k] += 1


def rows_of_runs(
    first: NDArray[np.integer[Any]], which: NDArray[np.integer[Any]]
) -> NDArray[np.int64]:
    """Return the rows first[w] to first[w + 1] of every run w in `which`, one after the other."""
    length = first[which + 1] - first[which]
    before = np.cumsum(length) - length
    return np.arange(int(length.sum())) + np.repeat(first[which] - before, length)


def same_rows(rows: NDArray[np.int64], among: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return (N,) bool: which rows (N, 2) of numbers from 0 are found among others."""
    wide = int(max(rows.max(initial=0), among.max(initial=0))) + 1
    key = np.array([wide, 1])
    return np.isin(rows @ key, among @ key)


def distinct_points(points: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return rows (D,) that hold all points (N, 3), ascending, and for every point which it is.

    Points that differ are never one. One sort by a number mixed from the coordinates' bits is much
    faster than one by all three; in the rare case that two points share it, some stay repeated.
    """
    if len(points) == 0:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    bits = np.ascontiguousarray(points).view(np.uint64)
    mixed = np.zeros(len(points), np.uint64)
    for k in range(3):
        mixed = (mixed ^ bits[:, k]) * _MIX
        mixed ^= mixed >> np.uint64(29)
    order = np.argsort(mixed)
    new = np.ones(len(points), bool)
    new[1:] = mixed[order[1:]] != mixed[order[:-1]]
    for k in range(3):
        column = bits[order, k]
        new[1:] |= column[1:] != column[:-1]
    # In the order of their first rows, so that what asks about places asks about neighbours.
    first = np.minimum.reduceat(order, np.flatnonzero(new))
    by_row = np.argsort(first)
    rank = np.empty(len(first), np.int64)
    rank[by_row] = np.arange(len(first))
    number = np.empty(len(points), np.int64)
    number[order] = rank[np.cumsum(new) - 1]
    return first[by_row], number
