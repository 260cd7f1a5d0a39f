"""Casting, solving and casting again until the offsets hold on all points looked at.

Corridors are known along the rays of one cage; the solved cage has slightly other rays. So every
solution is cast again, the corridors are taken along the new rays, and what a solution is worth
is what its own cast shows.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.targets import Targets, find_targets
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Floats
from cagecheck.meshes.normals import normalised
from cagecheck.prediction import DEEP_SEARCH, REACH_HEADROOM, Settings, own_layers
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage, Rays, cage_from_push, rays_through
from cagecheck.rays.layers import Layers
from cagecheck.rays.points import SurfacePoints, join_points, sample_points
from cagecheck.rays.scene import Scene
from cagecheck.tuning.corridors import (
    Corridors,
    Graph,
    Limits,
    build_problem,
    corridors_of,
    low_graph,
)
from cagecheck.tuning.folds import check_shell
from cagecheck.tuning.peaks import peak_points
from cagecheck.tuning.problem import OffsetSolution
from cagecheck.tuning.solver import SolverName, solve_offsets

Mask = NDArray[np.bool_]

# Rounds of solving and casting: rays settle by about a factor of ten a round.
ROUNDS = 6
_PATIENT_ROUNDS = 2
# Offsets that move by less than this share of the largest stand still: rays turn by less than that.
STILL = 0.01
# What a sample was short after a round is added to its clearance this many times over.
OVERSHOOT_SHORTFALL = 1.5
# Fold ceilings go this far below the height at which the prism flattened.
FOLD_HEADROOM = 0.95
# Vertices of the high poly within this many margins of the cage are watched.
PEAK_MARGINS = 4.0


@dataclass(frozen=True, eq=False)
class Cast:
    """One cast of points through a cage, and which samples it leaves wrong.

    short : (N,) bool, the target lies above the start; beyond : (N,) bool, the ray starts at or
    beyond the next layer; clash : (N,) bool, no offset can be right for the sample alone.
    """

    points: SurfacePoints
    cage: Cage
    rays: Rays
    layers: Layers
    targets: Targets
    corridors: Corridors
    short: Mask
    beyond: Mask
    clash: Mask

    @property
    def wrong(self) -> Mask:
        """(N,) bool, short or beyond."""
        return self.short | self.beyond


@dataclass(frozen=True)
class Round:
    """What one cast of a search showed: points, samples short and beyond, folds, iterations."""

    stage: str
    points: int
    short: int
    beyond: int
    open: int
    folds: int


@dataclass(eq=False)
class Search:
    """The offsets so far, the points that they are made to hold on, and the record of rounds.

    Attributes
    ----------
    offsets : (P,) float64 per welded position.
    push : (T, 3, 3) float64 where a corner goes per unit of offset; unit vectors in the directions
        of the settings where not given.
    conflict : (T,) bool, triangles in which the last solution left a row broken.
    """

    low: LowPoly
    scene: Scene
    paired: Mask
    settings: Settings
    margin: float
    limits: Limits
    points: SurfacePoints
    solver: SolverName = "interior"
    progress: Progress = silent
    push: Floats | None = None
    graph: Graph = field(init=False)
    offsets: Floats = field(init=False)
    conflict: Mask = field(init=False)
    extra: Floats = field(init=False)
    solution: OffsetSolution | None = None
    rounds: list[Round] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Start from a cage on the low poly itself: rays along the averaged normals."""
        count = self.low.position_count
        self.graph = low_graph(self.low)
        self.offsets = np.zeros(count)
        self.conflict = np.zeros(len(self.low.triangles), bool)
        self.extra = np.zeros(len(self.points))
        self.limits.fold_ceiling.resize(count, refcheck=False)
        self.limits.fold_ceiling[:] = np.inf

    def cage(self) -> Cage:
        """Return the cage of the offsets so far."""
        if self.push is not None:
            pushed = self.offsets[self.low.welded][:, :, None] * self.push
            return Cage(pushed, normalised(self.push), "offset per vertex, directions given")
        return cage_from_push(
            self.low, self.offsets[self.low.position_id], self.settings.directions
        )

    def cast(self, points: SurfacePoints, extra: Floats | None = None) -> Cast:
        """Cast points through the cage so far."""
        low, settings, cage = self.low, self.settings, self.cage()
        rays = rays_through(low, cage, points, settings.along)
        assert settings.depth is not None and settings.reach is not None
        reach = max(settings.reach, REACH_HEADROOM * float(rays.start.max(initial=0.0)))
        layers = self.scene.cast(
            rays.origin, rays.direction, DEEP_SEARCH * settings.depth, reach,
            progress=self.progress,
        )  # fmt: skip
        high_part = self.scene.surface.triangle_part
        if settings.apart:
            layers = own_layers(low, points, layers, high_part, self.paired)
        targets = find_targets(
            low, points, rays, layers, high_part, self.paired, progress=self.progress
        )
        push = cage.normals if self.push is None else self.push
        corridors = corridors_of(low, push, points, rays, targets, self.margin, extra)
        clash = np.zeros(len(points), bool)
        clash[corridors.point[corridors.clash]] = True
        with np.errstate(invalid="ignore"):
            short = targets.found & (targets.t > rays.start)
            beyond = targets.found & (targets.t_next <= rays.start)
        return Cast(points, cage, rays, layers, targets, corridors, short, beyond, clash)

    def open_samples(self, cast: Cast) -> Mask:
        """Return (N,) bool: wrong samples that are neither clashes nor part of a conflict."""
        return cast.wrong & ~cast.clash & ~self.conflict[cast.points.triangle]

    def add(self, points: SurfacePoints) -> None:
        """Make the offsets hold on more points from the next solution on."""
        self.points = join_points([self.points, points])
        self.extra = np.concatenate([self.extra, np.zeros(len(points))])

    def settle(self, stage: str, rounds: int = ROUNDS) -> None:
        """Solve and cast until no open sample is left and the offsets stand still.

        Still means that no offset moves by more than the margin or a hundredth of the largest; the
        rounds may be used up first.

        Keeps the offsets of the round with the fewest open samples, and of those the last.
        """
        self.extra[:] = 0.0
        best: tuple[int, Floats, Mask, OffsetSolution | None] | None = None
        last = np.full(len(self.offsets), np.inf)
        for k in range(rounds + 1):
            cast = self.cast(self.points, self.extra)
            left = self.open_samples(cast)
            count = int(left.sum())
            solved = self.solution is not None
            if solved:
                self._note(stage, cast, count)
                if best is None or count <= best[0]:
                    best = (count, self.offsets, self.conflict, self.solution)
                folds_left = self._lower_fold_ceilings()
                moved = float(np.abs(self.offsets - last).max(initial=0.0))
                settled = moved <= max(self.margin, STILL * float(self.offsets.max(initial=0.0)))
                if count == 0 and settled and not (folds_left and k < _PATIENT_ROUNDS):
                    break
            if k < rounds:
                # New rays alone mend most of what a solution left; more clearance is for the
                # samples that they did not.
                if k >= _PATIENT_ROUNDS:
                    self._learn(cast, left)
                last = self.offsets
                self._solve(cast)
        if best is not None:
            _, self.offsets, self.conflict, self.solution = best

    def settle_and_check(self, factor: int, checks: int) -> Cast:
        """Settle, check on new points, add what is wrong there, and again until a check is clean.

        factor : a check casts this many times the samples. checks : how often wrong samples may
        be added. Returns the last check, whose points were never used for solving.
        """
        spacing = finer_spacing(self.low, self.points, factor)
        self.settle("samples")
        for k in range(checks + 1):
            self.progress("checking", k, checks + 1)
            if self.watch_peaks():
                self.settle("vertices of the high poly")
            seed = self.settings.seed + 1 + k
            check = self.cast(sample_points(self.low, spacing, seed=seed))
            wrong = self.open_samples(check)
            self._note("check", check, int(wrong.sum()))
            if not wrong.any() or k == checks:
                break
            self.add(check.points.take(wrong))
            self.settle("wrong samples of the check")
        self.progress("checking", 1, 1)
        return check

    def watch_peaks(self) -> int:
        """Add the high poly's own vertices that come near the cage; return how many."""
        peaks = peak_points(
            self.low, self.scene, self.cage(), self.paired, PEAK_MARGINS * self.margin,
            along=self.settings.along,
        )  # fmt: skip
        self.add(peaks)
        return len(peaks)

    def _note(self, stage: str, cast: Cast, count: int) -> None:
        folds = int(check_shell(self.low, cast.cage).folded.sum())
        self.rounds.append(
            Round(
                stage, len(cast.points), int(cast.short.sum()), int(cast.beyond.sum()), count, folds
            )
        )

    def _learn(self, cast: Cast, left: Mask) -> None:
        """Ask for more clearance where a solution fell short on its own rays."""
        rows = np.flatnonzero(left & cast.short)
        self.extra[rows] += OVERSHOOT_SHORTFALL * (cast.targets.t - cast.rays.start)[rows]

    def _solve(self, cast: Cast) -> None:
        corridors = cast.corridors
        problem = build_problem(self.low, self.graph, corridors, self.limits)
        self.solution = solve_offsets(problem, solver=self.solver, progress=self.progress)
        self.offsets = self.solution.offsets
        broken = self.solution.conflicts[: len(corridors)]
        self.conflict = np.zeros(len(self.low.triangles), bool)
        self.conflict[cast.points.triangle[corridors.point[broken]]] = True

    def _lower_fold_ceilings(self) -> bool:
        """Lower the soft ceilings of folded triangles; tell whether that changed anything."""
        shell = check_shell(self.low, self.cage())
        folded = np.flatnonzero(shell.folded & (shell.fold_height > 0))
        if len(folded) == 0:
            return False
        corner = self.low.welded[folded]
        share = FOLD_HEADROOM * np.minimum(shell.fold_height[folded], 1.0)
        before = self.limits.fold_ceiling.copy()
        np.minimum.at(
            self.limits.fold_ceiling,
            corner.ravel(),
            (share[:, None] * self.offsets[corner]).ravel(),
        )
        return bool((self.limits.fold_ceiling < before).any())


def finer_spacing(low: LowPoly, points: SurfacePoints, factor: int) -> float:
    """Return the spacing that gives `factor` times as many area samples as `points` holds."""
    count = int((points.area > 0).sum())
    return float(np.sqrt(low.area.sum() / max(factor * count, 1)))
