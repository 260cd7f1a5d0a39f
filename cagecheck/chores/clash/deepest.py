"""How deep triangles reach into a solid, found to within a stated tolerance.

Two bounds hold for every point of a triangle. The signed distance changes by at most the distance
moved, so the point lies no deeper than the triangle's centre plus the centre's distance to the
farthest corner. And it lies no deeper than its distance to any one triangle of the solid, which is
a convex function and so largest at a corner. Triangles that cannot beat the deepest point known
are dropped, the others are cut in four (branch and bound, as in Lipschitz optimisation: Shubert,
SIAM J. Numer. Anal. 9(3), 1972).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from trimesh.triangles import closest_point

from cagecheck.arrays.rows import distinct_points
from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.solids import Solid

# Depths are right to this share of themselves, and as a rule far better: the rest of the work
# only proves it.
RELATIVE_TOLERANCE = 0.01
# Nor need they be better than this share of the scene (parts are in a frame of size 1).
FINEST = 1e-4
# Halving a triangle this often reaches the last bits of float32 coordinates.
_MOST_CUTS = 24
_MOST_PIECES = 400_000


@dataclass(frozen=True, eq=False)
class Deepest:
    """The deepest point of each group of triangles: depth (G,), point (G, 3), the triangle (G,)
    it lies on and the solid's nearest triangle (G,). `tolerance` (G,) is how much deeper a point
    may be that was not looked at. Groups outside the solid have depth 0 and triangle -1.
    """

    depth: Floats
    point: Floats
    triangle: NDArray[np.int64]
    nearest: NDArray[np.int64]
    tolerance: Floats


def deepest_points(
    corners: Floats,
    group: NDArray[np.int64],
    groups: int,
    solid: Solid,
    least: float,
    sides: NDArray[np.int8],
) -> Deepest:
    """Find the deepest point of (T, 3, 3) triangles in a closed solid, for every group.

    Depths that differ by less than `least` need not be told apart. sides : (T,) on which side of
    the solid's surface each triangle lies as a whole, see `Solid.depth`.
    """
    least = max(least, FINEST)
    state = _State(groups, sides)
    owner = np.arange(len(corners))
    points = corners.reshape(-1, 3)
    state.improve(points, np.repeat(group, 3), np.repeat(owner, 3), solid)
    for _ in range(_MOST_CUTS):
        centre = corners.mean(axis=1)
        radius = _lengths(corners - centre[:, None])
        depth, nearest = state.improve(centre, group, owner, solid)
        reach = np.minimum(depth + radius, _farthest_corner(corners, solid, nearest))
        target = state.depth[group] + np.maximum(RELATIVE_TOLERANCE * state.depth[group], least)
        keep = reach > target
        np.maximum.at(state.dropped, group[~keep], reach[~keep])
        if not keep.any() or 4 * int(keep.sum()) > _MOST_PIECES:
            np.maximum.at(state.dropped, group[keep], reach[keep])
            break
        corners, group, owner = in_four(corners[keep]), np.repeat(group[keep], 4), owner[keep]
        owner = np.repeat(owner, 4)
        # The new corners are middles of edges; each is looked at once per piece that has it.
        middles = corners.reshape(-1, 4, 3, 3)[:, 3].reshape(-1, 3)
        state.improve(middles, np.repeat(group[::4], 3), np.repeat(owner[::4], 3), solid)
    else:
        np.maximum.at(state.dropped, group, reach[keep].repeat(4))
    tolerance = np.maximum(state.dropped - state.depth, 0.0)
    return Deepest(state.depth, state.point, state.triangle, state.nearest, tolerance)


class _State:
    """The best of every group so far."""

    def __init__(self, groups: int, sides: NDArray[np.int8]) -> None:
        self.sides = sides
        self.depth = np.zeros(groups)
        self.point = np.zeros((groups, 3))
        self.triangle = np.full(groups, -1, np.int64)
        self.nearest = np.full(groups, -1, np.int64)
        self.dropped = np.zeros(groups)

    def improve(
        self, points: Floats, group: NDArray[np.int64], owner: NDArray[np.int64], solid: Solid
    ) -> tuple[Floats, NDArray[np.int64]]:
        """Look at points; return their depths and the solid's nearest triangles."""
        first, number = distinct_points(points)  # pieces that meet there share most places
        sides = np.full(len(first), -1, np.int8)
        np.maximum.at(sides, number, self.sides[owner])
        at_place, nearest_there = solid.depth(points[first], sides)
        depth, nearest = at_place[number], nearest_there[number]
        order = np.lexsort((-depth, group))
        first = order[np.unique(group[order], return_index=True)[1]]
        better = first[depth[first] > self.depth[group[first]]]
        g = group[better]
        self.depth[g], self.point[g] = depth[better], points[better]
        self.triangle[g], self.nearest[g] = owner[better], nearest[better]
        return depth, nearest


def _farthest_corner(corners: Floats, solid: Solid, triangle: NDArray[np.int64]) -> Floats:
    """Return (T,) the largest distance of three corners to one triangle of the solid each."""
    target = np.repeat(solid.positions[solid.triangles[triangle]], 3, axis=0)
    points = corners.reshape(-1, 3)
    return _lengths((points - closest_point(target, points)).reshape(-1, 3, 3))


def _lengths(vectors: Floats) -> Floats:
    """Return (T,) the greatest length of three vectors (T, 3, 3) each."""
    x, y, z = np.moveaxis(vectors, 2, 0)
    squared = x * x + y * y + z * z
    out: Floats = np.sqrt(np.maximum(np.maximum(squared[:, 0], squared[:, 1]), squared[:, 2]))
    return out


def in_four(corners: Floats) -> Floats:
    """Cut (T, 3, 3) triangles at their edges' middles into (4 T, 3, 3), the middle one last."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    pieces = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return np.stack([np.stack(p, axis=1) for p in pieces], axis=1).reshape(-1, 3, 3)
