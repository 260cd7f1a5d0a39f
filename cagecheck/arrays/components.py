"""Which of many things hang together, from the pairs that are linked."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.loops import njit

_Numbers = NDArray[np.integer[Any]]


def connected(count: int, first: _Numbers, second: _Numbers) -> tuple[int, NDArray[np.int32]]:
    """Return how many groups `count` things fall into, and (count,) the group of each.

    first, second : (P,) the two ends of every link. Groups are numbered by their first members.
    """
    group = np.empty(count, np.int32)
    return int(_join(first, second, group)), group


@njit(cache=True, nogil=True)
def _join(first: _Numbers, second: _Numbers, group: NDArray[np.int32]) -> int:
    """Join the ends of all links, the smaller of two roots above the larger; return the count."""
    above = np.arange(len(group))
    for k in range(len(first)):
        a, b = _root(above, first[k]), _root(above, second[k])
        above[max(a, b)] = min(a, b)
    count = 0
    for i in range(len(group)):
        if above[i] == i:
            group[i] = count
            count += 1
        else:
            group[i] = group[above[i]]  # what stands above came before
    return count


@njit(cache=True, nogil=True)
def _root(above: NDArray[np.int64], i: int) -> int:
    """Return the topmost above `i`, and halve the way for those who ask next."""
    while above[i] != i:
        above[i] = above[above[i]]
        i = above[i]
    return i
