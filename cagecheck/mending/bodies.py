"""A part that cloth is moved out of: on which side of it points lie, and which way is out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from trimesh.triangles import closest_point

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.find import Frame
from cagecheck.chores.clash.solids import Solid
from cagecheck.mending.cloth import barycentric, border_places
from cagecheck.mending.facing import FacingTrees
from cagecheck.meshes.normals import averaged_normals, normalised

# The way out that a point's cloth asks for is taken although another is nearer, up to this many
# times nearer: deep in an arm the far side's skin may be the nearest. (Common practice, no source:
# three times means deeper than half the radius of a round limb.)
_LONGER = 3.0
# The nearest way out agrees with the wanted one up to 78 degrees (this cosine).
_AGREES = 0.2
# Nearer than this share of the scene the direction to the foot is rounding; the normal is taken.
_NO_DIRECTION = 1e-9
# A foot lies on the border where the share of the corner opposite is below this.
_ON_BORDER = 1e-6


@dataclass(frozen=True, eq=False)
class Feet:
    """For N points: the surface's point (N, 3), unit direction out (N, 3), height over it (N,).

    Points whose foot lies on an open border have a height of infinity: nothing is there.
    """

    point: Floats
    out: Floats
    height: Floats


@dataclass(frozen=True, eq=False)
class Body:
    """An inner part in one frame, asked in file units.

    side : 1 where the cloth lies before an open part's front, -1 behind; unused by closed parts.
    """

    solid: Solid
    frame: Frame
    side: int = 1

    @property
    def name(self) -> str:
        """The part's name."""
        return self.solid.name

    def own(self, points: Floats) -> Floats:
        """Return points in the part's own coordinates."""
        return np.ascontiguousarray((points - self.frame.origin) / self.frame.size)

    @cached_property
    def positions(self) -> Floats:
        """(V, 3) in file units."""
        return self.solid.positions * self.frame.size + self.frame.origin

    @cached_property
    def turn(self) -> float:
        """1 where faces look out, -1 where the part is inside out (or the cloth lies behind it)."""
        if not self.solid.is_closed:
            return float(self.side)
        p = self.solid.positions[self.solid.triangles]
        volume = float(np.einsum("ij,ij->i", p[:, 0], np.cross(p[:, 1], p[:, 2])).sum())
        return 1.0 if volume >= 0 else -1.0

    @cached_property
    def vertex_normals(self) -> Floats:
        """(V, 3) unit normals that look out; vertices at one position share theirs."""
        number = np.zeros(len(self.solid.positions), np.int32)
        number[self.solid.triangles] = self.solid.welded
        corners = self.solid.triangles.astype(np.int32)
        return self.turn * averaged_normals(self.solid.positions, corners, number)[number]

    @cached_property
    def facing(self) -> FacingTrees:
        """The part's triangles by the way they face, out positive."""
        return FacingTrees(self.solid.positions, self.solid.triangles, self.turn)

    @cached_property
    def _border(self) -> NDArray[np.bool_]:
        """(T, 3) which edge of every triangle, opposite to each corner, is open."""
        from cagecheck.meshes.edges import triangle_edges

        table = triangle_edges(self.solid.welded)
        open_edge = (table.uses == 1)[table.edge].reshape(-1, 3)
        return np.roll(open_edge, -1, axis=1)

    def feet(self, points: Floats, wanted: Floats | None = None) -> Feet:
        """Ask where points lie; `wanted` (N, 3) is the way out that their cloth asks for."""
        own = self.own(points)
        distance, triangle = self.solid.distance(own)
        foot = closest_point(self.solid.positions[self.solid.triangles[triangle]], own)
        normal = self.turn * self._normals(triangle, foot)
        if self.solid.is_closed:
            inside = self._is_inside(own)
        else:
            inside = np.einsum("ij,ij->i", own - foot, normal) < 0
        sign = np.where(inside, -1.0, 1.0)
        out = np.where(
            (distance > _NO_DIRECTION)[:, None],
            normalised((own - foot) * sign[:, None]),
            self.facing.normals[triangle],
        )
        height = sign * distance
        if not self.solid.is_closed:
            height[self._is_border_foot(triangle, foot)] = np.inf
        elif wanted is not None:
            self._turn_back(own, wanted, inside, foot, out, height)
        size = self.frame.size
        return Feet(foot * size + self.frame.origin, out, height * size)

    def _is_inside(self, own: Floats) -> NDArray[np.bool_]:
        low, high = self.solid.box
        near = np.flatnonzero(np.all((own >= low) & (own <= high), axis=1))
        inside = np.zeros(len(own), bool)
        inside[near] = self.solid.depth(own[near])[0] > 0
        return inside

    def _turn_back(
        self,
        own: Floats,
        wanted: Floats,
        inside: NDArray[np.bool_],
        foot: Floats,
        out: Floats,
        height: Floats,
    ) -> None:
        """Let points inside go out the way they want, where that is not much farther."""
        rows = np.flatnonzero(inside & (np.einsum("ij,ij->i", out, wanted) < _AGREES))
        if len(rows) == 0:
            return
        triangle, near, distance = self.facing.nearest(own[rows], wanted[rows])
        taken = (triangle >= 0) & (distance <= _LONGER * -height[rows])
        rows, near, distance = rows[taken], near[taken], distance[taken]
        foot[rows], height[rows] = near, -distance
        out[rows] = normalised(near - own[rows])

    def _normals(self, triangle: NDArray[np.int64], foot: Floats) -> Floats:
        """Return normals at feet, between those of the corners, as the file has them turned."""
        corners = self.solid.triangles[triangle]
        share = barycentric(foot, self.solid.positions[corners])
        return normalised(np.einsum("ij,ijk->ik", share, self.turn * self.vertex_normals[corners]))

    def _is_border_foot(self, triangle: NDArray[np.int64], foot: Floats) -> NDArray[np.bool_]:
        share = barycentric(foot, self.solid.positions[self.solid.triangles[triangle]])
        corner_on_border = border_places(self.solid.welded, int(self.solid.welded.max()) + 1)
        on_edge = (self._border[triangle] & (share < _ON_BORDER)).any(axis=1)
        at_corner = (share > 1 - _ON_BORDER) & corner_on_border[self.solid.welded[triangle]]
        return np.asarray(on_edge | at_corner.any(axis=1))
