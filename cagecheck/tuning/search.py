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
from cagecheck.prediction import DEEP_SEARCH, REACH_HEADROOM, Settings, own_layers
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage, Rays, cage_from_push, rays_through
from cagecheck.rays.layers import Layers
from cagecheck.rays.points import SurfacePoints, join_points
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
        corridors = corridors_of(low, cage, points, rays, targets, self.margin, extra)
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

        Still means that no offset moves by more than the margin; the rounds may be used up first.

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
                settled = float(np.abs(self.offsets - last).max(initial=0.0)) <= self.margin
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
