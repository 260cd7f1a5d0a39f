"""The nearest place on the low poly, among the triangles that a crossing can be compared with.

Those are the triangles of the parts that the crossing's high part may be baked onto and, where a
facing is given, those that face the same way: on a shell thinner than its detail is deep, the
nearest triangle of all is the other skin's. Where pieces touch or cross, all faces near by are
about as near; there the one counts as nearest that is turned the least, see `TURN_POWER`.

One tree of boxes serves all facings. Its nodes also hold the range of their triangles' normals, so
that branches that face away are left out as those that lie far are. A node holds the boxes of all
its children beside each other, as the processor compares them: eight at a time.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.eight import WIDTH, eight_within, lowest_bit
from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import Vector, dot, minus, moved, row, scaled, store
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly

# Where facings are compared, a distance counts as if it were divided by this power of the cosine
# between them: four times as far at 60 degrees, twice at 45, infinitely at 90. Of 0, 1, 2 and 3
# two was the least that told cards apart which cross at 60 degrees.
TURN_POWER = 2
# Deeper than any tree here: 2^31 triangles are eleven levels, with seven entries more on each.
_STACK = 96
# Places looked for in one task.
_TASK = 8192


class Forest(NamedTuple):
    """Trees of boxes, one for every group of triangles that is asked for together.

    root : (G,) the node that a group begins at, -1 for none. box, facing : (K, 6, 8) float32, least
    and greatest of the positions and unit normals below each of a node's children, rounded outward;
    nothing lies in those that are not there. A node's children are the nodes from ``child[k]`` on,
    or, where `child` is negative, the rows ``first[k]:first[k] + length[k]`` of corner (M, 3, 3),
    normal (M, 3) and triangle (M,). A group's rows are ``begin[g]:begin[g + 1]``; there ascending :
    (M,) has its triangles in order and row_of : (M,) the row of each of those.
    """

    root: NDArray[np.int32]
    box: NDArray[np.float32]
    facing: NDArray[np.float32]
    child: NDArray[np.int32]
    first: NDArray[np.int32]
    length: NDArray[np.int32]
    corner: Floats
    normal: Floats
    triangle: NDArray[np.int32]
    begin: NDArray[np.int64]
    ascending: NDArray[np.int32]
    row_of: NDArray[np.int32]


@dataclass(eq=False)
class NearestPaired:
    """Trees over the parts of a low poly, each made when it is first asked for.

    paired : (low parts, high parts) bool. High parts that serve the same low parts share a tree.
    label : (T,) the part of every triangle, or anything finer that `paired` is of; None for the
        low poly's own parts.
    group : (high parts,) which of the trees a high part is asked for in.
    """

    low: LowPoly
    paired: NDArray[np.bool_]
    label: Ints | None = None
    group: NDArray[np.int64] = field(init=False)
    _columns: NDArray[np.bool_] = field(init=False)
    _triangles: list[NDArray[np.int64]] = field(init=False)
    _trees: dict[int, _Tree] = field(init=False, default_factory=dict)
    _forest: Forest | None = field(init=False, default=None)
    _lock: threading.Lock = field(init=False, default_factory=threading.Lock)

    def __post_init__(self) -> None:
        """Group the high parts by the low parts that they serve."""
        low = self.low
        self._columns, group = np.unique(self.paired.T, axis=0, return_inverse=True)
        self.group = group.ravel().astype(np.int64)
        label = np.where(low.area > 0, low.triangle_part if self.label is None else self.label, -1)
        self._triangles = rows_by_label(label, len(self.paired))

    @property
    def group_count(self) -> int:
        """How many groups there are."""
        return len(self._columns)

    def forest(self, asked: NDArray[np.bool_]) -> Forest:
        """Return the trees, with those made of the groups that are asked for, (groups,) bool."""
        with self._lock:
            new = [int(g) for g in np.flatnonzero(asked) if g not in self._trees]
            if new or self._forest is None:
                self._trees |= {group: self._tree(group) for group in new}
                self._forest = _joined(self._trees, len(self._columns))
            return self._forest

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
        triangle, place, distance = np.empty(n, np.int32), np.empty((n, 3)), np.empty(n)
        facing = np.zeros((n, 3)) if facing is None else facing
        likely = np.full(n, -1, np.int32) if likely is None else likely
        asked = np.zeros(self.group_count, bool)
        asked[self.group[high_part]] = True
        forest = self.forest(asked)

        def work(begin: int, end: int) -> None:
            here = slice(begin, end)
            _find(
                forest, self.group, points[here], high_part[here], facing[here], likely[here],
                triangle[here], place[here], distance[here], search_room(),
            )  # fmt: skip

        in_blocks(n, work, _TASK)
        return triangle, place, distance

    def _tree(self, group: int) -> _Tree:
        """Return the tree of a group of high parts."""
        parts = np.flatnonzero(self._columns[group])
        mine = [self._triangles[k] for k in parts]
        return _tree_over(
            self.low, np.sort(np.concatenate(mine)) if mine else np.zeros(0, np.int64)
        )


SearchRoom = tuple[NDArray[np.int32], Floats, Floats, Floats]


class _Tree(NamedTuple):
    """The part of a forest that one group has, numbers counted from its own beginnings."""

    box: NDArray[np.float32]
    facing: NDArray[np.float32]
    child: NDArray[np.int32]
    first: NDArray[np.int32]
    length: NDArray[np.int32]
    corner: Floats
    normal: Floats
    triangle: NDArray[np.int32]
    ascending: NDArray[np.int32]
    row_of: NDArray[np.int32]


_NO_TREE = _Tree(
    np.zeros((0, 6, WIDTH), np.float32), np.zeros((0, 6, WIDTH), np.float32),
    np.zeros(0, np.int32), np.zeros(0, np.int32), np.zeros(0, np.int32),
    np.zeros((0, 3, 3)), np.zeros((0, 3)),
    np.zeros(0, np.int32), np.zeros(0, np.int32), np.zeros(0, np.int32),
)  # fmt: skip


def _tree_over(low: LowPoly, chosen: NDArray[np.int64]) -> _Tree:
    corner = np.ascontiguousarray(low.positions[low.triangles[chosen]], np.float64)
    normal = np.ascontiguousarray(low.face_normals[chosen])
    order = np.arange(len(chosen))
    room = len(chosen) // 4 + 2
    box, facing = np.empty((room, 6, WIDTH)), np.empty((room, 6, WIDTH))
    child, first, count = (np.full(room, -1, np.int32) for _ in range(3))
    nodes = _grow_tree(corner, normal, order, box, facing, child, first, count)
    row_of = np.empty(len(order), np.int32)
    row_of[order] = np.arange(len(order), dtype=np.int32)
    ascending = chosen.astype(np.int32)
    return _Tree(
        _outward(box[:nodes]), _outward(facing[:nodes]), child[:nodes], first[:nodes],
        count[:nodes], corner[order], normal[order], ascending[order], ascending, row_of,
    )  # fmt: skip


def _outward(bounds: Floats) -> NDArray[np.float32]:
    """Return (K, 6, 8) in float32, the least not above what they were, the greatest not below."""
    out = bounds.astype(np.float32)
    for side, way in ((slice(0, 3), -np.inf), (slice(3, 6), np.inf)):
        mine, exact = out[:, side], bounds[:, side]
        inside = mine > exact if way < 0 else mine < exact
        mine[inside] = np.nextafter(mine[inside], np.float32(way))
    return out


def _joined(trees: dict[int, _Tree], groups: int) -> Forest:
    root, begin = np.full(groups, -1, np.int32), np.zeros(groups + 1, np.int64)
    nodes = rows = 0
    pieces = []
    for group in range(groups):
        tree = trees.get(group)
        if tree is not None and len(tree.child):
            root[group] = nodes
            inner = tree.child >= 0
            pieces.append(tree._replace(
                child=np.where(inner, tree.child + nodes, tree.child).astype(np.int32),
                first=np.where(inner, tree.first, tree.first + rows).astype(np.int32),
                row_of=(tree.row_of + rows).astype(np.int32),
            ))  # fmt: skip
            nodes, rows = nodes + len(tree.child), rows + len(tree.triangle)
        begin[group + 1] = rows
    if not pieces:
        pieces = [_NO_TREE]
    whole = _Tree(*(np.concatenate(arrays) for arrays in zip(*pieces, strict=True)))
    return Forest(
        root, whole.box, whole.facing, whole.child, whole.first, whole.length, whole.corner,
        whole.normal, whole.triangle, begin, whole.ascending, whole.row_of,
    )  # fmt: skip


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
    """Share the triangles out among children, all but the last of them full; return how many nodes.

    Where there are several children, they are halved along the longest side of the box around their
    triangles' centres until each is by itself.
    """
    nodes = 1 if len(order) > 0 else 0
    first[0], count[0] = 0, len(order)
    begins, ends, shares = np.empty((3, WIDTH), np.int64)
    node = 0
    while node < nodes:
        begin, end = np.int64(first[node]), np.int64(first[node]) + count[node]
        each = 1
        while each * WIDTH < end - begin:
            each *= WIDTH
        children = (end - begin + each - 1) // each
        if each > 1:
            child[node] = nodes
            begins[0], ends[0], shares[0] = begin, end, children
            parts = 1
            while parts < children:
                # The first of those that are shared most.
                most = 0
                for i in range(parts):
                    if shares[i] > shares[most]:
                        most = i
                half = shares[most] // 2
                middle = begins[most] + half * each
                _sort_along(corner, order, begins[most], ends[most])
                for i in range(parts, most + 1, -1):
                    begins[i], ends[i], shares[i] = begins[i - 1], ends[i - 1], shares[i - 1]
                begins[most + 1], ends[most + 1] = middle, ends[most]
                shares[most + 1] = shares[most] - half
                ends[most], shares[most] = middle, half
                parts += 1
        for lane in range(WIDTH):
            for k in range(3):
                box[node, k, lane], box[node, 3 + k, lane] = np.inf, -np.inf
                facing[node, k, lane], facing[node, 3 + k, lane] = 0.0, 0.0
            if lane >= children:
                continue
            if each > 1:
                a, b = begins[lane], ends[lane]
                first[nodes + lane], count[nodes + lane] = a, b - a
            else:
                a, b = begin + lane, begin + lane + 1
            _bound(corner, normal, order, a, b, box, facing, node, lane)
        if each > 1:
            nodes += children
            count[node] = children
        node += 1
    return nodes


@njit(cache=True, nogil=True)
def _sort_along(corner: Floats, order: NDArray[np.int64], begin: int, end: int) -> None:
    """Sort triangles by their centres, along the longest side of the box around these."""
    centre = np.zeros((3, end - begin))
    for i in range(begin, end):
        for k in range(3):
            t = order[i]
            centre[k, i - begin] = corner[t, 0, k] + corner[t, 1, k] + corner[t, 2, k]
    axis, longest = 0, -1.0
    for k in range(3):
        side = centre[k].max() - centre[k].min()
        if side > longest:
            axis, longest = k, side
    order[begin:end] = order[begin:end][np.argsort(centre[axis], kind="mergesort")]


@njit(cache=True, nogil=True, makes_arrays=False)
def _bound(
    corner: Floats,
    normal: Floats,
    order: NDArray[np.int64],
    begin: int,
    end: int,
    box: Floats,
    facing: Floats,
    node: int,
    lane: int,
) -> None:
    """Write the ranges of positions and normals of some triangles."""
    for k in range(3):
        facing[node, k, lane], facing[node, 3 + k, lane] = np.inf, -np.inf
        for i in range(begin, end):
            t = order[i]
            for c in range(3):
                box[node, k, lane] = min(box[node, k, lane], corner[t, c, k])
                box[node, 3 + k, lane] = max(box[node, 3 + k, lane], corner[t, c, k])
            facing[node, k, lane] = min(facing[node, k, lane], normal[t, k])
            facing[node, 3 + k, lane] = max(facing[node, 3 + k, lane], normal[t, k])


@njit(cache=True, nogil=True, makes_arrays=False)
def _find(
    forest: Forest,
    group: NDArray[np.int64],
    points: Floats,
    high_part: Ints,
    facing: Floats,
    likely: Ints,
    triangle: NDArray[np.int32],
    place: Floats,
    distance: Floats,
    room: SearchRoom,
) -> None:
    """Write the nearest triangle, place and distance of points."""
    for m in range(len(points)):
        p = row(points, m)
        guess = row_in(forest, group[high_part[m]], likely[m])
        found, where = nearest_row(forest, group[high_part[m]], guess, p, row(facing, m), room)
        if found < 0:
            triangle[m], distance[m] = -1, np.inf
            store(place, m, (np.nan, np.nan, np.nan))
            continue
        away = minus(where, p)
        triangle[m], distance[m] = forest.triangle[found], np.sqrt(dot(away, away))
        store(place, m, where)


def search_room() -> SearchRoom:
    """Return the room that `nearest_row` needs; one for every thread."""
    return np.empty(_STACK, np.int32), np.empty(_STACK), np.empty(WIDTH), np.empty(WIDTH)


@njit(cache=True, nogil=True, makes_arrays=False, forceinline=True)
def row_in(forest: Forest, group: int, triangle: int) -> int:
    """Return the row that a group has a triangle in, -1 where it has not."""
    a, end = forest.begin[group], forest.begin[group + 1]
    b = end
    while a < b:
        middle = (a + b) >> 1
        if forest.ascending[middle] < triangle:
            a = middle + 1
        else:
            b = middle
    return forest.row_of[a] if a < end and forest.ascending[a] == triangle else -1


@njit(cache=True, nogil=True, makes_arrays=False, error_model="numpy", forceinline=True)
def nearest_row(
    forest: Forest,
    group: int,
    guess: int,
    p: Vector,
    facing: Vector,
    room: SearchRoom,
) -> tuple[int, Vector]:
    """Return the row of a group's triangle nearest to p, -1 for none, and the place there.

    guess : the row that is looked at first, -1 for none. facing : see `NearestPaired.find`.
    """
    stack, far, square, share = room
    length = np.sqrt(dot(facing, facing))
    any_facing = length == 0.0
    f = scaled(facing, 1.0 / length if length > 0.0 else 0.0)
    best, found, where = np.inf, -1, p
    if guess >= 0:
        counts = 1.0 if any_facing else _counts(dot(row(forest.normal, guess), f))
        if counts > 0.0:
            where = nearest_in(forest.corner, guess, p)
            away = minus(where, p)
            best, found = dot(away, away) / counts, guess
    stack[0], far[0] = forest.root[group], 0.0
    used = 1 if forest.root[group] >= 0 else 0
    while used > 0:
        used -= 1
        if far[used] >= best:
            continue
        node = stack[used]
        leaf, bottom = forest.child[node] < 0, used
        begin = forest.first[node] if leaf else forest.child[node]
        within = eight_within(forest.box, forest.facing, node, p, f, best, square, share)
        while within != 0:
            lane = lowest_bit(within)
            within &= within - 1
            if leaf:
                i = begin + lane
                counts = 1.0 if any_facing else _counts(dot(row(forest.normal, i), f))
                if counts == 0.0:
                    continue
                q = nearest_in(forest.corner, i, p)
                away = minus(q, p)
                counted = dot(away, away) / counts
                if counted < best:
                    best, found, where = counted, i, q
                continue
            # The nearest last, so that it is taken first.
            at, bound = used, square[lane] / share[lane]
            while at > bottom and far[at - 1] < bound:
                stack[at], far[at] = stack[at - 1], far[at - 1]
                at -= 1
            stack[at], far[at] = begin + lane, bound
            used += 1
    return found, where


@njit(cache=True, nogil=True)
def _counts(cosine: float) -> float:
    """Return the share by which squared distances to a triangle turned so far are divided."""
    return cosine ** (2 * TURN_POWER) if cosine > 0.0 else 0.0


@njit(cache=True, nogil=True, makes_arrays=False)
def nearest_in(corner: Floats, t: int, p: Vector) -> Vector:
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
