"""The edges of triangles and polygons: one table, from which everything about edges is read.

A half-edge runs from one corner of a face to the next; an edge is all half-edges between the same
two ends. Ends are whatever numbers they are given by: vertices, welded positions, or numbers made
different for every part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Ints
from cagecheck.meshes.mesh import Mesh

Whole = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class EdgeTable:
    """E edges of H half-edges.

    Attributes
    ----------
    ends : (E, 2) int64, the smaller number first; edges ascend by them.
    edge : (H,) int64, the edge of every half-edge.
    order : (H,) int64, the half-edges edge by edge, ascending within each.
    start : (E + 1,) int64; edge e has the half-edges ``order[start[e]:start[e + 1]]``.
    """

    ends: Whole
    edge: Whole
    order: Whole
    start: Whole

    def __len__(self) -> int:
        return len(self.ends)

    @property
    def first(self) -> Whole:
        """(E,) the first half-edge of every edge."""
        return self.order[self.start[:-1]]

    @property
    def uses(self) -> Whole:
        """(E,) how many half-edges an edge has."""
        return np.diff(self.start)

    def neighbours(self) -> tuple[Whole, Whole, Whole]:
        """Return neighbouring half-edges of one edge: the edge, and both of them, (N,) each.

        An edge with more than two half-edges gives each neighbouring pair in its list.
        """
        edge = self.edge[self.order]
        same = np.flatnonzero(edge[1:] == edge[:-1])
        return edge[same], self.order[same], self.order[same + 1]


def edge_table(begin: NDArray[np.integer[Any]], end: NDArray[np.integer[Any]]) -> EdgeTable:
    """Collect the edges of half-edges from `begin` to `end`, (H,) numbers from 0."""
    begin, end = begin.astype(np.int64), end.astype(np.int64)
    low, high = np.minimum(begin, end), np.maximum(begin, end)
    key = low * (int(high.max(initial=0)) + 1) + high
    order = np.argsort(key, kind="stable")
    key = key[order]
    new = np.ones(len(key), bool)
    new[1:] = key[1:] != key[:-1]
    edge = np.empty(len(key), np.int64)
    edge[order] = np.cumsum(new) - 1
    start = np.concatenate([np.flatnonzero(new), [len(key)]])
    first = order[start[:-1]]
    return EdgeTable(np.stack([low[first], high[first]], axis=1), edge, order, start)


def triangle_edges(triangles: NDArray[np.integer[Any]]) -> EdgeTable:
    """Collect the edges of (T, 3) triangles; half-edge 3 t + k runs from corner k to k + 1 of t."""
    return edge_table(triangles.ravel(), np.roll(triangles, -1, axis=1).ravel())


def edge_pairs(triangles: Ints) -> tuple[Whole, Whole, Whole]:
    """Match the half-edges of triangles: the (N, 2) shared ends, and both half-edges of each."""
    table = triangle_edges(triangles)
    edge, left, right = table.neighbours()
    return table.ends[edge], left, right


def next_corner(half_edge: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the corner at which each half-edge of a triangle ends."""
    out: NDArray[np.int64] = 3 * (half_edge // 3) + (half_edge + 1) % 3
    return out


def next_corners(mesh: Mesh) -> Whole:
    """Return (C,) int64: the corner of its face that follows each corner."""
    following = np.arange(1, len(mesh.corner_vertex) + 1)
    filled = np.diff(mesh.face_start) > 0
    following[mesh.face_start[1:][filled] - 1] = mesh.face_start[:-1][filled]
    return following


def polygon_edges(mesh: Mesh) -> Ints:
    """Return (E, 2) int32 vertex pairs of the file's polygons, each edge once."""
    table = edge_table(mesh.corner_vertex, mesh.corner_vertex[next_corners(mesh)])
    return table.ends.astype(np.int32)
