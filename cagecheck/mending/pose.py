"""One frame as mending sees it: where the cloth lies, the bodies it clashes with, all else."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, diags_array

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.find import Clashes, Frame
from cagecheck.chores.clash.solids import Solid, meeting_triangles
from cagecheck.mending.bodies import Body
from cagecheck.mending.cloth import Cloth
from cagecheck.mending.contacts import NOTHING, Contact, clashing_places
from cagecheck.mending.crossings import Crossings, cloth_solid, crossings_of
from cagecheck.mending.solve import factor
from cagecheck.meshes.normals import normalised

# Where the cloth clashes, it takes its outside from what lies around, this many edges far.
_ASKS_AROUND = 10.0


@dataclass(frozen=True, eq=False)
class Pose:
    """A frame.

    Attributes
    ----------
    positions : (P, 3) where the cloth's places lie, file units. frame : the parts' own coordinates.
    bodies : what the cloth is moved out of. others : every part but the cloth.
    limit : depth up to which parts only touch, file units.
    turn : (P, 3, 3) from directions of the rest pose to this one's; None where they are the same.
    """

    positions: Floats
    frame: Frame
    bodies: tuple[Body, ...]
    others: tuple[Solid, ...]
    limit: float
    turn: NDArray[np.float64] | None = None

    def solid(self, cloth: Cloth, positions: Floats) -> Solid:
        """Return the cloth lying at `positions`."""
        return cloth_solid(cloth, positions, self.frame)

    def here(self, move: Floats) -> Floats:
        """Return a displacement (P, 3) of the rest pose's directions as it is in this frame."""
        return move if self.turn is None else np.einsum("pij,pj->pi", self.turn, move)


@dataclass(frozen=True, eq=False)
class Start:
    """A frame before it is mended: the cloth's contacts and everything that it meets."""

    pose: Pose
    contacts: tuple[Contact, ...]
    before: Crossings

    @cached_property
    def clashing(self) -> NDArray[np.bool_]:
        """(P,) places that lie in a body or on a triangle that crosses one."""
        out = np.zeros(len(self.pose.positions), bool)
        for contact in self.contacts:
            out |= contact.clashing
        return out

    @property
    def depth(self) -> float:
        """How deep the deepest place lies in a body."""
        return max((contact.depth for contact in self.contacts), default=0.0)


def look_at(
    cloth: Cloth,
    pose: Pose,
    gap: float,
    clashes: Clashes | None = None,
    wanted: dict[str, Floats] | None = None,
    every: bool = False,
) -> Start:
    """Find the contacts of a frame.

    clashes : what was found in it; crossings of triangles that are not of a clash only touch.
    wanted : per body the way out of every place, from the rest pose.
    every : bodies that nothing clashes with are kept clear of, too.
    """
    solid = pose.solid(cloth, pose.positions)
    contacts = []
    for body in pose.bodies:
        pairs = meeting_triangles(solid, body.solid)
        if clashes is not None:
            pairs = pairs[_of_clash(clashes, cloth, body, pairs)]
        if len(pairs) == 0 and not every:
            continue
        contacts.append(_contact(cloth, pose, body, pairs, gap, wanted))
    return Start(pose, tuple(contacts), crossings_of(solid, pose.others))


def _contact(
    cloth: Cloth,
    pose: Pose,
    body: Body,
    pairs: NDArray[np.int64],
    gap: float,
    wanted: dict[str, Floats] | None,
) -> Contact:
    first = body.feet(pose.positions)
    if wanted is not None and body.name in wanted:
        way = wanted[body.name]
    else:
        way = _way_out(cloth, pose.positions, first.out, first.height)
    feet = body.feet(pose.positions, way)
    low = feet.height < -pose.limit
    inside = clashing_places(cloth, pairs, low)
    goal = np.where(inside, gap, np.minimum(gap, feet.height))
    goal[~inside & (feet.height <= 0)] = NOTHING
    goal[np.isinf(feet.height)] = NOTHING
    clashing = inside.copy()
    clashing[cloth.triangles[pairs[:, 0]].ravel()] = True
    depth = float(-feet.height[inside].min(initial=0.0))
    return Contact(body, way, goal, clashing, pairs, depth)


def _of_clash(
    clashes: Clashes, cloth: Cloth, body: Body, pairs: NDArray[np.int64]
) -> NDArray[np.bool_]:
    one = next(
        k for k, part in enumerate(clashes.parts)
        if part.mesh == cloth.mesh and part.name == cloth.name
    )  # fmt: skip
    other = next(k for k, part in enumerate(clashes.parts) if part is body.solid)
    involved = clashes.involved
    return np.asarray(involved[one][pairs[:, 0]] & involved[other][pairs[:, 1]])


def _way_out(cloth: Cloth, positions: Floats, out: Floats, height: Floats) -> Floats:
    """Return (P, 3) the cloth's own normals, turned out as they are where it lies clear.

    Clear places say whether the body's way out is along their normal or against it; where the
    cloth clashes, places take the word of those around them.
    """
    normals = cloth.normals(positions)
    agree = np.einsum("ij,ij->i", normals, out)
    clear = (height > 0) & np.isfinite(height) & (height < _ASKS_AROUND * cloth.edge_length)
    vote = np.where(clear, np.sign(agree) * cloth.areas, 0.0)
    if not clear.any():
        return np.zeros_like(normals)
    said = diags_array(np.where(clear, cloth.areas, 1e-6 * cloth.areas))
    spread = (_ASKS_AROUND * cloth.edge_length) ** 2
    word = factor(csc_array(said + spread * cloth.laplacian)).solve(vote)
    return normalised(normals * np.sign(word)[:, None])


def side_of(cloth: Cloth, positions: Floats, body: Body) -> int:
    """Say on which side of an open part most of the cloth lies: 1 before its front, else -1."""
    feet = body.feet(positions)
    there = np.isfinite(feet.height)
    return 1 if float((np.sign(feet.height[there]) * cloth.areas[there]).sum()) >= 0 else -1


def ways_from_rest(rest: Floats, rest_body: Body, posed: Body) -> Floats:
    """Return (P, 3) the posed normals of where the body is nearest in the rest pose."""
    own = rest_body.own(rest)
    _, triangle = rest_body.solid.distance(own)
    return posed.facing.normals[triangle]
