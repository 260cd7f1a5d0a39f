"""Triangles that meet and segments that pierce triangles, decided exactly.

Every answer here is a combination of signs from `cagecheck.meshes.orientation`, so it is that of
the coordinates as they are, however flat or close things lie. Pairs to ask about come from trees
of boxes. Triangles without area are pierced by nothing and have no plane; their edges count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import Vector, cross, dot, minus, row
from cagecheck.loops import njit
from cagecheck.meshes.box_tree import BoxTree, box_tree, overlapping
from cagecheck.meshes.orientation import side

# Places on one segment nearer than this share of its length are one: rounding of float64, roomy.
_SAME_PLACE = 1e-9


@dataclass(frozen=True, eq=False)
class Piercings:
    """Where segments pass from one side of a triangle to the other, by segment and along it.

    Attributes
    ----------
    segment : (M,) int64; triangle : (M,) int64, row of those given.
    share : (M,) float64, how far along the segment, 0 to 1.
    front : (M,) bool, the segment leaves on the side that the triangle's front faces.
    """

    segment: NDArray[np.int64]
    triangle: NDArray[np.int64]
    share: Floats
    front: NDArray[np.bool_]


def triangle_tree(positions: Floats, triangles: NDArray[np.integer]) -> BoxTree:
    """Return the tree of boxes of triangles (T, 3), for `meeting_pairs`."""
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    return box_tree(np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c))


def meeting_pairs(
    one: tuple[Floats, NDArray[np.int64], BoxTree],
    other: tuple[Floats, NDArray[np.int64], BoxTree],
) -> NDArray[np.int64]:
    """Return the (P, 2) pairs of triangles that have a point in common, sorted.

    Both are positions (V, 3) float64, triangles (T, 3) and their tree.
    """
    kept = [
        pairs[_which_meet(one[0], one[1], other[0], other[1], pairs)]
        for pairs in overlapping(one[2], other[2])
    ]
    pairs = np.concatenate([np.zeros((0, 2), np.int64), *kept])
    return pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]


def near_pairs(one: BoxTree, other: BoxTree, margin: float) -> NDArray[np.int64]:
    """Return (P, 2) pairs whose boxes lie no farther apart than the margin, sorted."""
    wider = np.repeat([-margin, margin], 3)
    found = [np.zeros((0, 2), np.int64)]
    found += overlapping(BoxTree(one.order, one.box + wider, one.node + wider), other)
    pairs = np.concatenate(found)
    return pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]


def which_meet(
    one: tuple[Floats, NDArray[np.int64]],
    other: tuple[Floats, NDArray[np.int64]],
    pairs: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Return (P,): which pairs of triangles have a point in common.

    Both are positions (V, 3) float64 and triangles (T, 3).
    """
    return np.asarray(_which_meet(*one, *other, pairs))


def meeting_segments(
    one: tuple[Floats, NDArray[np.int64]],
    other: tuple[Floats, NDArray[np.int64]],
    pairs: NDArray[np.int64],
) -> Floats:
    """Return (P, 2, 3): the ends of the segment in which each pair of triangles meets.

    Pairs that lie in one plane or do not meet have the middle of the first triangle for both ends.
    """
    out = np.empty((len(pairs), 2, 3))
    _segments(*one, *other, pairs, out)
    return out


def pierced(
    start: Floats, end: Floats, positions: Floats, triangles: NDArray[np.integer]
) -> Piercings:
    """Find where segments (N, 3) go through triangles (T, 3).

    A segment that ends on a triangle's plane, or lies in it, does not go through. One that goes
    through an edge or a corner that neighbours share goes through one of them, the first.
    """
    corners = np.ascontiguousarray(triangles, np.int64)
    points = np.ascontiguousarray(positions, np.float64)
    ends = np.ascontiguousarray(start, np.float64), np.ascontiguousarray(end, np.float64)
    segments = box_tree(np.minimum(*ends), np.maximum(*ends))
    found = [(np.zeros((0, 2), np.int64), np.zeros(0), np.zeros(0, bool))]
    for pairs in overlapping(segments, triangle_tree(points, corners)):
        hit, share, front = _which_pierce(*ends, points, corners, pairs)
        found.append((pairs[hit], share[hit], front[hit]))
    pairs, share, front = (np.concatenate(rows) for rows in zip(*found, strict=True))
    order = np.lexsort((pairs[:, 1], share, pairs[:, 0]))
    pairs, share, front = pairs[order], share[order], front[order]
    kept = _first_of_same(pairs, share, front, corners)
    return Piercings(pairs[kept, 0], pairs[kept, 1], share[kept], front[kept])


def segment_pierces(begin: Floats, end: Floats, triangle: Floats) -> NDArray[np.bool_]:
    """Return (N,): does each segment pass from one side of its triangle to the other, through it?

    begin, end : (N, 3); triangle : (N, 3, 3). Zero counts as above, so that a surface that only
    touches a plane with a corner is cut by it on one side. The triangle's border belongs to it.
    """
    out = np.zeros(len(begin), np.bool_)
    _cut_by(begin, end, triangle, out)
    return out


@njit(cache=True, nogil=True)
def _cut_by(begin: Floats, end: Floats, triangle: Floats, out: NDArray[np.bool_]) -> None:
    for i in range(len(out)):
        p, q = row(begin, i), row(end, i)
        a, b, c = row(triangle[i], 0), row(triangle[i], 1), row(triangle[i], 2)
        if (side(a, b, c, p) >= 0) != (side(a, b, c, q) >= 0):
            out[i] = _within(p, q, a, b, c)


@njit(cache=True, nogil=True)
def _within(p: Vector, q: Vector, a: Vector, b: Vector, c: Vector) -> bool:
    """Say whether the line p q, which is not in its plane, meets the triangle, border included."""
    first, second, third = side(p, q, a, b), side(p, q, b, c), side(p, q, c, a)
    least, most = min(first, second, third), max(first, second, third)
    return (least >= 0 and most > 0) or (most <= 0 and least < 0)


@njit(cache=True, nogil=True)
def _which_pierce(
    start: Floats,
    end: Floats,
    positions: Floats,
    triangles: NDArray[np.int64],
    pairs: NDArray[np.int64],
) -> Any:
    hit = np.zeros(len(pairs), np.bool_)
    share = np.zeros(len(pairs))
    front = np.zeros(len(pairs), np.bool_)
    for i in range(len(pairs)):
        p, q = row(start, pairs[i, 0]), row(end, pairs[i, 0])
        t = pairs[i, 1]
        a = row(positions, triangles[t, 0])
        b = row(positions, triangles[t, 1])
        c = row(positions, triangles[t, 2])
        before, after = side(a, b, c, p), side(a, b, c, q)
        if before * after < 0 and _within(p, q, a, b, c):
            hit[i] = True
            # `side` is positive behind the triangle.
            front[i] = before > 0
            normal = cross(minus(b, a), minus(c, a))
            here, there = abs(dot(normal, minus(p, a))), abs(dot(normal, minus(q, a)))
            whole = here + there
            share[i] = here / whole if whole > 0.0 else 0.5
    return hit, share, front


@njit(cache=True, nogil=True)
def _first_of_same(
    pairs: NDArray[np.int64],
    share: Floats,
    front: NDArray[np.bool_],
    triangles: NDArray[np.int64],
) -> Any:
    """Keep one of the piercings at one place that are of neighbours facing the same way."""
    kept = np.ones(len(pairs), np.bool_)
    for i in range(len(pairs)):
        j = i - 1
        while j >= 0 and pairs[j, 0] == pairs[i, 0] and share[i] - share[j] <= _SAME_PLACE:
            if (
                kept[j]
                and front[i] == front[j]
                and _share_corner(triangles, pairs[i, 1], pairs[j, 1])
            ):
                kept[i] = False
                break
            j -= 1
    return kept


@njit(cache=True, nogil=True)
def _share_corner(triangles: NDArray[np.int64], f: int, g: int) -> bool:
    for i in range(3):
        for j in range(3):
            if triangles[f, i] == triangles[g, j]:
                return True
    return False


@njit(cache=True, nogil=True)
def _which_meet(
    positions_a: Floats,
    triangles_a: NDArray[np.int64],
    positions_b: Floats,
    triangles_b: NDArray[np.int64],
    pairs: NDArray[np.int64],
) -> Any:
    out = np.zeros(len(pairs), np.bool_)
    for i in range(len(pairs)):
        f, g = pairs[i, 0], pairs[i, 1]
        one = (
            row(positions_a, triangles_a[f, 0]),
            row(positions_a, triangles_a[f, 1]),
            row(positions_a, triangles_a[f, 2]),
        )
        other = (
            row(positions_b, triangles_b[g, 0]),
            row(positions_b, triangles_b[g, 1]),
            row(positions_b, triangles_b[g, 2]),
        )
        out[i] = _meet(one, other)
    return out


@njit(cache=True, nogil=True)
def _meet(one: Any, other: Any) -> bool:
    """Say whether two triangles have a point in common.

    In different planes they do where an edge of one, that does not lie in the other's plane,
    meets the other; in one plane, where no edge has the other triangle on its outer side.
    """
    a, b, c = one
    p, q, r = other
    sp, sq, sr = side(a, b, c, p), side(a, b, c, q), side(a, b, c, r)
    if min(sp, sq, sr) > 0 or max(sp, sq, sr) < 0:
        return False
    sa, sb, sc = side(p, q, r, a), side(p, q, r, b), side(p, q, r, c)
    if min(sa, sb, sc) > 0 or max(sa, sb, sc) < 0:
        return False
    if sp == 0 and sq == 0 and sr == 0 and sa == 0 and sb == 0 and sc == 0:
        return _meet_in_plane(one, other)
    return (
        _edge_meets(p, q, sp, sq, one)
        or _edge_meets(q, r, sq, sr, one)
        or _edge_meets(r, p, sr, sp, one)
        or _edge_meets(a, b, sa, sb, other)
        or _edge_meets(b, c, sb, sc, other)
        or _edge_meets(c, a, sc, sa, other)
    )


@njit(cache=True, nogil=True)
def _edge_meets(p: Vector, q: Vector, at_p: int, at_q: int, triangle: Any) -> bool:
    if at_p * at_q > 0 or (at_p == 0 and at_q == 0):
        return False
    return _within(p, q, triangle[0], triangle[1], triangle[2])


@njit(cache=True, nogil=True)
def _meet_in_plane(one: Any, other: Any) -> bool:
    a, b, c = one
    normal = cross(minus(b, a), minus(c, a))
    # A point off the plane: volumes with it have the signs of areas in the plane.
    x, y, z = abs(normal[0]), abs(normal[1]), abs(normal[2])
    reach = 1.0 + abs(a[0]) + abs(a[1]) + abs(a[2])
    if x >= y and x >= z:
        off = (a[0] + reach, a[1], a[2])
    elif y >= z:
        off = (a[0], a[1] + reach, a[2])
    else:
        off = (a[0], a[1], a[2] + reach)
    return not (_apart(one, other, off) or _apart(other, one, off))


@njit(cache=True, nogil=True)
def _apart(triangle: Any, other: Any, off: Vector) -> bool:
    """Say whether an edge has all of the other triangle strictly on its outer side."""
    a, b, c = triangle
    turn = side(a, b, c, off)
    if turn == 0:
        return True
    return (
        _all_outside(a, b, other, off, turn)
        or _all_outside(b, c, other, off, turn)
        or _all_outside(c, a, other, off, turn)
    )


@njit(cache=True, nogil=True)
def _all_outside(a: Vector, b: Vector, other: Any, off: Vector, turn: int) -> bool:
    return (
        side(a, b, other[0], off) * turn < 0
        and side(a, b, other[1], off) * turn < 0
        and side(a, b, other[2], off) * turn < 0
    )


@njit(cache=True, nogil=True)
def _segments(
    positions_a: Floats,
    triangles_a: NDArray[np.int64],
    positions_b: Floats,
    triangles_b: NDArray[np.int64],
    pairs: NDArray[np.int64],
    out: Floats,
) -> None:
    points = np.empty((6, 3))
    for i in range(len(pairs)):
        f, g = pairs[i, 0], pairs[i, 1]
        used = _edge_points(positions_a, triangles_a, f, positions_b, triangles_b, g, points, 0)
        used = _edge_points(positions_b, triangles_b, g, positions_a, triangles_a, f, points, used)
        if used == 0:
            for x in range(3):
                middle = 0.0
                for k in range(3):
                    middle += positions_a[triangles_a[f, k], x] / 3.0
                out[i, 0, x], out[i, 1, x] = middle, middle
            continue
        first, second, farthest = 0, 0, 0.0
        for j in range(used):
            for k in range(j):
                way = minus(row(points, j), row(points, k))
                if dot(way, way) > farthest:
                    first, second, farthest = k, j, dot(way, way)
        out[i, 0], out[i, 1] = points[first], points[second]


@njit(cache=True, nogil=True)
def _edge_points(
    positions: Floats,
    triangles: NDArray[np.int64],
    f: int,
    positions_b: Floats,
    triangles_b: NDArray[np.int64],
    g: int,
    points: Floats,
    used: int,
) -> int:
    """Write where the edges of triangle f, that do not lie in its plane, meet triangle g."""
    a = row(positions_b, triangles_b[g, 0])
    b = row(positions_b, triangles_b[g, 1])
    c = row(positions_b, triangles_b[g, 2])
    normal = cross(minus(b, a), minus(c, a))
    for k in range(3):
        p = row(positions, triangles[f, k])
        q = row(positions, triangles[f, (k + 1) % 3])
        at_p, at_q = side(a, b, c, p), side(a, b, c, q)
        if not _edge_meets(p, q, at_p, at_q, (a, b, c)):
            continue
        here, there = abs(dot(normal, minus(p, a))), abs(dot(normal, minus(q, a)))
        share = 0.0 if at_p == 0 else 1.0
        if at_p * at_q < 0:
            share = here / (here + there) if here + there > 0.0 else 0.5
        for x in range(3):
            points[used, x] = p[x] + share * (q[x] - p[x])
        used += 1
    return used
