"""The nearest place on the low poly, among the triangles that a crossing can be compared with.

Those are the triangles of the parts that the crossing's high part may be baked onto and, where a
facing is given, those that face the same way: on a shell thinner than its detail is deep, the
nearest triangle of all is the other skin's. Where pieces touch or cross, all faces near by are
about as near; there the one counts as nearest that is turned the least, see `TURN_POWER`.

One tree of boxes serves all facings. Its nodes also hold the range of their triangles' normals, so
that branches that face away are left out as those that lie far are.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import Vector, dot, minus, moved, row, scaled, store
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.scene import usable_cores

# Where facings are compared, a distance counts as if it were divided by this power of the cosine
# between them: four times as far at 60 degrees, twice at 45, infinitely at 90. Of 0, 1, 2 and 3
# two was the least that told cards apart which cross at 60 degrees.
TURN_POWER = 2
# Triangles in a leaf: of 2, 4 and 8 four measured fastest.
LEAF = 4
# Deeper than any tree here: halves of 2^31 triangles, two entries a level.
_STACK = 64
# Places looked for in one task.
_TASK = 8192


class _Tree(NamedTuple):
    """A tree of boxes over some triangles.

    box, facing : (K, 6) least and greatest of every node's positions and unit normals. A node's
    children are ``child[k]`` and ``child[k] + 1``; where `child` is negative it is a leaf with the
    rows ``first[k]:first[k] + length[k]`` of corner (M, 3, 3), normal (M, 3) and triangle (M,).
    ascending : (M,) the triangles in order; row_of : (M,) the row of each of those.
    """

    box: Floats
    facing: Floats
    child: NDArray[np.int32]
    first: NDArray[np.int32]
    length: NDArray[np.int32]
    corner: Floats
    normal: Floats
    triangle: NDArray[np.int32]
    ascending: NDArray[np.int32]
    row_of: NDArray[np.int32]


@dataclass(eq=False)
class NearestPaired:
    """Trees over the parts of a low poly, each made when it is first asked for.

    paired : (low parts, high parts) bool. High parts that serve the same low parts share a tree.
    label : (T,) the part of every triangle, or anything finer that `paired` is of; None for the
        low poly's own parts.
    """

    low: LowPoly
    paired: NDArray[np.bool_]
    label: Ints | None = None
    _group: NDArray[np.intp] = field(init=False)
    _columns: NDArray[np.bool_] = field(init=False)
    _triangles: list[NDArray[np.int64]] = field(init=False)
    _trees: dict[int, _Tree | None] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        """Group the high parts by the low parts that they serve."""
        low = self.low
        self._columns, group = np.unique(self.paired.T, axis=0, return_inverse=True)
        self._group = group.ravel()
        label = np.where(low.area > 0, low.triangle_part if self.label is None else self.label, -1)
        self._triangles = rows_by_label(label, len(self.paired))

    def find(
        self,
        points: Floats,
        high_part: Ints,
        facing: Floats | None = None,
        likely: Ints | None = None,
    ) -> tuple[Ints, Floats, Floats]:
        """Find the nearest place on the low-poly parts paired with each point's high part.

        Parameters
        ----------
        points : (N, 3) world. high_part : (N,) the part each point is of.
        facing : (N, 3), only triangles whose normal is within 90 degrees of it, and the less they
            are turned from it the nearer they count; zero rows, and None, ask for triangles of any
            facing.
        likely : (N,) a triangle that is probably near, asked first; of places equally near it is
            preferred.

        Returns
        -------
        triangle : (N,) int32, -1 where no triangle with area is paired (and faces so).
        place : (N, 3) world, NaN there.
        distance : (N,) world units, infinity there.
        """
        n = len(points)
        triangle = np.full(n, -1, np.int32)
        place, distance = np.full((n, 3), np.nan), np.full(n, np.inf)
        facing = np.zeros((n, 3)) if facing is None else facing
        likely = np.full(n, -1, np.int32) if likely is None else likely
        rows_of = rows_by_label(self._group[high_part], len(self._columns))
        with ThreadPoolExecutor(usable_cores()) as pool:
            for group, rows in enumerate(rows_of):
                tree = self._tree(group) if len(rows) else None
                if tree is None:
                    continue

                def work(a: int, rows: NDArray[np.int64] = rows, tree: _Tree = tree) -> None:
                    mine = rows[a : a + _TASK]
                    guess = _places_in(tree, likely[mine])
                    _find(tree, guess, mine, points, facing, triangle, place, distance)

                list(pool.map(work, range(0, len(rows), _TASK)))
        return triangle, place, distance

    def _tree(self, group: int) -> _Tree | None:
        """Return the tree of a group of high parts, None where nothing is paired with it."""
        if group not in self._trees:
            parts = np.flatnonzero(self._columns[group])
            mine = [self._triangles[k] for k in parts]
            chosen = np.sort(np.concatenate(mine)) if mine else np.zeros(0, np.int64)
            self._trees[group] = _tree_over(self.low, chosen) if len(chosen) else None
        return self._trees[group]


def _tree_over(low: LowPoly, chosen: NDArray[np.int64]) -> _Tree:
    corner = np.ascontiguousarray(low.positions[low.triangles[chosen]], np.float64)
    normal = np.ascontiguousarray(low.face_normals[chosen])
    order = np.arange(len(chosen))
    room = 2 * len(chosen)
    box, facing = np.empty((room, 6)), np.empty((room, 6))
    child, first, count = (np.full(room, -1, np.int32) for _ in range(3))
    nodes = _grow_tree(corner, normal, order, box, facing, child, first, count)
    row_of = np.empty(len(order), np.int32)
    row_of[order] = np.arange(len(order), dtype=np.int32)
    ascending = chosen.astype(np.int32)
    return _Tree(
        box[:nodes], facing[:nodes], child[:nodes], first[:nodes], count[:nodes],
        corner[order], normal[order], ascending[order], ascending, row_of,
    )  # fmt: skip


def _places_in(tree: _Tree, triangle: Ints) -> NDArray[np.int32]:
    """Return (N,) the rows of triangles in a tree, -1 for those that it does not hold."""
    at = np.minimum(np.searchsorted(tree.ascending, triangle), len(tree.ascending) - 1)
    held = tree.ascending[at] == triangle
    return np.where(held, tree.row_of[at], -1).astype(np.int32)


@njit(cache=True, nogil=True)
def _grow_tree(
    corner: Floats,
    normal: Floats,
    order: NDArray[np.int64],
    box: Floats,
    facing: Floats,
    child: NDArray[np.int32],
    first: NDArray[np.int32],
    count: NDArray[np.int32],
) -> int:
    """Halve the triangles along the longest side of their centres' box; return how many nodes."""
    nodes = 1
    first[0], count[0] = 0, len(order)
    node = 0
    while node < nodes:
        begin, end = first[node], first[node] + count[node]
        for k in range(3):
            box[node, k], box[node, 3 + k] = np.inf, -np.inf
            facing[node, k], facing[node, 3 + k] = np.inf, -np.inf
        least, most = np.full(3, np.inf), np.full(3, -np.inf)
        for i in range(begin, end):
            t = order[i]
            for k in range(3):
                for c in range(3):
                    box[node, k] = min(box[node, k], corner[t, c, k])
                    box[node, 3 + k] = max(box[node, 3 + k], corner[t, c, k])
                facing[node, k] = min(facing[node, k], normal[t, k])
                facing[node, 3 + k] = max(facing[node, 3 + k], normal[t, k])
                middle = corner[t, 0, k] + corner[t, 1, k] + corner[t, 2, k]
                least[k], most[k] = min(least[k], middle), max(most[k], middle)
        if end - begin > LEAF:
            axis = 0
            for k in range(1, 3):
                if most[k] - least[k] > most[axis] - least[axis]:
                    axis = k
            key = np.empty(end - begin)
            for i in range(begin, end):
                t = order[i]
                key[i - begin] = corner[t, 0, axis] + corner[t, 1, axis] + corner[t, 2, axis]
            order[begin:end] = order[begin:end][np.argsort(key, kind="mergesort")]
            half = (end - begin) // 2
            child[node] = nodes
            first[nodes], count[nodes] = begin, half
            first[nodes + 1], count[nodes + 1] = begin + half, end - begin - half
            nodes += 2
        node += 1
    return nodes


@njit(cache=True, nogil=True)
def _find(
    tree: _Tree,
    guesses: NDArray[np.int32],
    rows: NDArray[np.int64],
    points: Floats,
    facing: Floats,
    triangle: NDArray[np.int32],
    place: Floats,
    distance: Floats,
) -> None:
    """Write the nearest triangle, place and distance of the points at `rows`.

    guesses : the row of the tree that is looked at first for each of them, -1 for none.
    """
    stack = np.empty(_STACK, np.int32)
    far = np.empty(_STACK)
    for r in range(len(rows)):
        m, guess = rows[r], guesses[r]
        p, f = row(points, m), row(facing, m)
        length = np.sqrt(dot(f, f))
        any_facing = length == 0.0
        if not any_facing:
            f = scaled(f, 1.0 / length)
        best, found, where = np.inf, -1, p
        if guess >= 0:
            share = 1.0 if any_facing else _counts(dot(row(tree.normal, guess), f))
            if share > 0.0:
                where = _nearest_in(tree.corner, guess, p)
                away = minus(where, p)
                best, found = dot(away, away) / share, guess
        stack[0], far[0] = 0, _away(tree.box, 0, p)
        used = 1
        while used > 0:
            used -= 1
            node = stack[used]
            if far[used] >= best:
                continue
            if tree.child[node] < 0:
                for i in range(tree.first[node], tree.first[node] + tree.length[node]):
                    share = 1.0 if any_facing else _counts(dot(row(tree.normal, i), f))
                    if share == 0.0:
                        continue
                    q = _nearest_in(tree.corner, i, p)
                    away = minus(q, p)
                    squared = dot(away, away) / share
                    if squared < best:
                        best, found, where = squared, i, q
                continue
            a, b = tree.child[node], tree.child[node] + 1
            to_a, to_b = _away(tree.box, a, p), _away(tree.box, b, p)
            if not any_facing:
                to_a, to_b = _at_least(tree.facing, a, f, to_a), _at_least(tree.facing, b, f, to_b)
            if to_a < to_b:  # the nearer one last, so that it is taken first
                a, b, to_a, to_b = b, a, to_b, to_a
            if to_a < best:
                stack[used], far[used] = a, to_a
                used += 1
            if to_b < best:
                stack[used], far[used] = b, to_b
                used += 1
        if found >= 0:
            away = minus(where, p)
            triangle[m], distance[m] = tree.triangle[found], np.sqrt(dot(away, away))
            store(place, m, where)


@njit(cache=True, nogil=True)
def _counts(cosine: float) -> float:
    """Return the share by which squared distances to a triangle turned so far are divided."""
    return cosine ** (2 * TURN_POWER) if cosine > 0.0 else 0.0


@njit(cache=True, nogil=True)
def _away(box: Floats, node: int, p: Vector) -> float:
    """Return the squared distance of a point from a node's box."""
    squared = 0.0
    for k in range(3):
        gap = max(box[node, k] - p[k], p[k] - box[node, 3 + k])
        if gap > 0.0:
            squared += gap * gap
    return squared


@njit(cache=True, nogil=True)
def _at_least(facing: Floats, node: int, f: Vector, squared: float) -> float:
    """Return a bound from below on what any triangle of a node counts, at this squared distance."""
    most = 0.0
    for k in range(3):
        most += max(f[k] * facing[node, k], f[k] * facing[node, 3 + k])
    if most <= 0.0:
        return np.inf
    return squared / _counts(most) if most < 1.0 else squared


@njit(cache=True, nogil=True)
def _nearest_in(corner: Floats, t: int, p: Vector) -> Vector:
    """Return the place on a triangle nearest to p.

    By the regions of its corners, edges and inside (Ericson, "Real-Time Collision Detection", 2005,
    section 5.1.5).
    """
    a = (corner[t, 0, 0], corner[t, 0, 1], corner[t, 0, 2])
    b = (corner[t, 1, 0], corner[t, 1, 1], corner[t, 1, 2])
    c = (corner[t, 2, 0], corner[t, 2, 1], corner[t, 2, 2])
    ab, ac, ap = minus(b, a), minus(c, a), minus(p, a)
    d1, d2 = dot(ab, ap), dot(ac, ap)
    if d1 <= 0.0 and d2 <= 0.0:
        return a
    bp = minus(p, b)
    d3, d4 = dot(ab, bp), dot(ac, bp)
    if d3 >= 0.0 and d4 <= d3:
        return b
    vc = d1 * d4 - d3 * d2
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        return moved(a, d1 / (d1 - d3) if d1 > d3 else 0.0, ab)
    cp = minus(p, c)
    d5, d6 = dot(ab, cp), dot(ac, cp)
    if d6 >= 0.0 and d5 <= d6:
        return c
    vb = d5 * d2 - d1 * d6
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        return moved(a, d2 / (d2 - d6) if d2 > d6 else 0.0, ac)
    va = d3 * d6 - d5 * d4
    up, down = d4 - d3, d5 - d6
    if va <= 0.0 and up >= 0.0 and down >= 0.0:
        return moved(b, up / (up + down) if up + down > 0.0 else 0.0, minus(c, b))
    scale = 1.0 / (va + vb + vc)
    return moved(moved(a, vb * scale, ab), vc * scale, ac)
