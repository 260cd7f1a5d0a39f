"""What a bake records through other rays than the tuned ones, at given points, without regions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.classify import Findings
from cagecheck.defects.kinds import Defect
from cagecheck.defects.match import DEEP_SEARCH, reach_past
from cagecheck.defects.measures import measure_at
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.predicting.settings import Settings
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage, Rays
from cagecheck.rays.points import SurfacePoints, join_points
from cagecheck.tuning.refine import Refined
from cagecheck.tuning.tune import Tuning

# What straightening must not bring: detail is lost, not only bent.
HARM = (
    Defect.MISS_TIGHT,
    Defect.MISS_DEEP,
    Defect.MISS_NOTHING,
    Defect.OVERSHOOT_OWN,
    Defect.OVERSHOOT_OTHER,
    Defect.BACK_FACING,
    Defect.FOLD,
)


@dataclass(frozen=True, eq=False)
class Outcome:
    """One cast through a cage, classified. `points` are those of `low`.

    Of the findings no measures are kept but that of splits. rest : what was found on other points
    of the surface; percent and texels are those of both.
    """

    low: LowPoly
    cage: Cage
    settings: Settings
    points: SurfacePoints
    rays: Rays
    findings: Findings
    rest: Outcome | None = None

    @property
    def every_point(self) -> SurfacePoints:
        """The points, and those of the rest."""
        more = [] if self.rest is None else [self.rest.points]
        return join_points([self.points, *more])

    def percent(self, *defects: Defect) -> float:
        """Return the share of the low poly's area that has any of the defects, in percent.

        The area of a split is that of the wedge: its width along the edge.
        """
        both = [self] if self.rest is None else [self, self.rest]
        whole = sum(float(one.points.area.sum()) for one in both)
        return 100 * sum(one._wrong_area(defects) for one in both) / (whole or 1.0)

    def _wrong_area(self, defects: tuple[Defect, ...]) -> float:
        area = self.points.area
        wrong = np.zeros(len(area), bool)
        total = 0.0
        for defect in defects:
            if defect == Defect.SPLIT:
                total += self._wedges()
            else:
                wrong |= self.findings.has(defect)
        return total + float(area[wrong].sum())

    def _wedges(self) -> float:
        rows = np.flatnonzero(self.findings.has(Defect.SPLIT))
        per_unit = self.low.texels_per_unit(self.settings.map_size)[self.points.triangle[rows]]
        width = self.findings.measures[Defect.SPLIT][rows]
        width = np.divide(width, per_unit, out=width.copy(), where=per_unit > 0)
        return float((width * self.points.spacing[rows]).sum())

    def texels(self, defect: Defect) -> float:
        """Return how many texels the samples with a defect stand for."""
        rows = self.findings.has(defect)
        per_unit = self.low.texels_per_unit(self.settings.map_size)[self.points.triangle[rows]]
        mine = float((self.points.area[rows] * per_unit**2).sum())
        return mine + (0.0 if self.rest is None else self.rest.texels(defect))

    def worse_than(self, before: Outcome) -> np.ndarray:
        """Return (N,) bool: samples harmed here that were not harmed so before."""
        out = np.zeros(len(self.points), bool)
        for kind in HARM:
            out |= self.gained(kind, before)
        return out

    def gained(self, kind: Defect, before: Outcome) -> np.ndarray:
        """Return (N,) bool: samples that have a defect here and had not before."""
        return np.asarray(self.findings.has(kind) & ~before.findings.has(kind))


def outcome(
    tuning: Tuning,
    cage: Cage,
    points: SurfacePoints,
    *,
    refined: Refined | None = None,
    progress: Progress = silent,
) -> Outcome:
    """Cast points through a cage of the tuned low poly, or of a finer cut of it, and classify.

    Which surface belongs to a point is decided on the tuned low poly itself in both cases.
    """
    settings, shot = tuning.settings, tuning.matcher
    depth, reach = settings.depth_and_reach()
    whole = points
    if refined is not None:
        shot, whole = shot.on(refined.low), refined.to_parent(points)
    rays = shot.rays(cage, points)
    reach = reach_past(rays.start, reach)
    cast = tuning.matcher.match(whole, rays, DEEP_SEARCH * depth, reach, progress=progress)
    findings = shot.classify(
        cage, replace(cast, points=points),
        depth=depth, map_size=settings.map_size, thresholds=settings.thresholds,
    )  # fmt: skip
    split = {Defect.SPLIT: findings.measures[Defect.SPLIT]}
    return Outcome(shot.low, cage, settings, points, rays, replace(findings, measures=split))


def of_check(tuning: Tuning, rows: NDArray[np.int64]) -> Outcome:
    """Return what the tuning's last check showed of some of its points."""
    after = tuning.after
    f = after.findings
    found = f.found.take(rows)
    split = {Defect.SPLIT: measure_at(f.measures, Defect.SPLIT, rows)}
    findings = Findings(found, f.flags[rows], f.main[rows], split)
    return Outcome(tuning.low, tuning.cage, tuning.settings, found.points, found.rays, findings)
