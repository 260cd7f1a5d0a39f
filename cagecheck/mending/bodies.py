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
from cagecheck.mending.facing import FacingTrees
from cagecheck.meshes.barycentric import barycentric_of
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
    def _border(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """(T, 3) each: is a triangle's edge opposite to a corner open, and does one end there?"""
        table, welded = self.solid.edges, self.solid.welded
        is_open = table.uses == 1
        ends_there = np.zeros(int(welded.max()) + 1, bool)
        ends_there[table.ends[is_open].ravel()] = True
        opposite = np.roll(is_open[table.edge].reshape(-1, 3), -1, axis=1)
        return opposite, ends_there[welded]

    def feet(self, points: Floats, wanted: Floats | None = None) -> Feet:
        """Ask where points lie; `wanted` (N, 3) is the way out that their cloth asks for."""
        own = self.own(points)
        distance, triangle = self.solid.distance(own)
        corners = self.solid.triangles[triangle]
        places = self.solid.positions[corners]
        foot = closest_point(places, own)
        share = barycentric_of(foot, places)
        if self.solid.is_closed:
            inside = self._is_inside(own)
        else:
            between = np.einsum("ij,ijk->ik", share, self.vertex_normals[corners])
            normal = normalised(between)
            inside = np.einsum("ij,ij->i", own - foot, normal) < 0
        sign = np.where(inside, -1.0, 1.0)
        out = np.where(
            (distance > _NO_DIRECTION)[:, None],
            normalised((own - foot) * sign[:, None]),
            self.facing.normals[triangle],
        )
        height = sign * distance
        if not self.solid.is_closed:
            height[self._is_on_border(triangle, share)] = np.inf
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

    def _is_on_border(self, triangle: NDArray[np.int64], share: Floats) -> NDArray[np.bool_]:
        opposite, at_corner = self._border
        on_edge = opposite[triangle] & (share < _ON_BORDER)
        return np.asarray((on_edge | at_corner[triangle] & (share > 1 - _ON_BORDER)).any(axis=1))
