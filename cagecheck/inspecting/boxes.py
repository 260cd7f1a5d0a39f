"""Pairs of overlapping boxes in the plane, by a sweep within strips."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit

# A box may lie in several strips; so many entries per box on average keep the sweep near linear.
ENTRIES_PER_BOX = 8
# Work before the search gives up and says so: about ten seconds. A sound layout of 400,000
# triangles has 3 million pairs; tens of thousands of faces all in one place have billions.
TEST_LIMIT = 1_500_000_000
PAIR_LIMIT = 10_000_000


def overlapping_boxes(
    low: Floats, high: Floats, label: NDArray[np.integer[Any]] | None = None
) -> tuple[Ints, bool]:
    """Find the pairs of boxes that touch or overlap.

    Parameters
    ----------
    low, high : (N, 2) finite corners of the boxes.
    label : (N,) or None; boxes of one label are never paired.

    Returns
    -------
    pairs : (M, 2) int32, the smaller number first, in no particular but always the same order.
    complete : False when the work limit was reached and pairs are missing.
    """
    n = len(low)
    if n < 2:
        return np.zeros((0, 2), np.int32), True
    labels = np.arange(n) if label is None else np.asarray(label)
    bottom, top = low[:, 1].min(), high[:, 1].max()
    height = max(top - bottom, np.finfo(np.float64).tiny)
    share = float(((high[:, 1] - low[:, 1]) / height).sum())
    strips = int(np.clip((ENTRIES_PER_BOX - 1) * n / max(share, 1e-12), 1, np.sqrt(n)))
    first = np.clip((low[:, 1] - bottom) / height * strips, 0, strips - 1).astype(np.int64)
    last = np.clip((high[:, 1] - bottom) / height * strips, 0, strips - 1).astype(np.int64)
    order = np.argsort(low[:, 0], kind="stable")
    pairs, complete = _sweep(
        np.ascontiguousarray(low, np.float64),
        np.ascontiguousarray(high, np.float64),
        labels.astype(np.int64),
        order,
        first,
        last,
        strips,
        TEST_LIMIT,
        PAIR_LIMIT,
    )
    return pairs, bool(complete)


@njit(cache=True, nogil=True)
def _sweep(  # type: ignore[no-untyped-def]
    low, high, label, order, first, last, strips, test_limit, pair_limit
):
    start = np.zeros(strips + 1, np.int64)
    for i in range(len(low)):
        for s in range(first[i], last[i] + 1):
            start[s + 1] += 1
    start = np.cumsum(start)
    fill = start.copy()
    entry = np.empty(start[strips], np.int32)
    for i in order:  # so every strip is sorted by its boxes' left ends
        for s in range(first[i], last[i] + 1):
            entry[fill[s]] = i
            fill[s] += 1
    room = 4 * len(low)
    pairs = np.empty((room, 2), np.int32)
    used = 0
    tests = 0
    for s in range(strips):
        for x in range(start[s], start[s + 1]):
            i = entry[x]
            for y in range(x + 1, start[s + 1]):
                j = entry[y]
                tests += 1
                if low[j, 0] > high[i, 0]:
                    break
                # Count a pair in the first strip that both lie in, and only there.
                if label[i] == label[j] or max(first[i], first[j]) != s:
                    continue
                if low[j, 1] > high[i, 1] or low[i, 1] > high[j, 1]:
                    continue
                if used == room:
                    room *= 2
                    more = np.empty((room, 2), np.int32)
                    more[:used] = pairs
                    pairs = more
                pairs[used, 0] = min(i, j)
                pairs[used, 1] = max(i, j)
                used += 1
            if tests > test_limit or used > pair_limit:
                return pairs[:used].copy(), False
    return pairs[:used].copy(), True
