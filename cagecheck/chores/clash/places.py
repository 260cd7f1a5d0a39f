"""Which crossings and enclosed corners of two parts belong to one place.

Two crossings of triangles belong together when they share a triangle and their other triangles
share a corner: so a line of crossing is followed from triangle to triangle, and two holes in one
large face stay apart. A crossing belongs with the corners of its triangles that lie inside the
other part, and such corners with each other along edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.components import connected
from cagecheck.chores.clash.solids import Solid

Numbers = NDArray[np.int64]
_NONE = np.zeros((0, 2), np.int64)


@dataclass(frozen=True, eq=False)
class Patch:
    """Triangles of one part and the place of each; one with two holes is listed twice."""

    triangle: Numbers
    place: Numbers


@dataclass(frozen=True, eq=False)
class Places:
    """`count` places: `of_pair` (P,) of crossing triangles, the patches of either part."""

    count: int
    of_pair: Numbers
    one: Patch
    other: Patch


def find_places(
    one: Solid,
    other: Solid,
    pairs: Numbers,
    inside_one: NDArray[np.bool_],
    inside_other: NDArray[np.bool_],
    joined: Numbers = _NONE,
) -> Places:
    """Join (P, 2) crossing triangles and corners inside the other part into places.

    inside_one, inside_other : (T, 3) bool, triangle corners that lie inside the other part.
    joined : (K, 2) rows of `pairs` that belong together for other reasons.
    """
    count = len(pairs)
    pair = np.arange(count)
    links = _Links(count)
    links.join_by_key(pair, pairs[:, 1], one.welded[pairs[:, 0]])
    links.join_by_key(pair, pairs[:, 0], other.welded[pairs[:, 1]])
    links.join(joined[:, 0], joined[:, 1])
    corner_one = links.add_nodes(one.welded)
    corner_other = links.add_nodes(other.welded)
    for corner, inside, crossing in (
        (corner_one, inside_one, pairs[:, 0]),
        (corner_other, inside_other, pairs[:, 1]),
    ):
        row, k = np.nonzero(inside[crossing])
        links.join(pair[row], corner[crossing[row], k])
        for a, b in ((0, 1), (1, 2), (2, 0)):
            both = inside[:, a] & inside[:, b]
            links.join(corner[both, a], corner[both, b])
    label = links.components()
    patches = [
        _patch(pairs[:, side], label[pair], inside, label[corner])
        for side, inside, corner in ((0, inside_one, corner_one), (1, inside_other, corner_other))
    ]
    used, place = np.unique(
        np.concatenate([label[pair], patches[0].place, patches[1].place]), return_inverse=True
    )
    place = place.ravel().astype(np.int64)
    of_pair, of_one, of_other = np.split(place, [count, count + len(patches[0].place)])
    return Places(
        len(used),
        of_pair,
        Patch(patches[0].triangle, of_one),
        Patch(patches[1].triangle, of_other),
    )


def merged(places: Places, group: Numbers) -> Places:
    """Return places of which those with one number in `group` (count,) are one."""
    used, number = np.unique(group, return_inverse=True)

    def patch(old: Patch) -> Patch:
        rows = np.stack([old.triangle, number[old.place]], axis=1)
        unique = np.unique(rows, axis=0)
        return Patch(unique[:, 0], unique[:, 1])

    return Places(len(used), number[places.of_pair], patch(places.one), patch(places.other))


def components(begin: Numbers, end: Numbers, size: int) -> Numbers:
    """Return (size,) labels of nodes joined by edges from `begin` to `end`."""
    return connected(size, begin.ravel(), end.ravel())[1].astype(np.int64)


def _patch(
    crossing: Numbers, place: Numbers, inside: NDArray[np.bool_], corner_place: Numbers
) -> Patch:
    rows, k = np.nonzero(inside)
    triangle = np.concatenate([crossing, rows])
    both = np.concatenate([place, corner_place[rows, k]])
    unique = np.unique(np.stack([triangle, both], axis=1), axis=0)
    return Patch(unique[:, 0], unique[:, 1])


class _Links:
    """Collects links between nodes that are numbered as they come."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.begin: list[Numbers] = []
        self.end: list[Numbers] = []

    def add_nodes(self, numbers: Numbers) -> Numbers:
        """Return node numbers for things numbered from 0, in the shape given."""
        out = numbers + self.size
        self.size += int(numbers.max(initial=-1)) + 1
        return out

    def join(self, one: Numbers, other: Numbers) -> None:
        self.begin.append(one)
        self.end.append(other)

    def join_by_key(self, node: Numbers, key: Numbers, corners: Numbers) -> None:
        """Join nodes (N,) that share both their key (N,) and one of their corners (N, 3)."""
        wide = np.stack([np.repeat(key, 3), corners.ravel()], axis=1)
        _, number = np.unique(wide, axis=0, return_inverse=True)
        self.join(np.repeat(node, 3), self.add_nodes(number.ravel().astype(np.int64)))

    def components(self) -> Numbers:
        return components(np.concatenate(self.begin), np.concatenate(self.end), self.size)
