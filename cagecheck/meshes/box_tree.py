"""Which boxes of two sets overlap: a tree over each, walked together.

Boxes are sorted along a Morton curve, a few to a leaf; the tree above the leaves is a full binary
one, so that a node's children are found by number.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.morton import coherent_order
from cagecheck.arrays.types import Floats
from cagecheck.loops import njit

# Boxes per leaf: fewer make the tree larger than the boxes, more are compared in vain.
LEAF = 4
# The walk takes this many leaves of the first tree at a time, which bounds the pairs at hand.
_LEAVES_AT_ONCE = 2048
# Twice the levels of two trees over 2**40 boxes each, and one.
STACK = 256


@dataclass(frozen=True, eq=False)
class BoxTree:
    """A tree over N boxes.

    order : (N,) int64, the boxes by leaf; box : (N, 6) least and greatest corner, by leaf too.
    node : (2 L, 6) boxes of the tree, the root in row 1, the L leaves in the last L rows.
    """

    order: NDArray[np.int64]
    box: Floats
    node: Floats


def box_tree(low: Floats, high: Floats) -> BoxTree:
    """Build a tree over boxes from `low` (N, 3) to `high` (N, 3)."""
    order = coherent_order(0.5 * (low + high))
    box = np.ascontiguousarray(np.concatenate([low, high], axis=1)[order], np.float64)
    leaves = 1
    while leaves * LEAF < len(order):
        leaves *= 2
    node = np.empty((2 * leaves, 6))
    node[:, :3], node[:, 3:] = np.inf, -np.inf
    _fill(box, node)
    return BoxTree(order, box, node)


def overlapping(one: BoxTree, other: BoxTree) -> Iterator[NDArray[np.int64]]:
    """Yield (P, 2) pairs of boxes that overlap or touch, until all were."""
    leaves = len(one.node) // 2
    first = max(leaves // _LEAVES_AT_ONCE, 1)
    for root in range(first, 2 * first):
        rows = _walk(root, one.box, one.node, other.box, other.node)
        if len(rows):
            yield np.stack([one.order[rows[:, 0]], other.order[rows[:, 1]]], axis=1)


@njit(cache=True, nogil=True)
def _fill(box: Floats, node: Floats) -> None:
    leaves = len(node) // 2
    for i in range(len(box)):
        _include(node, leaves + i // LEAF, box, i)
    for k in range(leaves - 1, 0, -1):
        _include(node, k, node, 2 * k)
        _include(node, k, node, 2 * k + 1)


@njit(cache=True, nogil=True)
def _include(node: Floats, k: int, box: Floats, i: int) -> None:
    for x in range(3):
        node[k, x] = min(node[k, x], box[i, x])
        node[k, x + 3] = max(node[k, x + 3], box[i, x + 3])


@njit(cache=True, nogil=True)
def _meet(a: Floats, i: int, b: Floats, j: int) -> bool:
    apart = False
    for x in range(3):
        apart |= a[i, x] > b[j, x + 3] or b[j, x] > a[i, x + 3]
    return not apart


@njit(cache=True, nogil=True)
def _extent(node: Floats, k: int) -> float:
    most = 0.0
    for x in range(3):
        most = max(most, node[k, x + 3] - node[k, x])
    return most


@njit(cache=True, nogil=True)
def _walk(root: int, box_a: Floats, node_a: Floats, box_b: Floats, node_b: Floats) -> Any:
    leaves_a, leaves_b = len(node_a) // 2, len(node_b) // 2
    out = np.empty((1024, 2), np.int64)
    used = 0
    stack = np.empty((STACK, 2), np.int64)
    stack[0, 0], stack[0, 1] = root, 1
    height = 1
    while height > 0:
        height -= 1
        a, b = stack[height, 0], stack[height, 1]
        if not _meet(node_a, a, node_b, b):
            continue
        if a >= leaves_a and b >= leaves_b:
            first_a, first_b = (a - leaves_a) * LEAF, (b - leaves_b) * LEAF
            if used + LEAF * LEAF > len(out):
                wider = np.empty((2 * len(out), 2), np.int64)
                wider[:used] = out[:used]
                out = wider
            for i in range(first_a, min(first_a + LEAF, len(box_a))):
                for j in range(first_b, min(first_b + LEAF, len(box_b))):
                    if _meet(box_a, i, box_b, j):
                        out[used, 0], out[used, 1] = i, j
                        used += 1
        elif b >= leaves_b or (a < leaves_a and _extent(node_a, a) > _extent(node_b, b)):
            stack[height, 0], stack[height, 1] = 2 * a, b
            stack[height + 1, 0], stack[height + 1, 1] = 2 * a + 1, b
            height += 2
        else:
            stack[height, 0], stack[height, 1] = a, 2 * b
            stack[height + 1, 0], stack[height + 1, 1] = a, 2 * b + 1
            height += 2
    return out[:used]
