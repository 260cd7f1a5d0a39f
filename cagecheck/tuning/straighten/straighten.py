"""Straightening: turning rays from the averaged towards the face normals, and what it changes.

A ray that leans from its face lets detail at height t slide sideways by |t| tan(lean). Turning it
towards the face's normal takes the lean away, but at an edge the rays of both sides then part
company. One number s, 0 (averaged) to 1 (face), weighs the two. There are three ways to hand it
to a baker, and what each can do differs: a map, texel by texel; one number per vertex, which can
do nothing on faces whose vertices all lie on hard edges; and a cage whose vertices are moved
sideways, which gives every vertex one direction for all its faces.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import Defect
from cagecheck.errors import takes
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.progress import Progress, silent
from cagecheck.rays.points import SurfacePoints
from cagecheck.tuning.assurance import surface_bound
from cagecheck.tuning.rings import NEIGHBOUR_RINGS, triangles_around
from cagecheck.tuning.straighten.moved_cage import MovedCage, moved_cage
from cagecheck.tuning.straighten.outcome import Outcome, of_check, outcome
from cagecheck.tuning.straighten.turning_map import (
    StraighteningField,
    check_points,
    straightening_field,
    taken_back,
)
from cagecheck.tuning.tune import Tuning
from cagecheck.words.numbers import count_text

Mask = NDArray[np.bool_]

# Added to the seed for points that no check of the tuning has used.
FRESH_SEED = 1000
# Looks at new points. Where one shows harm, turning is taken back there, and the next looks anew at
# what that changed; once that shows none, one looks at all that is turned.
LOOKS = 12
# In so many looks, near or at all, vertices keep this part of their turning, as large faces hang on
# them; then none. A map's pieces are small, and are left alone at once.
KEPT, KEEPING = 0.5, 6
# The ways to hand straightening to a baker, as fields and files name them.
WAYS = ("map", "vertices", "cage")


@dataclass(frozen=True, eq=False)
class Straightening:
    """Straightening fields and what they change.

    All outcomes are on the same points, never used for solving: new ones where one of the ways
    turns rays and around, elsewhere those of the tuning's last check.

    Attributes
    ----------
    share : (V,) float64
        In [0, 1] per vertex: 0 is the averaged normal, 1 the face's own.
    field : StraighteningField
        The same on a finer cut of the low poly, from which the map is drawn.
    before : Outcome
        The tuned cage.
    vertices : Outcome
        The tuned cage with rays turned by `share`.
    map : Outcome
        The tuned cage with rays turned by `field`.
    cage : Outcome
        One cage mesh with vertices moved sideways (for bakers that take nothing else), its
        `cage.positions` are the vertices.
    harmed : dict[str, int]
        Per way (`WAYS`), how many of these points are missed, overshot, folded, split or
        back-facing though they are not so through the tuned cage.
    looks : int
        How many looks were at all that is turned; what all but the last showed was taken back.
    """

    share: Floats
    field: StraighteningField
    before: Outcome
    vertices: Outcome
    map: Outcome
    cage: Outcome
    harmed: dict[str, int]
    looks: int

    def __repr__(self) -> str:
        return (
            f"<Straightening: {count_text((self.share > 0).sum())} of "
            f"{count_text(len(self.share))} vertices turned>"
        )

    @property
    def bound(self) -> float:
        """Where no point is harmed, the share of the surface that is all the same is below this.

        With 95 % confidence, as `Assurance.bound`.
        """
        return surface_bound(self.before.every_point, self.looks)

    def outcome_of(self, way: str) -> Outcome:
        """Return what one of `WAYS` leaves.

        Parameters
        ----------
        way : str
            One of `WAYS`.
        """
        return {"map": self.map, "vertices": self.vertices, "cage": self.cage}[way]

    def helps(self, way: str) -> bool:
        """Tell whether one of `WAYS` leaves less skew, and no point is harmed.

        Parameters
        ----------
        way : str
            One of `WAYS`.
        """
        return self.harmed[way] == 0 and self.lessens(way)

    def lessens(self, way: str) -> bool:
        """Tell whether one of `WAYS` leaves less skew.

        Parameters
        ----------
        way : str
            One of `WAYS`.
        """
        before, after = self.before, self.outcome_of(way)
        return after.percent(Defect.SKEW) < before.percent(Defect.SKEW)

    def table(self) -> list[dict[str, float | str]]:
        """Return a row per defect: percent of the surface before, by vertices, map and cage."""
        return [
            {
                "name": kind.title,
                "percent_before": self.before.percent(kind),
                "percent_vertices": self.vertices.percent(kind),
                "percent_map": self.map.percent(kind),
                "percent_cage": self.cage.percent(kind),
            }
            for kind in Defect
            if kind != Defect.UNSEEN
        ]

    def to_dict(self) -> dict[str, object]:
        """Return what it changes, as plain values (the fields themselves are in their files)."""
        return {
            "straightened_vertices": int((self.share > 0).sum()),
            "largest_share": float(self.share.max(initial=0.0)),
            "map_pieces": len(self.field.refined.low.triangles),
            "map_helps": self.helps("map"),
            "vertices_help": self.helps("vertices"),
            "cage_helps": self.helps("cage"),
            "samples": len(self.before.every_point),
            "harmed": self.harmed,
            "looks": self.looks,
            "table": self.table(),
        }


@takes(tuning=Tuning)
def straighten(tuning: Tuning, *, progress: Progress = silent) -> Straightening:
    """Find straightening fields and a moved cage, and cast what each leaves.

    The fields leave the tuned offsets as they are, so that one cage serves with and without them;
    where turned rays would miss or overshoot they are not turned. The moved cage is as high over
    every face as the tuned one. All are judged on points never used for solving, `Straightening`
    says what for.

    Parameters
    ----------
    tuning : Tuning
        What `tune` returns.
    progress : Progress, optional
        Called now and then with stage, done and total.
    """
    field = straightening_field(tuning, progress=progress)
    ways = _Ways(
        field,
        straightening_field(tuning, finer=False, progress=progress),
        moved_cage(tuning, field, progress=progress),
    )
    low, looks, due = tuning.low, 0, np.ones(len(tuning.low.triangles), bool)
    whole = True
    for draw in itertools.count():
        progress("checking straightening", looks, LOOKS)
        looks += whole
        turned = ways.turned(low)
        near = triangles_around(low, turned if whole else turned & due, NEIGHBOUR_RINGS)
        points = _points(tuning, field, draw, near)
        before, found, harmed = ways.cast(tuning, points)
        clean = not any(rows.any() for rows in harmed.values())
        if whole and (clean or looks == LOOKS):
            break
        whole, last = clean, ways
        if not clean:
            ways = ways.taken_back(tuning, points, harmed, KEPT if draw < KEEPING else 0.0)
            due = ways.changed(low, last)
    # Where nothing is turned all ways leave what the tuned cage leaves.
    other = of_check(tuning, np.flatnonzero(~near[tuning.after.points.triangle]))
    progress("checking straightening", 1, 1)
    return Straightening(
        share=ways.vertices.share[tuning.low.position_id],
        field=ways.map,
        before=replace(before, rest=other),
        vertices=replace(found["vertices"], rest=other),
        map=replace(found["map"], rest=other),
        cage=replace(found["cage"], rest=other),
        harmed={way: int(rows.sum()) for way, rows in harmed.items()},
        looks=looks,
    )


@dataclass(frozen=True, eq=False)
class _Ways:
    """The three ways as they stand."""

    map: StraighteningField
    vertices: StraighteningField
    cage: MovedCage

    def cast(
        self, tuning: Tuning, points: SurfacePoints
    ) -> tuple[Outcome, dict[str, Outcome], dict[str, Mask]]:
        """Return what the tuned cage leaves, what each way leaves, and (N,) bool what it harms.

        points : of the map's cut, wherever rays are turned and around. Rays that are not turned
        differ by rounding alone; what that changes is no harm of turning.
        """
        low, fine, coarse = tuning.low, self.map, self.vertices
        whole = fine.refined.to_parent(points)
        before = outcome(tuning, tuning.cage, whole)
        found = {
            "map": outcome(tuning, fine.cage(), points, refined=fine.refined),
            "vertices": outcome(tuning, coarse.cage(), whole, refined=coarse.refined),
            "cage": outcome(tuning, self.cage.cage, whole),
        }
        turned = {
            "map": fine.turns(points),
            "vertices": coarse.turns(whole),
            "cage": self.cage.turns(low, whole),
        }
        harmed = {
            way: turned[way] & (x.worse_than(before) | x.gained(Defect.SPLIT, before))
            for way, x in found.items()
        }
        return before, found, harmed

    def turned(self, low: LowPoly) -> Mask:
        """Return (T,) bool: triangles of the low poly in which one of the ways turns rays."""
        return self._where(low, self.map.share > 0, self.vertices.share > 0, self.cage.moved)

    def changed(self, low: LowPoly, last: _Ways) -> Mask:
        """Return (T,) bool: triangles in which a way turns rays otherwise than it did."""
        return self._where(
            low,
            self.map.share != last.map.share,
            self.vertices.share != last.vertices.share,
            self.cage.share != last.cage.share,
        )

    def _where(self, low: LowPoly, of_map: Mask, of_vertices: Mask, of_cage: Mask) -> Mask:
        """Return (T,) bool: triangles with marked positions of one of the ways."""
        out = np.asarray(of_cage[low.welded].any(axis=1))
        for field, mark in ((self.map, of_map), (self.vertices, of_vertices)):
            cut = field.refined
            out[cut.parent[mark[cut.low.welded].any(axis=1)]] = True
        return out

    def taken_back(
        self, tuning: Tuning, points: SurfacePoints, harmed: dict[str, Mask], kept: float
    ) -> _Ways:
        """Return the ways with less turning, or none, in the triangles of what they harm."""
        fine, coarse, cage = self.map, self.vertices, self.cage
        if harmed["map"].any():
            fine = taken_back(fine, points.take(harmed["map"]), 0.0)
        whole = fine.refined.to_parent(points)
        if harmed["vertices"].any():
            coarse = taken_back(coarse, whole.take(harmed["vertices"]), kept)
        if harmed["cage"].any():
            cage = cage.taken_back(tuning, whole.take(harmed["cage"]), kept)
        return _Ways(fine, coarse, cage)


def _points(tuning: Tuning, field: StraighteningField, draw: int, near: Mask) -> SurfacePoints:
    """Return points that nothing was made from, in the cut's pieces of some triangles."""
    pieces = np.flatnonzero(near[field.cut.parent])
    return check_points(tuning, field.cut, pieces, FRESH_SEED + draw)
