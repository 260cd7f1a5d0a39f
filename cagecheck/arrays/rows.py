"""Rows of arrays: those of every label, by one sort instead of a pass per label, and equal ones."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray


def rows_by_label(label: NDArray[np.integer[Any]], count: int) -> list[NDArray[np.int64]]:
    """Return for each of the labels 0 to count - 1 the (K,) rows that carry it, ascending.

    label : (N,) integers; rows with a label outside that range are in no list.
    """
    order, first = sorted_by_label(label, count)
    return [order[a:b] for a, b in itertools.pairwise(first)]


def sorted_by_label(
    label: NDArray[np.integer[Any]], count: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the (N,) rows sorted by label, and the (count + 1,) places where each label begins."""
    order = np.argsort(label, kind="stable")
    return order, np.searchsorted(label[order], np.arange(count + 1))


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
