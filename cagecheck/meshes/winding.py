"""How often a closed surface winds round points: exactly, by counting along lines.

A line from the point leaves the surface through a front (+1) or enters it through one (-1); of a
closed surface the sum is its winding number, along whichever line (Jacobson, Kavan,
Sorkine-Hornung, "Robust Inside-Outside Segmentation using Generalized Winding Numbers", ACM
Transactions on Graphics 32(4), 2013). All lines run along one axis. Seen along it, a point is in a
triangle by the crossings of its edges, each of which takes in its lower end but not its upper one
and, where the point lies on it, counts for neither neighbour (the winding rule of polygons: Hormann
and Agathos, "The point in polygon problem for arbitrary polygons", Computational Geometry 20(3),
2001). So no line has to be turned, whatever corners and edges it meets. Signs are those of
`cagecheck.meshes.orientation`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.arrays.vectors import Vector, row
from cagecheck.loops import njit
from cagecheck.meshes.box_tree import LEAF, STACK, BoxTree
from cagecheck.meshes.orientation import side

# A difference of two rounded products of rounded differences is right in sign beyond this share of
# their sum: Shewchuk's bound for orient2d (see `cagecheck.meshes.orientation`), (3 + 16 e) e with e
# half a unit in the last place, rounded up.
_ROUNDING = 4 * float(np.finfo(np.float64).eps) / 2


def winding_numbers(
    points: Floats, positions: Floats, triangles: NDArray[np.int64], tree: BoxTree
) -> NDArray[np.int64]:
    """Return (N,) how often a closed surface winds round points (N, 3).

    positions : (V, 3) float64, triangles : (T, 3) whose edges are each passed as often one way as
    the other, by position; tree : that of their boxes. A point on the surface is before or behind
    it, as rounding has it.
    """
    out = np.zeros(len(points), np.int64)
    extent = tree.node[1, 3:] - tree.node[1, :3]
    along = int(extent.argmin())  # the fewest boxes lie one behind the other
    _count(
        np.ascontiguousarray(points, np.float64),
        positions, triangles, tree.order, tree.box, tree.node, along, out,
    )  # fmt: skip
    return out


@njit(cache=True, nogil=True)
def _count(
    points: Floats,
    positions: Floats,
    triangles: NDArray[np.int64],
    order: NDArray[np.int64],
    box: Floats,
    node: Floats,
    along: int,
    out: NDArray[np.int64],
) -> None:
    u, v = (along + 1) % 3, (along + 2) % 3
    leaves = len(node) // 2
    stack = np.empty(STACK, np.int64)
    for i in range(len(points)):
        p = row(points, i)
        stack[0] = 1
        height = 1
        while height > 0:
            height -= 1
            k = stack[height]
            if not _above(node, k, points, i, u, v, along):
                continue
            if k < leaves:
                stack[height], stack[height + 1] = 2 * k, 2 * k + 1
                height += 2
                continue
            first = (k - leaves) * LEAF
            for j in range(first, min(first + LEAF, len(box))):
                if _above(box, j, points, i, u, v, along):
                    t = order[j]
                    a, b, c = (
                        row(positions, triangles[t, 0]),
                        row(positions, triangles[t, 1]),
                        row(positions, triangles[t, 2]),
                    )
                    turns = (
                        _crossed(a, b, p, u, v) + _crossed(b, c, p, u, v) + _crossed(c, a, p, u, v)
                    )
                    if turns != 0 and side(a, b, c, p) == turns:
                        out[i] += turns


@njit(cache=True, nogil=True)
def _above(box: Floats, k: int, points: Floats, i: int, u: int, v: int, along: int) -> bool:
    """Does the line from point i pass through box k?"""
    x, y = points[i, u], points[i, v]
    inside = (box[k, u] <= x) & (x <= box[k, u + 3]) & (box[k, v] <= y) & (y <= box[k, v + 3])
    return inside & (points[i, along] <= box[k, along + 3])


@njit(cache=True, nogil=True)
def _crossed(s: Vector, t: Vector, p: Vector, u: int, v: int) -> int:
    """Return 1 or -1 where the edge from s to t passes p upwards on its right or downwards."""
    if (s[v] <= p[v]) == (t[v] <= p[v]):
        return 0
    upwards = s[v] <= p[v]
    left = (s[u] - p[u]) * (t[v] - p[v]), (s[v] - p[v]) * (t[u] - p[u])
    value = left[0] - left[1]
    if abs(value) <= _ROUNDING * (abs(left[0]) + abs(left[1])):
        # A triangle that stands on edge along the axis, by its exact sign.
        value = -float(
            side((s[u], s[v], 0.0), (t[u], t[v], 0.0), (p[u], p[v], 0.0), (p[u], p[v], 1.0))
        )
    if upwards:
        return 1 if value > 0.0 else 0
    return -1 if value < 0.0 else 0
