"""The points nearest to a place, among points whose neighbours in memory are neighbours in space.

Samples lie along a space-filling curve (`cagecheck.arrays.morton`), so runs of them fill small
boxes as they stand. A tree over such runs needs no sorting: it is made in a fraction of the time of
a k-d tree. Runs are cut in two where the way from a point to the next is longest, which is where
the curve leaves one region for another. Points in any other order give the same answers, slower.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import BLOCK, in_blocks
from cagecheck.arrays.morton import coherent_order
from cagecheck.arrays.types import Floats
from cagecheck.loops import njit

# Points of a run that is cut no more: as dear to look through as two boxes.
RUN = 16
# No part of a run is shorter than this share of it, so that no tree is deeper than `_DEEPEST`: with
# a billion points it is log(10^9 / RUN) / log(4 / 3) = 65 levels at most.
_SHORTEST = 4
_DEEPEST = 80
# The longest of so many steps is noted, since a step is looked at in every run that it is in.
_STEPS = 64
# Places that a core looks for at a time: some tenths of a millisecond.
_SEARCHES = 1024


class PointTree(NamedTuple):
    """Boxes over runs of points.

    points : (N, 3). box : (B, 6) least corner, largest corner; row 0 is all points. begin, end :
    (B,) the run. child : (B,) the first of the two rows that the run is cut into, 0 for none.
    """

    points: Floats
    box: Floats
    begin: NDArray[np.int64]
    end: NDArray[np.int64]
    child: NDArray[np.int64]


def tree_over(points: Floats) -> PointTree:
    """Return the tree over points (N, 3), one at least."""
    longest = np.empty(len(points) // _STEPS, np.int64)

    def note(first: int, last: int) -> None:
        _note_longest(points, first, longest[first:last])

    in_blocks(len(longest), note, BLOCK // _STEPS)
    # A run that is cut has more than RUN points, so its parts have RUN / `_SHORTEST` each, or more.
    room = 2 * (len(points) * _SHORTEST // RUN + 1)
    begin, end, child = (np.empty(room, np.int64) for _ in range(3))
    used = _cut_runs(points, longest, begin, end, child)
    tree = PointTree(points, np.empty((used, 6)), begin[:used], end[:used], child[:used])
    in_blocks(used, lambda first, last: _fit_boxes(tree, first, last), BLOCK // RUN)
    _join_boxes(tree)
    return tree


def tree_in_order(points: Floats) -> tuple[PointTree, NDArray[np.int64]]:
    """Return the tree over points (N, 3) in any order, and which of them its own points are.

    Where the high poly was not seen, or texels lie row by row, runs of them as they come would all
    fill large boxes, and a search would look through nearly all of them.
    """
    order = coherent_order(points)
    return tree_over(points[order]), order


@njit(cache=True, nogil=True, makes_arrays=False)
def _note_longest(points: Floats, first: int, out: NDArray[np.int64]) -> None:
    """Write the longest of every `_STEPS` steps, from the group `first` on."""
    for k in range(len(out)):
        begin = (first + k) * _STEPS
        out[k] = _longest_of(points, begin, begin + _STEPS, begin, -1.0)[0]


@njit(cache=True, nogil=True, makes_arrays=False)
def _cut_runs(
    points: Floats,
    longest: NDArray[np.int64],
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
    child: NDArray[np.int64],
) -> int:
    """Write the runs and which are cut; return how many there are."""
    begin[0], end[0], child[0] = 0, len(points), 0
    used, row = 1, 0
    while row < used:
        count = end[row] - begin[row]
        if count > RUN:
            least = count // _SHORTEST
            cut = _longest(points, longest, begin[row] + least, end[row] - least + 1)
            child[row] = used
            begin[used], end[used] = begin[row], cut
            begin[used + 1], end[used + 1] = cut, end[row]
            child[used], child[used + 1] = 0, 0
            used += 2
        row += 1
    return used


@njit(cache=True, nogil=True, makes_arrays=False)
def _longest(points: Floats, longest: NDArray[np.int64], first: int, last: int) -> int:
    """Return the longest step, the first of equals, among those from `first` up to `last`.

    longest : the same of every `_STEPS` steps, which are then not looked through one by one.
    """
    head = min(-(-first // _STEPS) * _STEPS, last)
    tail = max(last // _STEPS * _STEPS, head)
    out, most = _longest_of(points, first, head, first, -1.0)
    for k in range(head // _STEPS, tail // _STEPS):
        here = _step(points, longest[k])
        if here > most:
            out, most = longest[k], here
    return _longest_of(points, tail, last, out, most)[0]


@njit(cache=True, nogil=True, makes_arrays=False)
def _longest_of(points: Floats, first: int, last: int, out: int, most: float) -> tuple[int, float]:
    """Return the longest step from `first` up to `last` and its square, if it is above `most`."""
    for i in range(first, last):
        here = _step(points, i)
        if here > most:
            out, most = i, here
    return out, most


@njit(cache=True, nogil=True, makes_arrays=False)
def _step(points: Floats, i: int) -> float:
    """Return the square of the way from the point before; of the first one, 0."""
    return _square(points, i, points[i - 1, 0], points[i - 1, 1], points[i - 1, 2]) if i else 0.0


@njit(cache=True, nogil=True, makes_arrays=False)
def _fit_boxes(tree: PointTree, first: int, last: int) -> None:
    """Write the boxes of the runs from `first` up to `last` that are cut no more."""
    for row in range(first, last):
        if tree.child[row] > 0:
            continue
        for k in range(3):
            least, most = np.inf, -np.inf
            for i in range(tree.begin[row], tree.end[row]):
                least, most = min(least, tree.points[i, k]), max(most, tree.points[i, k])
            tree.box[row, k], tree.box[row, 3 + k] = least, most


@njit(cache=True, nogil=True, makes_arrays=False)
def _join_boxes(tree: PointTree) -> None:
    """Write the boxes of the runs that are cut."""
    for row in range(len(tree.child) - 1, -1, -1):
        if tree.child[row] > 0:
            a, b = tree.child[row], tree.child[row] + 1
            for k in range(3):
                tree.box[row, k] = min(tree.box[a, k], tree.box[b, k])
                tree.box[row, 3 + k] = max(tree.box[a, 3 + k], tree.box[b, 3 + k])


@njit(cache=True, nogil=True, makes_arrays=False)
def nearest_points(
    tree: PointTree,
    x: float,
    y: float,
    z: float,
    square: Floats,
    index: NDArray[np.int64],
    stack: NDArray[np.int64],
    away: Floats,
) -> None:
    """Write the squares of the distances of the nearest points, ascending, and which these are.

    square, index : (k,), infinity and -1 where there are fewer points. stack, away : room, see
    `room_for_search`.
    """
    square[:] = np.inf
    index[:] = -1
    last = len(square) - 1
    stack[0], away[0], top = 0, 0.0, 1
    while top > 0:
        top -= 1
        if away[top] >= square[last]:
            continue
        row = stack[top]
        near = tree.child[row]
        if near > 0:
            far = near + 1
            to_near, to_far = (
                square_to(tree.box, near, x, y, z),
                square_to(tree.box, far, x, y, z),
            )
            if to_far < to_near:
                near, far, to_near, to_far = far, near, to_far, to_near
            stack[top], away[top] = far, to_far
            stack[top + 1], away[top + 1] = near, to_near  # looked into first
            top += 2
            continue
        for i in range(tree.begin[row], tree.end[row]):
            here = _square(tree.points, i, x, y, z)
            if here >= square[last]:
                continue
            at = last
            while at > 0 and square[at - 1] > here:
                square[at], index[at] = square[at - 1], index[at - 1]
                at -= 1
            square[at], index[at] = here, i


@njit(cache=True, nogil=True, makes_arrays=False)
def nearest_point(
    tree: PointTree,
    x: float,
    y: float,
    z: float,
    guess: int,
    stack: NDArray[np.int64],
    away: Floats,
) -> tuple[float, int]:
    """Return the square of the nearest point's distance, and which it is.

    guess : a point that is probably near: who asks for places beside each other knows one.
    """
    index = guess
    square = _square(tree.points, guess, x, y, z)
    row, top = 0, 0
    while row >= 0:
        near = tree.child[row]
        if near > 0:
            far = near + 1
            to_near, to_far = (
                square_to(tree.box, near, x, y, z),
                square_to(tree.box, far, x, y, z),
            )
            if to_far < to_near:
                near, far, to_near, to_far = far, near, to_far, to_near
            if to_far < square:
                stack[top], away[top] = far, to_far
                top += 1
            if to_near < square:
                row = near  # looked into first
                continue
        else:
            for i in range(tree.begin[row], tree.end[row]):
                here = _square(tree.points, i, x, y, z)
                if here < square:
                    square, index = here, i
        row = -1
        while top > 0 and row < 0:
            top -= 1
            if away[top] < square:
                row = stack[top]
    return square, index


@njit(cache=True, nogil=True, makes_arrays=False)
def _square(points: Floats, i: int, x: float, y: float, z: float) -> float:
    dx, dy, dz = points[i, 0] - x, points[i, 1] - y, points[i, 2] - z
    return dx * dx + dy * dy + dz * dz


def most_below(tree: PointTree, values: Floats) -> Floats:
    """Return (B,) the largest of the points' values (N,) in every run of a tree."""
    out = np.empty(len(tree.box))
    _most_below(tree, values, out)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _most_below(tree: PointTree, values: Floats, out: Floats) -> None:
    for row in range(len(out) - 1, -1, -1):
        if tree.child[row] > 0:
            out[row] = max(out[tree.child[row]], out[tree.child[row] + 1])
            continue
        out[row] = values[tree.begin[row]]
        for i in range(tree.begin[row] + 1, tree.end[row]):
            out[row] = max(out[row], values[i])


def room_for_search() -> tuple[NDArray[np.int64], Floats]:
    """Return the room that a search needs; one for every thread."""
    return np.empty(2 * _DEEPEST, np.int64), np.empty(2 * _DEEPEST)


def nearest_of(tree: PointTree, places: Floats, count: int) -> tuple[Floats, NDArray[np.int64]]:
    """Return (M, K) how far the nearest points are from places (M, 3), ascending, and which.

    K is `count`, or how many points the tree has, if these are fewer. Made for counts up to some
    dozens: the nearest ones so far are kept in order.
    """
    wide = min(count, len(tree.points))
    square, index = np.empty((len(places), wide)), np.empty((len(places), wide), np.int64)

    def search(begin: int, end: int) -> None:
        here = slice(begin, end)
        _nearest_of(tree, places[here], *room_for_search(), square[here], index[here])

    in_blocks(len(places), search, _SEARCHES)
    return np.sqrt(square), index


@njit(cache=True, nogil=True, makes_arrays=False)
def _nearest_of(
    tree: PointTree,
    places: Floats,
    stack: NDArray[np.int64],
    away: Floats,
    square: Floats,
    index: NDArray[np.int64],
) -> None:
    for m in range(len(places)):
        x, y, z = places[m, 0], places[m, 1], places[m, 2]
        nearest_points(tree, x, y, z, square[m], index[m], stack, away)


def nearest_distances(tree: PointTree, places: Floats) -> Floats:
    """Return (M,) how far the nearest point of a tree is from places (M, 3)."""
    out = np.empty(len(places))
    _nearest_distances(tree, places, *room_for_search(), out)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _nearest_distances(
    tree: PointTree, places: Floats, stack: NDArray[np.int64], away: Floats, out: Floats
) -> None:
    index = 0
    for m in range(len(places)):
        x, y, z = places[m, 0], places[m, 1], places[m, 2]
        square, index = nearest_point(tree, x, y, z, index, stack, away)
        out[m] = np.sqrt(square)


@njit(cache=True, nogil=True, makes_arrays=False)
def square_to(boxes: Floats, box: int, x: float, y: float, z: float) -> float:
    """Return the square of the distance to a box."""
    dx = max(boxes[box, 0] - x, x - boxes[box, 3], 0.0)
    dy = max(boxes[box, 1] - y, y - boxes[box, 4], 0.0)
    dz = max(boxes[box, 2] - z, z - boxes[box, 5], 0.0)
    return dx * dx + dy * dy + dz * dz
