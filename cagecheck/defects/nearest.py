"""The nearest place on the low poly, among the parts that a high part may be baked onto."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import igl
import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.lowpoly import LowPoly


@dataclass(frozen=True, eq=False)
class _Tree:
    """A tree of boxes over some triangles: their numbers, and the mesh of them alone."""

    triangle: NDArray[np.int64]
    positions: Floats
    faces: NDArray[np.int64]
    boxes: Any


@dataclass(eq=False)
class NearestPaired:
    """Trees over the parts of a low poly, each made when it is first asked for.

    paired : (low parts, high parts) bool. High parts that serve the same low parts share a tree.
    """

    low: LowPoly
    paired: NDArray[np.bool_]
    _group: NDArray[np.intp] = field(init=False)
    _columns: NDArray[np.bool_] = field(init=False)
    _triangles: list[NDArray[np.int64]] = field(init=False)
    _trees: dict[int, _Tree | None] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        """Group the high parts by the low parts that they serve."""
        low = self.low
        self._columns, group = np.unique(self.paired.T, axis=0, return_inverse=True)
        self._group = group.ravel()
        label = np.where(low.area > 0, low.triangle_part, -1)
        self._triangles = rows_by_label(label, len(self.paired))

    def find(self, points: Floats, high_part: Ints) -> tuple[Ints, Floats, Floats]:
        """Find the nearest place on the low-poly parts paired with each point's high part.

        Parameters
        ----------
        points : (N, 3) world. high_part : (N,) the part each point is of.

        Returns
        -------
        triangle : (N,) int32, -1 where no triangle with area is paired.
        place : (N, 3) world, NaN there.
        distance : (N,) world units, infinity there.
        """
        triangle = np.full(len(points), -1, np.int32)
        place, distance = np.full((len(points), 3), np.nan), np.full(len(points), np.inf)
        rows_of = rows_by_label(self._group[high_part], len(self._columns))
        for group, rows in enumerate(rows_of):
            tree = self._tree(group) if len(rows) else None
            if tree is None:
                continue
            squared, index, where = tree.boxes.squared_distance(
                tree.positions, tree.faces, np.ascontiguousarray(points[rows])
            )
            triangle[rows], place[rows] = tree.triangle[index], where
            distance[rows] = np.sqrt(squared)
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
    used, local = np.unique(low.triangles[chosen], return_inverse=True)
    positions = np.ascontiguousarray(low.positions[used])
    faces = local.reshape(-1, 3).astype(np.int64)
    boxes = igl.AABB()
    boxes.init(positions, faces)
    return _Tree(chosen, positions, faces, boxes)
