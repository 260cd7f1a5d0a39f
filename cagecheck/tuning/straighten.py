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

from cagecheck.defects.kinds import Defect
from cagecheck.meshes.mesh import Floats
from cagecheck.progress import Progress, silent
from cagecheck.rays.points import SurfacePoints, join_points, sample_points
from cagecheck.tuning.leaned import moved_cage
from cagecheck.tuning.outcome import HARM, Outcome, outcome
from cagecheck.tuning.straighten_map import (
    StraighteningField,
    area_spacing,
    map_cage,
    straightening_field,
)
from cagecheck.tuning.tune import Tuning

# Added to the seed for points that no check of the tuning has used.
FRESH_SEED = 1000


@dataclass(frozen=True, eq=False)
class Straightening:
    """Straightening fields and what they change.

    Attributes
    ----------
    share : (V,) float64 in [0, 1] per vertex: 0 is the averaged normal, 1 the face's own.
    field : the same on a finer cut of the low poly, from which the map is drawn.
    before : the tuned cage. vertices : the tuned cage with rays turned by `share`; map : by
        `field`; cage : one cage mesh with vertices moved sideways (for bakers that take nothing
        else), its `cage.positions` are the vertices. All on the same points, never used for
        solving.
    """

    share: Floats
    field: StraighteningField
    before: Outcome
    vertices: Outcome
    map: Outcome
    cage: Outcome

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
            "vertices_help": self.vertices_help(),
            "map_helps": self.map_helps(),
            "cage_helps": self.cage_helps(),
            "table": self.table(),
        }

    def vertices_help(self) -> bool:
        """True when rays turned per vertex have less skew and no more harm of any kind."""
        return _worth(self.before, self.vertices)

    def map_helps(self) -> bool:
        """True when rays turned by the map have less skew and no more harm of any kind."""
        return _worth(self.before, self.map)

    def cage_helps(self) -> bool:
        """True when the moved cage has less skew and no more harm of any kind."""
        return _worth(self.before, self.cage)


def straighten(tuning: Tuning, *, progress: Progress = silent) -> Straightening:
    """Find straightening fields and a moved cage, and cast what each leaves.

    The fields leave the tuned offsets as they are, so that one cage serves with and without them;
    where turned rays would miss or overshoot they are not turned. The moved cage is as high over
    every face as the tuned one. All are judged on points never used for solving: `vertices_help`,
    `map_helps` and `cage_helps` compare.
    """
    low = tuning.low
    coarse = straightening_field(tuning, finer=False, progress=progress)
    field = straightening_field(tuning, progress=progress)
    points = _points(tuning, field)
    whole = field.refined.to_parent(points)
    before = outcome(tuning, tuning.cage, whole, progress=progress)
    return Straightening(
        share=coarse.share[low.position_id],
        field=field,
        before=before,
        vertices=outcome(
            tuning, map_cage(coarse.refined, tuning.cage, coarse.share), whole,
            refined=coarse.refined, progress=progress,
        ),
        map=outcome(
            tuning, map_cage(field.refined, tuning.cage, field.share), points,
            refined=field.refined, progress=progress,
        ),
        cage=outcome(
            tuning, moved_cage(tuning, field, progress=progress), whole, progress=progress
        ),
    )  # fmt: skip


def _points(tuning: Tuning, field: StraighteningField) -> SurfacePoints:
    """Return the points of the field's last check, and new ones on the rest of the low poly."""
    fine = field.refined.low
    rest = np.setdiff1d(np.arange(len(fine.triangles)), field.pieces)
    seed = tuning.settings.seed + FRESH_SEED
    others = sample_points(fine, area_spacing(tuning), seed=seed, triangles=rest)
    return join_points([field.after.points, others])


def _worth(before: Outcome, after: Outcome) -> bool:
    less = after.percent(Defect.SKEW) < before.percent(Defect.SKEW)
    return less and after.percent(*HARM) <= before.percent(*HARM)
