"""Surfaces that pass through each other along edges, or where they lie in one another.

Where triangles pierce each other plainly, two triangles tell a crossing. Where an edge of one part
lies in the other's surface they do not: each triangle at that edge only touches. What tells then is
the section across the line of contact. There both surfaces are rays from one point; the other
part's two rays part the plane around it into a front and a back, and a part passes through when it
leaves the contact into both. A ray that runs along one of the other's leaves nowhere; there the
parts lie in one another, and the contact goes on to the next line, until it ends on lines where one
leaves the other. So a contact is a line or an area, and it is a crossing when the part leaves it to
the front somewhere and to the back somewhere else. Nothing is left where either ends in a border:
a sheet that stands on another, or a seam, touches and does not cross.

All is decided within a margin: nearer is in one another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.components import connected
from cagecheck.arrays.rows import same_rows
from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import Vector, cross, dot, minus, moved, row, scaled, unit
from cagecheck.chores.clash.solids import Solid
from cagecheck.loops import njit
from cagecheck.meshes.edges import EdgeTable

# A line of contact is longer than this many margins: a steep edge passes through the margin on a
# shorter way.
_SHORTEST = 4.0
# Bits of what a contact is left to.
_FRONT, _BACK = 1, 2
_BOTH = _FRONT | _BACK
# Faces at one edge that are looked at; more than two are no surface.
_MOST_RAYS = 8

Whole = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Contacts:
    """Lines along which two parts touch.

    Attributes
    ----------
    pairs : (P, 2) int64, triangles of either part that touch along a line, sorted.
    crosses : (P,) bool, those of contacts that are crossings.
    line : (L, 2, 3) float64, where crossings pass: the ends of lines that add up to their length.
    line_pair : (L,) int64, a pair of each line.
    joined : (K, 2) int64, pairs of one crossing: chains of those that belong together.
    """

    pairs: Whole
    crosses: NDArray[np.bool_]
    line: Floats
    line_pair: Whole
    joined: Whole


def find_contacts(one: Solid, other: Solid, near: Whole, plain: Whole, margin: float) -> Contacts:
    """Find the lines of contact among (N, 2) triangles that are near each other.

    plain : (Q, 2) those that pierce each other beyond the margin, whose length is known already.
    """
    edge_one, edge_other = one.edges, other.edges
    site, ends = _sites(
        one.positions, one.triangles, edge_one.edge,
        other.positions, other.triangles, edge_other.edge, near, margin,
    )  # fmt: skip
    if len(site) == 0:
        none = np.zeros((0, 2), np.int64)
        return Contacts(none, np.zeros(0, bool), ends, np.zeros(0, np.int64), none)
    # The same line is found from all triangles at its edges.
    _, first = np.unique(site, axis=0, return_index=True)
    site, ends = site[first], ends[first]
    links = _leave(
        site, ends, one.positions, one.triangles, edge_one.order, edge_one.start,
        other.positions, other.triangles, edge_other.order, edge_other.start,
        facing(other.welded, edge_other), margin,
    )  # fmt: skip
    return _assemble(len(site), ends, links, plain)


def _assemble(sites: int, ends: Floats, links: Whole, plain: Whole) -> Contacts:
    """Join lines by what lies in one another, and keep what is left to both sides."""
    pairs, pair = np.unique(links[:, 1:3], axis=0, return_inverse=True)
    pair = pair.ravel()
    at, leaves = links[:, 0], links[:, 3]
    joined = leaves == 0
    label = connected(sites + len(pairs), at[joined], sites + pair[joined])[1]
    bits = np.zeros(sites, np.int64)
    np.bitwise_or.at(bits, at, leaves)
    whole = np.zeros(len(label), np.int64)
    np.bitwise_or.at(whole, label[:sites], bits)
    through = whole[label[:sites]] == _BOTH
    crosses = np.zeros(len(pairs), bool)
    crosses[pair[through[at]]] = True
    # The crossing passes somewhere through an area: its length is that of the shorter side.
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    front, back = (
        np.bincount(label[:sites], length * (bits == bit), minlength=len(label))
        for bit in (_FRONT, _BACK)
    )
    shorter = np.where(front <= back, _FRONT, _BACK)[label[:sites]]
    known = np.zeros(sites, bool)
    known[at[same_rows(links[:, 1:3], plain)]] = True
    counted = np.flatnonzero(through & ((bits == _BOTH) | (bits == shorter)) & ~known)
    leaving = np.flatnonzero(leaves > 0)
    some = np.zeros(sites, np.int64)
    some[at[leaving]] = pair[leaving]
    chain = np.unique(np.stack([label[at], pair], axis=1)[through[at]], axis=0)
    goes_on = chain[1:, 0] == chain[:-1, 0]
    joined_pairs = np.stack([chain[:-1, 1], chain[1:, 1]], axis=1)[goes_on]
    return Contacts(pairs, crosses, ends[counted], some[counted], joined_pairs)


def facing(triangles: Whole, edges: EdgeTable) -> NDArray[np.int8]:
    """Return (T,) 1 or -1 so that neighbours over edges of two face the same way, where they can.

    triangles : (T, 3) welded.
    """
    following = np.roll(triangles, -1, axis=1).ravel()
    forward = triangles.ravel() < following
    out = np.zeros(len(triangles), np.int8)
    _face_alike(forward, edges.edge, edges.order, edges.start, out)
    return out


@njit(cache=True, nogil=True)
def _face_alike(
    forward: NDArray[np.bool_], edge: Whole, order: Whole, start: Whole, out: NDArray[np.int8]
) -> None:
    stack = np.empty(len(out), np.int64)
    for first in range(len(out)):
        if out[first] != 0:
            continue
        out[first] = 1
        stack[0] = first
        height = 1
        while height > 0:
            height -= 1
            t = stack[height]
            for h in range(3 * t, 3 * t + 3):
                e = edge[h]
                if start[e + 1] - start[e] != 2:
                    continue
                g = order[start[e]] + order[start[e] + 1] - h
                if out[g // 3] == 0:
                    out[g // 3] = -out[t] if forward[g] == forward[h] else out[t]
                    stack[height] = g // 3
                    height += 1


@njit(cache=True, nogil=True)
def _sites(
    points_a: Floats,
    faces_a: Whole,
    edge_a: Whole,
    points_b: Floats,
    faces_b: Whole,
    edge_b: Whole,
    near: Whole,
    margin: float,
) -> Any:
    """Find lines along which an edge lies in a triangle or along an edge of the other part.

    Returns (S, 4): edge or -1 and triangle or -1 of one part, the same of the other; (S, 2, 3).
    """
    site = np.empty((64, 4), np.int64)
    ends = np.empty((64, 2, 3))
    used = 0
    along_a = np.empty(3, np.bool_)
    along_b = np.empty(3, np.bool_)
    for i in range(len(near)):
        t, u = near[i, 0], near[i, 1]
        if used + 15 > len(site):
            site = np.concatenate((site, np.empty_like(site)))
            ends = np.concatenate((ends, np.empty_like(ends)))
        along_a[:], along_b[:] = False, False
        for j in range(3):
            p, q = row(points_a, faces_a[t, j]), row(points_a, faces_a[t, (j + 1) % 3])
            for k in range(3):
                a, b = row(points_b, faces_b[u, k]), row(points_b, faces_b[u, (k + 1) % 3])
                low, high = _along(p, q, a, b, margin)
                if low < high:
                    along_a[j], along_b[k] = True, True
                    site[used, 0], site[used, 1] = edge_a[3 * t + j], -1
                    site[used, 2], site[used, 3] = edge_b[3 * u + k], -1
                    _store(ends, used, p, q, low, high)
                    used += 1
        for j in range(3):
            if not along_a[j]:
                p, q = row(points_a, faces_a[t, j]), row(points_a, faces_a[t, (j + 1) % 3])
                low, high = _within(p, q, points_b, faces_b, u, margin)
                if low < high:
                    site[used, 0], site[used, 1] = edge_a[3 * t + j], -1
                    site[used, 2], site[used, 3] = -1, u
                    _store(ends, used, p, q, low, high)
                    used += 1
            if not along_b[j]:
                a, b = row(points_b, faces_b[u, j]), row(points_b, faces_b[u, (j + 1) % 3])
                low, high = _within(a, b, points_a, faces_a, t, margin)
                if low < high:
                    site[used, 0], site[used, 1] = -1, t
                    site[used, 2], site[used, 3] = edge_b[3 * u + j], -1
                    _store(ends, used, a, b, low, high)
                    used += 1
    return site[:used].copy(), ends[:used].copy()


@njit(cache=True, nogil=True)
def _store(ends: Floats, i: int, p: Vector, q: Vector, low: float, high: float) -> None:
    way = minus(q, p)
    begin, end = moved(p, low, way), moved(p, high, way)
    for x in range(3):
        ends[i, 0, x], ends[i, 1, x] = begin[x], end[x]


@njit(cache=True, nogil=True)
def _along(p: Vector, q: Vector, a: Vector, b: Vector, margin: float) -> Any:
    """Return the shares between which p q runs along a b within the margin; 1, 0 for nowhere."""
    way = minus(q, p)
    length = np.sqrt(dot(way, way))
    if length <= _SHORTEST * margin:
        return 1.0, 0.0
    d = scaled(way, 1.0 / length)
    sa, sb = dot(minus(a, p), d), dot(minus(b, p), d)
    low, high = max(min(sa, sb), 0.0), min(max(sa, sb), length)
    if high - low <= _SHORTEST * margin:
        return 1.0, 0.0
    for s in (low, high):
        here = moved(p, s, d)
        there = moved(a, (s - sa) / (sb - sa), minus(b, a))
        apart = minus(here, there)
        if dot(apart, apart) > margin * margin:
            return 1.0, 0.0
    return low / length, high / length


@njit(cache=True, nogil=True)
def _within(p: Vector, q: Vector, points: Floats, faces: Whole, u: int, margin: float) -> Any:
    """Return the shares between which p q lies over a triangle, if within the margin of it."""
    a, b, c = row(points, faces[u, 0]), row(points, faces[u, 1]), row(points, faces[u, 2])
    normal = unit(cross(minus(b, a), minus(c, a)))
    way = minus(q, p)
    length = np.sqrt(dot(way, way))
    if dot(normal, normal) == 0.0 or length <= _SHORTEST * margin:
        return 1.0, 0.0
    at_p, at_q = dot(normal, minus(p, a)), dot(normal, minus(q, a))
    # Both ends farther off on one side, as nearly always.
    if min(at_p, at_q) > margin or max(at_p, at_q) < -margin:
        return 1.0, 0.0
    low, high = 0.0, 1.0
    for k in range(3):
        begin = a if k == 0 else (b if k == 1 else c)
        end = b if k == 0 else (c if k == 1 else a)
        inwards = cross(normal, minus(end, begin))
        from_p, from_q = dot(inwards, minus(p, begin)), dot(inwards, minus(q, begin))
        if from_p < 0.0 and from_q < 0.0:
            return 1.0, 0.0
        if from_p < 0.0:
            low = max(low, from_p / (from_p - from_q))
        elif from_q < 0.0:
            high = min(high, from_p / (from_p - from_q))
    if (high - low) * length <= _SHORTEST * margin:
        return 1.0, 0.0
    if max(abs(at_p + low * (at_q - at_p)), abs(at_p + high * (at_q - at_p))) > margin:
        return 1.0, 0.0
    return low, high


@njit(cache=True, nogil=True)
def _leave(
    site: Whole,
    ends: Floats,
    points_a: Floats,
    faces_a: Whole,
    order_a: Whole,
    start_a: Whole,
    points_b: Floats,
    faces_b: Whole,
    order_b: Whole,
    start_b: Whole,
    facing_b: NDArray[np.int8],
    margin: float,
) -> Any:
    """Return (L, 4): line, triangle of one, of the other, and where the one is left to there.

    0 where both triangles lie in one another; front, back or nothing (-1 is not written) else.
    """
    out = np.empty((64, 4), np.int64)
    used = 0
    ray_a, ray_b = np.empty((_MOST_RAYS, 3)), np.empty((_MOST_RAYS, 3))
    own_a, own_b = np.empty(_MOST_RAYS, np.int64), np.empty(_MOST_RAYS, np.int64)
    for i in range(len(site)):
        begin, end = row(ends[i], 0), row(ends[i], 1)
        d = unit(minus(end, begin))
        middle = moved(begin, 0.5, minus(end, begin))
        from_a, count_a = _rays(site[i, 0], site[i, 1], middle, d, points_a, faces_a, order_a,
                                start_a, ray_a, own_a)  # fmt: skip
        from_b, count_b = _rays(site[i, 2], site[i, 3], middle, d, points_b, faces_b, order_b,
                                start_b, ray_b, own_b)  # fmt: skip
        if used + _MOST_RAYS * _MOST_RAYS > len(out):
            out = np.concatenate((out, np.empty_like(out)))
        u = own_b[0]
        a, b, c = (row(points_b, faces_b[u, 0]), row(points_b, faces_b[u, 1]),
                   row(points_b, faces_b[u, 2]))  # fmt: skip
        front = scaled(unit(cross(minus(b, a), minus(c, a))), float(facing_b[u]))
        x = unit(minus(row(ray_b, 0), from_b))
        y = cross(d, x)
        if dot(y, front) < 0.0:
            y = scaled(y, -1.0)
        second = _turn(minus(row(ray_b, 1), from_b), x, y) if count_b == 2 else 0.0
        for j in range(count_a):
            v = row(ray_a, j)
            is_in = False
            for k in range(count_b):
                if _run_together(from_a, v, from_b, row(ray_b, k), margin):
                    is_in = True
                    out[used, 0], out[used, 1], out[used, 2] = i, own_a[j], own_b[k]
                    out[used, 3] = 0
                    used += 1
            # Beside a border of the other, or at more than two faces, there is no front and back.
            if is_in or count_b != 2:
                continue
            side = _FRONT if _turn(minus(v, from_a), x, y) < second else _BACK
            for k in range(count_b):
                out[used, 0], out[used, 1], out[used, 2] = i, own_a[j], own_b[k]
                out[used, 3] = side
                used += 1
    return out[:used].copy()


@njit(cache=True, nogil=True)
def _rays(
    edge: int,
    triangle: int,
    middle: Vector,
    d: Vector,
    points: Floats,
    faces: Whole,
    order: Whole,
    start: Whole,
    ray: Floats,
    own: Whole,
) -> Any:
    """Write how far each face at a line reaches across it: ends of rays, seen from the middle.

    Returns where the rays begin, and how many there are. Faces are looked at along their own line,
    which may be off the direction d by the margin.
    """
    count = 0
    if edge >= 0:
        t, k = order[start[edge]] // 3, order[start[edge]] % 3
        p, q = row(points, faces[t, k]), row(points, faces[t, (k + 1) % 3])
        g = minus(q, p)
        origin = _across(p, middle, d, g)
        for j in range(start[edge], min(start[edge + 1], start[edge] + _MOST_RAYS)):
            t = order[j] // 3
            v = _across(row(points, faces[t, (order[j] + 2) % 3]), middle, d, g)
            ray[count, 0], ray[count, 1], ray[count, 2] = v
            own[count] = t
            count += 1
        return origin, count
    a = row(points, faces[triangle, 0])
    b = row(points, faces[triangle, 1])
    c = row(points, faces[triangle, 2])
    normal = unit(cross(minus(b, a), minus(c, a)))
    g = moved(d, -dot(d, normal), normal)
    aside = cross(normal, d)
    va, vb, vc = (_across(a, middle, d, g), _across(b, middle, d, g),
                  _across(c, middle, d, g))  # fmt: skip
    for sign in (1.0, -1.0):
        best = va
        if sign * dot(vb, aside) > sign * dot(best, aside):
            best = vb
        if sign * dot(vc, aside) > sign * dot(best, aside):
            best = vc
        ray[count, 0], ray[count, 1], ray[count, 2] = best
        own[count] = triangle
        count += 1
    return scaled(normal, dot(minus(a, middle), normal)), count


@njit(cache=True, nogil=True)
def _across(point: Vector, middle: Vector, d: Vector, g: Vector) -> Vector:
    """Return a point, seen from the middle, moved along g into the plane across d."""
    way = minus(point, middle)
    return moved(way, -dot(way, d) / dot(g, d), g)


@njit(cache=True, nogil=True)
def _run_together(a: Vector, v: Vector, b: Vector, w: Vector, margin: float) -> bool:
    """Say whether the shorter of two rays, a to v and b to w, ends at the other."""
    one, other = minus(v, a), minus(w, b)
    if dot(one, one) > dot(other, other):
        a, v, b = b, w, a
        one, other = other, one
    if dot(one, one) <= margin * margin:
        return True
    if dot(one, other) <= 0.0:
        return False
    way = minus(v, b)
    along = dot(way, other)
    return dot(way, way) - along * along / dot(other, other) <= margin * margin


@njit(cache=True, nogil=True)
def _turn(v: Vector, x: Vector, y: Vector) -> float:
    """Return the angle of a ray from x over y, 0 to 2 pi."""
    turn = np.arctan2(dot(v, y), dot(v, x))
    return turn if turn >= 0.0 else turn + 2.0 * np.pi
