"""Faces joined into sheets that can be turned to face one way, and which of them are turned.

Two faces that share an edge of no other face agree when they run along it opposite ways. A sheet
is all that such edges join; it is turned to one side by a colouring of its faces in two. Where a
sheet closes (every edge is passed as often one way as the other), the sign of its volume says
which side is out; where it is open, what its sides see; where neither tells, the larger part of
its area is taken as right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.types import Floats, Ints
from cagecheck.inspecting.edges import PolygonEdges
from cagecheck.meshes.lowpoly import LowPoly


@dataclass(frozen=True, eq=False)
class Sheets:
    """The sheets of a low poly.

    Attributes
    ----------
    of_face : (F,) int32, the sheet of every face.
    turn : (F,) int8, +1 or -1: the faces of a sheet face one way once those of -1 are flipped.
        All +1 where a sheet has only one side (a Moebius band).
    closed : (S,) bool, turned so, every edge is passed as often one way as the other.
    two_sided : (S,) bool, False for a Moebius band and the like.
    """

    of_face: Ints
    turn: NDArray[np.int8]
    closed: NDArray[np.bool_]
    two_sided: NDArray[np.bool_]

    @property
    def count(self) -> int:
        """Number of sheets."""
        return len(self.closed)


def find_sheets(low: LowPoly, edges: PolygonEdges) -> Sheets:
    """Join the faces of a low poly into sheets and turn each to one side."""
    faces = low.mesh.face_count
    half = np.flatnonzero(edges.edge >= 0)
    face, edge = low.mesh.corner_face[half].astype(np.int64), edges.edge[half]
    order = np.argsort(edge, kind="stable")
    start = np.concatenate([[0], np.cumsum(edges.uses)])[:-1][edges.uses == 2]
    a, b = face[order[start]], face[order[start + 1]]
    against = (edges.balance[edges.uses == 2] != 0).astype(np.int64)
    # Node 2 f is face f as it is, node 2 f + 1 the same face flipped.
    left = np.concatenate([2 * a, 2 * a + 1])
    right = np.concatenate([2 * b + against, 2 * b + 1 - against])
    graph = coo_array((np.ones(len(left), np.int8), (left, right)), shape=(2 * faces,) * 2)
    label = connected_components(graph, directed=False)[1].reshape(-1, 2).astype(np.int64)
    # The two labels of a face are its sheet seen from either side.
    _, first, sheet = np.unique(label.min(axis=1), return_index=True, return_inverse=True)
    two_sided = label[first, 0] != label[first, 1]
    same = label[:, 0] == label[first[sheet], 0]
    turn = np.where(same | ~two_sided[sheet], 1, -1).astype(np.int8)
    way = np.where(edges.corner_site[half] < edges.next_site[half], 1, -1) * turn[face]
    key, number = np.unique(sheet[face] * (len(edges.uses) + 1) + edge, return_inverse=True)
    rest = np.bincount(number, way, minlength=len(key))
    unpaired = key[rest != 0] // (len(edges.uses) + 1)
    closed = np.bincount(unpaired, minlength=len(first)) == 0
    return Sheets(sheet.astype(np.int32), turn, closed & two_sided, two_sided)


def lesser_side(sheets: Sheets, area: Floats) -> NDArray[np.int8]:
    """Return (S,) the turn, +1 or -1, that the smaller part of each sheet's area (F,) has."""
    total = np.bincount(sheets.of_face, sheets.turn * area, minlength=sheets.count)
    return np.where(total < 0, 1, -1).astype(np.int8)
