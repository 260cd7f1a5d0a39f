"""What a displacement must keep: rows for the places where cloth lies in or near a body.

Rows are for places of the cloth, for points of its faces that the body's vertices reach through,
and for where surfaces cross. They are made at the cloth's present position and made anew after
every step, so in the end they hold where the cloth lies then.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from trimesh.triangles import closest_point

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.places import components
from cagecheck.chores.clash.solids import Solid, crossing_segments, meeting_triangles
from cagecheck.mending.bodies import Body
from cagecheck.mending.cloth import Cloth
from cagecheck.mending.solve import Rows
from cagecheck.meshes.barycentric import barycentric_of
from cagecheck.meshes.normals import normalised

# Points of one face nearer than this share of it are one: more rows would say the same.
_SAME = 64
# Crossing lines are followed where there are at most so many pairs; beyond, vertices tell enough.
_MOST_SEGMENTS = 20_000
NOTHING = -np.inf


@dataclass(eq=False)
class Contact:
    """The cloth against one body in one frame.

    Attributes
    ----------
    wanted : (P, 3) the way out that each place asks for, zero where nothing tells.
    goal : (P,) how high above the body each place must lie, `NOTHING` where anywhere will do.
    clashing : (P,) bool, places that lie in the body where they may not.
    crossing : (K, 2) triangles of cloth and body that cross there.
    depth : how deep the deepest place lies in the body.
    corner, share, force : rows so far, as in `Rows`. within : (P,) bool, where they may be.
    """

    body: Body
    wanted: Floats
    goal: Floats
    clashing: NDArray[np.bool_]
    crossing: NDArray[np.int64]
    depth: float
    corner: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 3), np.int64))
    share: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    force: Floats = field(default_factory=lambda: np.zeros(0))
    within: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))

    def begin(self, region: NDArray[np.bool_]) -> None:
        """Take up the places of a region that have a goal."""
        places = np.flatnonzero(region & (self.goal > NOTHING))
        self.corner = np.repeat(places[:, None], 3, axis=1)
        self.share = np.tile([1.0, 0.0, 0.0], (len(places), 1))
        self.force = np.zeros(len(places))
        self.within = region

    def keep(self, region: NDArray[np.bool_]) -> None:
        """Leave the rows out whose places are not in a region, now and later."""
        kept = region[self.corner].any(axis=1)
        self.corner, self.share, self.force = self.corner[kept], self.share[kept], self.force[kept]
        self.within = region

    def look(self, cloth: Cloth, solid: Solid, positions: Floats, near: float) -> None:
        """Take up points of faces that the body reaches through, and where surfaces cross.

        solid, positions : the cloth as it lies now. near : how far around vertices are asked.
        """
        triangle, points = self._reached_through(positions, solid, near)
        pairs = meeting_triangles(solid, self.body.solid)
        if 0 < len(pairs) <= _MOST_SEGMENTS:
            ends = crossing_segments(solid, self.body.solid, pairs)
            size, origin = self.body.frame.size, self.body.frame.origin
            on_line = np.concatenate([ends[:, 0], ends.mean(axis=1), ends[:, 1]])
            points = np.concatenate([points, on_line * size + origin])
            triangle = np.concatenate([triangle, np.tile(pairs[:, 0], 3)])
        self._add(cloth, triangle, points, positions)

    def _reached_through(
        self, positions: Floats, solid: Solid, near: float
    ) -> tuple[NDArray[np.int64], Floats]:
        """Return points of faces that lie in the body, nearest to its vertices."""
        active = self.corner[:, 0]
        if len(active) == 0:
            return np.zeros(0, np.int64), np.zeros((0, 3))
        low, high = positions[active].min(axis=0) - near, positions[active].max(axis=0) + near
        vertices = self.body.positions
        rows = np.flatnonzero(np.all((vertices >= low) & (vertices <= high), axis=1))
        own = self.body.own(vertices[rows])
        distance, triangle = solid.distance(own)
        kept = distance * self.body.frame.size <= near
        triangle = triangle[kept]
        # In the parts' frame of size 1, where the library's absolute tolerances are harmless.
        near_own = closest_point(solid.positions[solid.triangles[triangle]], own[kept])
        foot = near_own * self.body.frame.size + self.body.frame.origin
        feet = self.body.feet(foot)
        through = feet.height < 0
        return triangle[through], foot[through]

    def _add(
        self, cloth: Cloth, triangle: NDArray[np.int64], points: Floats, positions: Floats
    ) -> None:
        corner = cloth.triangles[triangle]
        has_goal = ((self.goal[corner] > NOTHING) & self.within[corner]).any(axis=1)
        corner, points = corner[has_goal], points[has_goal]
        share = barycentric_of(points, positions[corner])
        every = np.concatenate([self.corner, corner])
        shares = np.concatenate([self.share, share])
        key = np.concatenate([every, np.rint(shares * _SAME).astype(np.int64)], axis=1)
        _, first = np.unique(key, axis=0, return_index=True)
        first = np.sort(first)
        self.corner, self.share = every[first], shares[first]
        self.force = np.concatenate([self.force, np.zeros(len(corner))])[first]

    def goals(self, gap: float) -> Floats:
        """Return (S,) how high every row's point must lie."""
        goal = np.where(self.goal > NOTHING, self.goal, gap)[self.corner]
        return np.asarray(np.einsum("ij,ij->i", self.share, goal))

    def measure(self, positions: Floats) -> tuple[Floats, Floats]:
        """Return (S, 3) the way out and (S,) the height of every row's point."""
        at = np.einsum("ij,ijk->ik", self.share, positions[self.corner])
        wanted = np.einsum("ij,ijk->ik", self.share, self.wanted[self.corner])
        feet = self.body.feet(at, normalised(wanted))
        return feet.out, feet.height

    def rows(self, positions: Floats, move: Floats, gap: float, band: float) -> _Near:
        """Return the rows of points that are low, or near enough to become so."""
        out, height = self.measure(positions)
        goal = self.goals(gap)
        near = np.flatnonzero(height < goal + band)
        at = np.einsum("ij,ijk->ik", self.share[near], move[self.corner[near]])
        need = goal[near] - height[near] + np.einsum("ij,ij->i", out[near], at)
        lack = np.maximum(goal - height, 0.0)[near]
        return _Near(near, Rows(self.corner[near], self.share[near], out[near], need), lack)


@dataclass(frozen=True, eq=False)
class _Near:
    """Rows, which of a contact's they are, and (K,) how much each lacks where the cloth lies."""

    index: NDArray[np.int64]
    rows: Rows
    lack: Floats


def clashing_places(
    cloth: Cloth, pairs: NDArray[np.int64], low: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return (P,) which `low` places hang together with a crossing of the (K, 2) pairs."""
    count = len(low)
    crossing = np.zeros(count, bool)
    crossing[cloth.triangles[pairs[:, 0]].ravel()] = True
    begin, end = cloth.edges.T
    both = low[begin] & low[end]
    label = components(begin[both], end[both], count)
    reached = np.zeros(count, bool)
    reached[label[crossing & low]] = True
    return reached[label] & low
