"""The nearest triangle that faces a wanted way.

Deep in an arm the nearest skin may be the far side's. Triangles are put into six trees by the axis
that they face, and a question goes to the tree of the axis that its own direction is nearest to.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.normals import triangle_normals

# A direction is at most 54.7 degrees from its nearest axis; triangles up to 75 degrees from the
# axis (this cosine) are in its tree, so all within 20 degrees of any direction are found.
_IN_TREE = 0.25


class FacingTrees:
    """Triangles to be asked for by place and facing; trees are made when first needed."""

    def __init__(self, positions: Floats, triangles: NDArray[np.int64], turn: float = 1.0) -> None:
        self.positions = np.ascontiguousarray(positions)
        self.triangles = triangles
        self.normals = turn * triangle_normals(positions, triangles.astype(np.int32))[0]
        self._trees: dict[int, tuple[Any, NDArray[np.int64], NDArray[np.int64]] | None] = {}

    def nearest(self, points: Floats, facing: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
        """Return (N,) triangle, (N, 3) its nearest point and (N,) the distance to it.

        Points without a facing, and where nothing faces so, have triangle -1 at no place.
        """
        triangle = np.full(len(points), -1, np.int64)
        foot, distance = np.zeros((len(points), 3)), np.full(len(points), np.inf)
        axis = np.abs(facing).argmax(axis=1)
        side = np.take_along_axis(facing, axis[:, None], axis=1)[:, 0]
        code = np.where(side == 0, -1, 2 * axis + (side > 0))
        for k in np.unique(code[code >= 0]).tolist():
            found = self._tree(k)
            if found is None:
                continue
            tree, chosen, corners = found
            rows = np.flatnonzero(code == k)
            squared, hit, near = tree.squared_distance(
                self.positions, corners, np.ascontiguousarray(points[rows])
            )
            triangle[rows], foot[rows] = chosen[hit], near
            distance[rows] = np.sqrt(squared)
        return triangle, foot, distance

    def _tree(self, code: int) -> tuple[Any, NDArray[np.int64], NDArray[np.int64]] | None:
        if code not in self._trees:
            import igl

            along = self.normals[:, code // 2] * (1 if code % 2 else -1)
            chosen = np.flatnonzero(along > _IN_TREE)
            corners = np.ascontiguousarray(self.triangles[chosen])
            tree = igl.AABB()
            if len(chosen):
                tree.init(self.positions, corners)
            self._trees[code] = (tree, chosen, corners) if len(chosen) else None
        return self._trees[code]
