"""Moving one cloth out of the bodies it clashes with, in one frame or in several at once.

Every patch of cloth that clashes is moved with what lies around it, in a region of its own. A
region's result is kept when nothing crosses in it any more and nothing begins to cross; where it
does not come out so, the region is tried again with a move that fades out over a greater length,
and in the end left as it was, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, diags_array

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.places import components
from cagecheck.chores.clash.solids import Solid
from cagecheck.mending.cloth import Cloth
from cagecheck.mending.contacts import Contact
from cagecheck.mending.crossings import Crossings, begun, crossings_of, passed_through
from cagecheck.mending.descent import Descent
from cagecheck.mending.pose import Pose, Start
from cagecheck.mending.solve import Rows, Stiffness, least_move
from cagecheck.progress import Progress, silent

Reason = Literal["pinned", "entangled", "other part", "folds"]

# A move fades out over this many times the depth and at least this many edges; it ends at the
# second number times that length, where it is a sixteenth. (Common practice, no source.)
_BLEND_DEPTHS, _BLEND_EDGES, _REACH = 3.0, 3.0, 4.0
# Lengths that are tried in turn, times the first.
_TRIES = (1.0, 2.5, 6.0)
# Rounds of moving and looking anew where the body lies.
_MOST_ROUNDS = 14
# How many of them search for the least move; the others mend what curved bodies make it lack.
_SEARCHES = 2
# A gap is left when no less than this share of it is.
_GAP_KEPT = 0.9
# A place that moves less than this share of the gap does not move.
_STILL = 1e-4


@dataclass(frozen=True, eq=False)
class Left:
    """A patch that could not be mended: in which frame, its places, why, and what is in the way."""

    frame: int
    places: NDArray[np.int64]
    reason: Reason
    part: str


@dataclass(frozen=True, eq=False)
class Moved:
    """The displacement (P, 3), in the rest pose's directions where frames are mended together."""

    move: Floats
    left: tuple[Left, ...]
    blend: float


@dataclass(frozen=True, eq=False)
class _Found:
    """Rows of a contact, which of its own they are (K,), and the region of each (K,)."""

    contact: Contact
    index: NDArray[np.int64]
    rows: Rows
    region: NDArray[np.int64]

    def of(self, regions: NDArray[np.bool_]) -> tuple[NDArray[np.int64], Rows]:
        """Return what belongs to some regions."""
        mine = np.flatnonzero((self.region >= 0) & regions[self.region])
        return self.index[mine], self.rows.some(mine)


def blend_of(cloth: Cloth, starts: Sequence[Start], gap: float, blend: float | None) -> float:
    """Return the length over which moves fade out."""
    if blend is not None:
        return blend
    depth = max((start.depth for start in starts), default=0.0) + gap
    return max(_BLEND_DEPTHS * depth, _BLEND_EDGES * cloth.edge_length)


def mend_cloth(
    cloth: Cloth,
    starts: Sequence[Start],
    gap: float,
    blend: float | None = None,
    pull: tuple[Floats, Floats] | None = None,
    also: NDArray[np.bool_] | None = None,
    progress: Progress = silent,
) -> Moved:
    """Find the least smooth displacement that ends the clashes of all `starts` at once.

    also : (P,) places that clash in other frames; what lies around them may move here, too.
    pull : weight (P,) and displacement (P, 3) that it is drawn to besides.
    """
    count = len(cloth.rest)
    move, settled = np.zeros((count, 3)), np.zeros(count, bool)
    length = blend_of(cloth, starts, gap, blend)
    open_places = _any(start.clashing for start in starts)
    left: list[Left] = _held(cloth, starts)
    if also is not None:
        open_places |= also
    open_places &= ~_marked(left, count)
    failed: list[Left] = []
    for factor in _TRIES:
        if not open_places.any():
            break
        attempt = _Attempt(cloth, starts, gap, factor * length, settled, move)
        step, failed = attempt.run(open_places, pull, progress)
        label = attempt.label
        bad = np.unique(label[_marked(failed, count) & (label >= 0)])
        good = (label >= 0) & ~np.isin(label, bad)
        move[good] = step[good]
        settled |= good
        open_places &= np.isin(label, bad)
    return Moved(move, (*left, *(failed if open_places.any() else ())), length)


def _any(masks: Iterable[NDArray[np.bool_]]) -> NDArray[np.bool_]:
    return np.logical_or.reduce(list(masks))


def _marked(left: Sequence[Left], count: int) -> NDArray[np.bool_]:
    out = np.zeros(count, bool)
    for one in left:
        out[one.places] = True
    return out


def _held(cloth: Cloth, starts: Sequence[Start]) -> list[Left]:
    """Return the patches that hold a place which clashes and may not move."""
    out = []
    for frame, start in enumerate(starts):
        for contact in start.contacts:
            label = _patches(cloth, contact.clashing)
            low = contact.clashing & (contact.goal >= 0) & cloth.fixed
            for patch in np.unique(label[low & (label >= 0)]).tolist():
                places = np.flatnonzero(label == patch)
                out.append(Left(frame, places, "pinned", contact.body.name))
    return out


def _patches(cloth: Cloth, mask: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return (P,) the connected patch of each marked place, -1 elsewhere."""
    begin, end = cloth.joined.T
    both = mask[begin] & mask[end]
    label = components(begin[both], end[both], len(mask))
    return np.where(mask, label, -1)


class _Attempt:
    """All open patches with one blending length."""

    def __init__(
        self,
        cloth: Cloth,
        starts: Sequence[Start],
        gap: float,
        blend: float,
        settled: NDArray[np.bool_],
        base: Floats,
    ) -> None:
        self.cloth, self.starts, self.gap, self.blend = cloth, starts, gap, blend
        self.settled, self.base = settled, base
        self.label = np.full(len(settled), -1, np.int64)

    def run(
        self,
        open_places: NDArray[np.bool_],
        pull: tuple[Floats, Floats] | None,
        progress: Progress,
    ) -> tuple[Floats, list[Left]]:
        """Return the displacement and what of it must not be kept."""
        cloth = self.cloth
        region = np.zeros(len(open_places), bool)
        seeds = np.flatnonzero(open_places)
        for start in self.starts:
            far = cloth.reach(seeds, start.pose.positions, _REACH * self.blend)
            region |= np.isfinite(far)
        region &= ~self.settled
        self.label = _patches(cloth, region)
        descent = self._settle(region, pull, progress)
        move, first = (_without_dust(m, self.gap) for m in (descent.best, descent.first))
        failed = self._judge(move)
        if failed:
            # What was found first asks more of what lies around, but is nearer to where it lay.
            bad = np.unique(self.label[_marked(failed, len(region)) & (self.label >= 0)])
            move = np.where((np.isin(self.label, bad) & (self.label >= 0))[:, None], first, move)
            failed = self._judge(move)
        # A region that is undone may be what another one was judged against.
        while failed:
            bad = np.unique(self.label[_marked(failed, len(region)) & (self.label >= 0)])
            undone = np.isin(self.label, bad) & (self.label >= 0)
            if not (move[undone] != 0).any():
                break
            move = np.where(undone[:, None], 0.0, move)
            more = self._judge(move)
            known = _marked(failed, len(region))
            failed += [one for one in more if not known[one.places].any()]
        return move, self._one_per_region(failed)

    def _one_per_region(self, failed: Sequence[Left]) -> list[Left]:
        """Keep of every region and frame the first reason."""
        kept: dict[tuple[int, int], Left] = {}
        for one in failed:
            kept.setdefault((one.frame, int(self.label[one.places].max())), one)
        return list(kept.values())

    def _settle(
        self, region: NDArray[np.bool_], pull: tuple[Floats, Floats] | None, progress: Progress
    ) -> Descent:
        """Step towards the least displacement that keeps all rows, made anew at every step."""
        cloth, gap = self.cloth, self.gap
        energy = cloth.energy(self.blend)
        draw, least = np.zeros((len(region), 3)), np.zeros(len(region))
        if pull is not None:
            weight, towards = pull
            energy = csc_array(energy + diags_array(weight))
            draw = weight[:, None] * towards
            least = 0.5 * weight * (towards**2).sum(axis=1)
        descent = Descent(self.label, energy, draw, least)
        contacts = [c for start in self.starts for c in start.contacts]
        for contact in contacts:
            contact.begin(region)
        band = max(max((start.depth for start in self.starts), default=0.0), 4 * gap)
        stiffness = Stiffness(energy, region & ~cloth.fixed)
        move = np.zeros((len(region), 3))
        for turn in range(_MOST_ROUNDS):
            progress("mending", turn, _MOST_ROUNDS)
            near, lack = self._look(move, band)
            descent.look(move, lack <= (1 - _GAP_KEPT) * gap)
            if not descent.going.any():
                break
            move = self._step(descent, near, stiffness, draw, search=turn < _SEARCHES)
            for contact in contacts:
                contact.keep(descent.places(descent.going))
        progress("mending", _MOST_ROUNDS, _MOST_ROUNDS)
        return descent

    def _step(
        self,
        descent: Descent,
        near: Sequence[_Found],
        stiffness: Stiffness,
        draw: Floats,
        *,
        search: bool,
    ) -> Floats:
        """Return what to look at next: `search` for the least, or keep to what was found."""
        if not descent.stepping.any():
            return descent.next(descent.best)
        rows = [one.of(descent.stepping) for one in near]
        force = [one.contact.force[index] for one, (index, _) in zip(near, rows, strict=True)]
        solution = least_move(
            stiffness, _join([row for _, row in rows]), 0.01 * self.gap, draw,
            np.concatenate(force), None if search or descent.is_met else descent.best,
        )  # fmt: skip
        ends = np.cumsum([len(index) for index, _ in rows])[:-1]
        for one, (index, _), new in zip(near, rows, np.split(solution.force, ends), strict=True):
            one.contact.force[:] = 0.0
            one.contact.force[index] = new
        return descent.next(solution.move)

    def _look(self, move: Floats, band: float) -> tuple[list[_Found], Floats]:
        """Return the rows of all frames where the cloth lies, and what regions lack."""
        lack = np.zeros(int(self.label.max()) + 1)
        found = []
        for start in self.starts:
            pose = start.pose
            positions = pose.positions + pose.here(self.base + move)
            solid = pose.solid(self.cloth, positions)
            for contact in start.contacts:
                contact.look(self.cloth, solid, positions, band + self.gap)
                near = contact.rows(positions, pose.here(move), self.gap, band)
                region = self.label[near.rows.corner].max(axis=1)
                inside = region >= 0
                np.maximum.at(lack, region[inside], near.lack[inside])
                found.append(_Found(contact, near.index, _in_rest(near.rows, pose), region))
        return found, lack

    def _judge(self, move: Floats) -> list[Left]:
        """Return the patches of regions in which something crosses still, or begins to."""
        cloth, out = self.cloth, []
        for frame, start in enumerate(self.starts):
            by = start.pose.here(self.base + move)
            if not (by != 0).any() and not start.contacts:
                continue
            solid = start.pose.solid(cloth, start.pose.positions + by)
            after = crossings_of(solid, start.pose.others)
            new = begun(start.before, after)
            out += self._still(frame, start, after)
            out += self._new(frame, start, new, solid, (by != 0).any(axis=1))
        return out

    def _still(self, frame: int, start: Start, after: Crossings) -> list[Left]:
        out = []
        for contact in start.contacts:
            number = next(
                k for k, other in enumerate(start.pose.others) if other is contact.body.solid
            )
            pairs = after.others[number]
            places = np.unique(self.cloth.triangles[pairs[:, 0]])
            places = places[(self.label[places] >= 0)]
            # Of what met before only clashes count: what touches may go on touching.
            touched = np.zeros(len(self.label), bool)
            touched[places] = True
            wrong = touched & _near_clash(self.cloth, contact, self.label)
            if wrong.any():
                out += self._patches_of(frame, wrong, "entangled", contact.body.name)
        return out

    def _new(
        self,
        frame: int,
        start: Start,
        new: Crossings,
        solid: Solid,
        moved: NDArray[np.bool_],
    ) -> list[Left]:
        out = []
        bodies = {id(contact.body.solid) for contact in start.contacts}
        for other, pairs in zip(start.pose.others, new.others, strict=True):
            is_body = id(other) in bodies
            triangles = pairs[:, 0]
            if not is_body:
                swept = passed_through(solid, start.pose.solid(self.cloth, start.pose.positions),
                                       other)  # fmt: skip
                triangles = np.concatenate([triangles, swept])
            if len(triangles):
                reason: Reason = "entangled" if is_body else "other part"
                out += self._of_triangles(frame, triangles, moved, reason, other.name)
        if len(new.own):
            out += self._of_triangles(frame, new.own.ravel(), moved, "folds", self.cloth.name)
        return out

    def _of_triangles(
        self,
        frame: int,
        triangles: NDArray[np.int64],
        moved: NDArray[np.bool_],
        reason: Reason,
        part: str,
    ) -> list[Left]:
        mask = np.zeros(len(self.label), bool)
        mask[self.cloth.triangles[triangles].ravel()] = True
        return self._patches_of(frame, mask & moved & (self.label >= 0), reason, part)

    def _patches_of(
        self, frame: int, mask: NDArray[np.bool_], reason: Reason, part: str
    ) -> list[Left]:
        return [
            Left(frame, np.flatnonzero(mask & (self.label == region)), reason, part)
            for region in np.unique(self.label[mask]).tolist()
        ]


def _without_dust(move: Floats, gap: float) -> Floats:
    still = np.linalg.norm(move, axis=1) <= _STILL * gap
    return np.where(still[:, None], 0.0, move)


def _near_clash(cloth: Cloth, contact: Contact, label: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return (P,) the places of regions in which this contact clashes."""
    regions = np.unique(label[contact.clashing & (label >= 0)])
    return np.isin(label, regions) & (label >= 0)


def _in_rest(rows: Rows, pose: Pose) -> Rows:
    """Return rows with their directions turned to those that moves are found in."""
    if pose.turn is None:
        return rows
    corner = rows.corner[np.arange(len(rows.corner)), rows.share.argmax(axis=1)]
    return Rows(
        rows.corner, rows.share, np.einsum("kji,kj->ki", pose.turn[corner], rows.out), rows.need
    )


def _join(rows: Sequence[Rows]) -> Rows:
    return Rows(
        np.concatenate([r.corner for r in rows]),
        np.concatenate([r.share for r in rows]),
        np.concatenate([r.out for r in rows]),
        np.concatenate([r.need for r in rows]),
    )
