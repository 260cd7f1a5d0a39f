"""Straightening: turning rays from the averaged towards the face normals, and what it changes.

A ray that leans from its face lets detail at height t slide sideways by |t| tan(lean). Turning it
towards the face's normal takes the lean away, but at an edge the rays of both sides then part
company. One number s, 0 (averaged) to 1 (face), weighs the two. There are three ways to hand it
to a baker, and what each can do differs: a map, texel by texel; one number per vertex, which can
do nothing on faces whose vertices all lie on hard edges; and a cage whose vertices are moved
sideways, which gives every vertex one direction for all its faces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import Defect
from cagecheck.errors import takes
from cagecheck.progress import Progress, silent
from cagecheck.rays.points import SurfacePoints, join_points, sample_points
from cagecheck.tuning.assurance import surface_bound
from cagecheck.tuning.straighten.moved_cage import MovedCage, moved_cage
from cagecheck.tuning.straighten.outcome import Outcome, outcome
from cagecheck.tuning.straighten.turning_map import (
    StraighteningField,
    area_spacing,
    check_points,
    map_cage,
    straightening_field,
    taken_back,
)
from cagecheck.tuning.tune import Tuning
from cagecheck.words.numbers import count_text

Mask = NDArray[np.bool_]

# Added to the seed for points that no check of the tuning has used.
FRESH_SEED = 1000
# Looks at new points. Where one shows harm, turning is taken back there, and the next looks anew.
LOOKS = 12
# In the first half of the looks vertices keep this part of their turning, as large faces hang on
# them; then none. A map's pieces are small, and are left alone at once.
KEPT = 0.5
# The ways to hand straightening to a baker, as fields and files name them.
WAYS = ("map", "vertices", "cage")


@dataclass(frozen=True, eq=False)
class Straightening:
    """Straightening fields and what they change.

    All outcomes are on the same points, never used for solving.

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
        How many sets of points were looked at; what all but the last showed was taken back.
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
        return surface_bound(self.before.points, self.looks)

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
            "samples": len(self.before.points),
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
    for look in range(LOOKS):
        progress("checking straightening", look, LOOKS)
        points = _points(tuning, field, look)
        before, found, harmed = ways.cast(tuning, points)
        if look == LOOKS - 1 or not any(rows.any() for rows in harmed.values()):
            break
        ways = ways.taken_back(tuning, points, harmed, KEPT if 2 * look < LOOKS else 0.0)
    progress("checking straightening", 1, 1)
    return Straightening(
        share=ways.vertices.share[tuning.low.position_id],
        field=ways.map,
        before=before,
        vertices=found["vertices"],
        map=found["map"],
        cage=found["cage"],
        harmed={way: int(rows.sum()) for way, rows in harmed.items()},
        looks=look + 1,
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

        points : of the map's cut. Rays that are not turned differ by rounding alone; what that
        changes is no harm of turning.
        """
        low, fine, coarse = tuning.low, self.map, self.vertices
        whole = fine.refined.to_parent(points)
        before = outcome(tuning, tuning.cage, whole)
        cages = [map_cage(field.refined, tuning.cage, field.share) for field in (fine, coarse)]
        found = {
            "map": outcome(tuning, cages[0], points, refined=fine.refined),
            "vertices": outcome(tuning, cages[1], whole, refined=coarse.refined),
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

    def taken_back(
        self, tuning: Tuning, points: SurfacePoints, harmed: dict[str, Mask], kept: float
    ) -> _Ways:
        """Return the ways with less turning, or none, in the triangles of what they harm."""
        fine, coarse, cage = self.map, self.vertices, self.cage
        if harmed["map"].any():
            fine = taken_back(tuning, fine, points.take(harmed["map"]), 0.0)
        whole = fine.refined.to_parent(points)
        if harmed["vertices"].any():
            coarse = taken_back(tuning, coarse, whole.take(harmed["vertices"]), kept)
        if harmed["cage"].any():
            cage = cage.taken_back(tuning, whole.take(harmed["cage"]), kept)
        return _Ways(fine, coarse, cage)


def _points(tuning: Tuning, field: StraighteningField, look: int) -> SurfacePoints:
    """Return points that nothing was made from, thicker where rays may turn."""
    fine = field.refined.low
    rest = np.setdiff1d(np.arange(len(fine.triangles)), field.pieces)
    inside = check_points(tuning, field.cut, field.pieces, FRESH_SEED + look)
    seed = tuning.settings.seed + FRESH_SEED + look
    return join_points(
        [inside, sample_points(fine, area_spacing(tuning), seed=seed, triangles=rest)]
    )
