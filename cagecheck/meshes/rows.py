"""The rows of every label, found by one sort instead of a pass per label."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray


def rows_by_label(label: NDArray[np.integer[Any]], count: int) -> list[NDArray[np.int64]]:
    """Return for each of the labels 0 to count - 1 the (K,) rows that carry it, ascending.

    label : (N,) integers; rows with a label outside that range are in no list.
    """
    order = np.argsort(label, kind="stable")
    start = np.searchsorted(label[order], np.arange(count + 1))
    return [order[a:b] for a, b in itertools.pairwise(start)]
