"""A part of a mesh as a solid: how deep points lie in it, and which triangles meet another's.

Distances come from libigl's bounding-volume tree, inside and outside from the winding number
(`cagecheck.meshes.winding`) and meeting triangles from `cagecheck.meshes.meeting`, both exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import igl
import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.box_tree import BoxTree
from cagecheck.meshes.edges import EdgeTable, triangle_edges
from cagecheck.meshes.meeting import meeting_pairs, meeting_segments, triangle_tree
from cagecheck.meshes.normals import equal_positions
from cagecheck.meshes.winding import winding_numbers


@dataclass(frozen=True, eq=False)
class Solid:
    """One part, ready for queries.

    Attributes
    ----------
    positions : (V, 3) float64, in a frame of size 1 about the origin (see `clash.split_parts`).
    triangles : (T, 3) int64, index into `positions`.
    source : where the part is from: mesh number, part number and (T,) the mesh's own faces.
    """

    positions: Floats
    triangles: NDArray[np.int64]
    mesh: int
    part: int
    face: Ints
    name: str

    @cached_property
    def welded(self) -> NDArray[np.int64]:
        """(T, 3) triangles by position: equal positions have one number."""
        return equal_positions(self.positions)[self.triangles]

    @cached_property
    def edges(self) -> EdgeTable:
        """The edges of the welded triangles."""
        return triangle_edges(self.welded)

    @cached_property
    def is_closed(self) -> bool:
        """Whether every edge is passed as often one way as the other (no border, one outside)."""
        table = self.edges
        way = np.sign(np.roll(self.welded, -1, axis=1) - self.welded).ravel()
        return len(table) > 0 and not np.bincount(table.edge, way, minlength=len(table)).any()

    @cached_property
    def box(self) -> tuple[Floats, Floats]:
        """Lower and upper corner of the bounding box."""
        used = np.zeros(len(self.positions), bool)
        used[self.triangles] = True
        places = self.positions[used]
        return places.min(axis=0), places.max(axis=0)

    @cached_property
    def _tree(self) -> Any:
        tree = igl.AABB()
        tree.init(self.positions, self.triangles)
        return tree

    @cached_property
    def boxes(self) -> BoxTree:
        """The tree of the triangles' boxes."""
        return triangle_tree(self.positions, self.triangles)

    def distance(self, points: Floats) -> tuple[Floats, NDArray[np.int64]]:
        """Return (N,) unsigned distances to the surface and the (N,) nearest triangles."""
        return self.nearest(points)[:2]

    def nearest(self, points: Floats) -> tuple[Floats, NDArray[np.int64], Floats]:
        """Return (N,) distances, (N,) nearest triangles and (N, 3) the points nearest on them."""
        if len(points) == 0:
            return np.zeros(0), np.zeros(0, np.int64), np.zeros((0, 3))
        points = np.ascontiguousarray(points)
        squared, triangle, place = self._tree.squared_distance(
            self.positions, self.triangles, points
        )
        return np.sqrt(squared), triangle, np.asarray(place)

    def contains(self, points: Floats) -> NDArray[np.bool_]:
        """Return (N,): do points lie inside? Only meaningful for a closed part, see `depth`."""
        low, high = self.box
        inside = np.all((points >= low) & (points <= high), axis=1)
        near = np.flatnonzero(inside)
        if len(near):
            turns = winding_numbers(points[near], self.positions, self.triangles, self.boxes)
            inside[near] = turns != 0
        return np.asarray(inside)

    def depth(
        self, points: Floats, sides: NDArray[np.int8] | None = None
    ) -> tuple[Floats, NDArray[np.int64]]:
        """Return (N,) distances to the surface, positive inside, and the nearest triangles.

        Only meaningful for a closed part, turned outwards or inwards as a whole. Where it is known
        already, `sides` (N,) says 1 for inside and 0 for outside, -1 elsewhere: finding out takes
        longer than all the rest.
        """
        distance, triangle = self.distance(points)
        inside = np.zeros(len(points), bool) if sides is None else sides == 1
        asked = np.arange(len(points)) if sides is None else np.flatnonzero(sides < 0)
        inside[asked] = self.contains(points[asked])
        return np.where(inside, distance, -distance), triangle


def meeting_triangles(one: Solid, other: Solid) -> NDArray[np.int64]:
    """Return the (P, 2) pairs of triangles of two parts that meet, sorted; touching counts."""
    sides = ((solid.positions, solid.triangles, solid.boxes) for solid in (one, other))
    return meeting_pairs(*sides)


def straddling(
    one: Solid, other: Solid, pairs: NDArray[np.int64], margin: float
) -> NDArray[np.bool_]:
    """Return (P,): does each triangle reach beyond both sides of the other's plane, by a margin?

    Triangles that only touch, or meet along an edge as neighbours do, do not.
    """
    a = one.positions[one.triangles[pairs[:, 0]]]
    b = other.positions[other.triangles[pairs[:, 1]]]
    return _reaches_both(a, b, margin) & _reaches_both(b, a, margin)


def _reaches_both(points: Floats, plane: Floats, margin: float) -> NDArray[np.bool_]:
    normal = np.cross(plane[:, 1] - plane[:, 0], plane[:, 2] - plane[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    unit = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    height = np.einsum("ijk,ik->ij", points - plane[:, :1], unit)
    return np.asarray((height.min(axis=1) < -margin) & (height.max(axis=1) > margin))


def crossing_segments(one: Solid, other: Solid, pairs: NDArray[np.int64]) -> Floats:
    """Return (P, 2, 3): the segment in which each pair of triangles crosses.

    Pairs that lie in one plane, or only touch in a point, have a segment without length.
    """
    return meeting_segments(
        (one.positions, one.triangles), (other.positions, other.triangles), pairs
    )
