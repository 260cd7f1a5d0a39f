"""Casting, solving and casting again until the offsets hold on all points looked at.

Corridors are known along the rays of one cage; the solved cage has slightly other rays. So every
solution is cast again, the corridors are taken along the new rays, and what a solution is worth
is what its own cast shows. Where that does not come to rest, steps are shortened: sequential
linear programming with an exact penalty in a trust region (Fletcher and de la Maza, "Nonlinear
programming and nonsmooth optimization by successive linear programming", Mathematical Programming
43, 1989), with a radius for every position. A row that is still broken when the rays stand still
is a conflict: no small change of offsets keeps it together with the others.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.match import DEEP_SEARCH, Matched, Matcher, reach_past, spliced
from cagecheck.memory import give_back
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.predicting.settings import Settings
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage, Rays, cage_from_push
from cagecheck.rays.points import SurfacePoints, join_points
from cagecheck.rays.scene import Scene
from cagecheck.tuning.corridors import (
    Corridors,
    Graph,
    Limits,
    build_problem,
    clashing,
    corridors_of,
    low_graph,
    most_needed,
    part_extents,
)
from cagecheck.tuning.folds import check_shell
from cagecheck.tuning.loss import loss_of
from cagecheck.tuning.peaks import Peaks
from cagecheck.tuning.rings import NEIGHBOUR_RINGS, triangles_around
from cagecheck.tuning.solver.problem import OffsetSolution, UnsolvedError
from cagecheck.tuning.solver.solve import SolverName, solve_offsets

Mask = NDArray[np.bool_]

# What decides which of two corridors is given up: what shows, or the area alone.
DecideName = Literal["harm", "area", "reach"]

# Samples are cast again where an offset of their triangle has changed by this share of its largest,
# a tenth of what counts as standing still. The checks cast all their points.
TURNED = 1e-3
# Rounds of solving and casting: rays settle by about a factor of ten a round.
ROUNDS = 6
_PATIENT_ROUNDS = 2
# Offsets that move by less than this share of the largest stand still: rays turn by less than that.
STILL = 0.01
# Where nothing is open but many samples stay wrong, a round that mends less than this share of them
# is the last: the next ones would mend less still. Of few, that share is no sample at all.
WORTHWHILE = 0.01
# Open samples in so small a share of the triangles are left to mending, which solves only there.
FEW = 0.002
# What a sample was short after a round is added to its clearance this many times over.
OVERSHOOT_SHORTFALL = 1.5
# Fold ceilings go this far below the height at which the prism flattened.
FOLD_HEADROOM = 0.95
# Where a solution does not hold on its own rays, offsets may move this share of their last move
# the next time; a new settling gives most of that back (three halvings), as its rows are others.
HOLD = 0.5
WIDEN = 8.0
# Clearance that an earlier settling asked for and that a new one begins with.
REMEMBERED = 0.5
# Points weigh by the area they stand for, against the usual one; those that only watch a little,
# as they stand thick where something is wrong.
LEAST_WEIGHT = 0.01
# Rows with less than a ten-thousandth of the usual price might give way to smoothness alone.
LEAST_IMPORTANCE = 1e-3
# Rows broken by this share of the usual target distance count half.
NEAR_SHARE = 0.1


@dataclass(frozen=True, eq=False)
class Cast(Matched):
    """One cast of points through a cage, and which samples it leaves wrong.

    short : (N,) bool, the target lies above the start; beyond : (N,) bool, the ray starts at or
    beyond the next layer; clash : (N,) bool, no offset can be right for the sample alone.
    seen : (T, 3) the offsets of every triangle's corners when rays were last cast from it.
    low, margin, extra : what `corridors` asks for, see `corridors_of`.
    """

    cage: Cage
    seen: Floats
    short: Mask
    beyond: Mask
    clash: Mask
    low: LowPoly
    margin: float
    extra: Floats | None

    @cached_property
    def corridors(self) -> Corridors:
        """The rows that the samples give; worked out when first asked for."""
        return corridors_of(self.low, self.cage.normals, self, self.margin, self.extra)

    @property
    def wrong(self) -> Mask:
        """(N,) bool, short or beyond."""
        return self.short | self.beyond

    @cached_property
    def folded(self) -> Mask:
        """(T,) bool: triangles that fold under the cage."""
        return check_shell(self.low, self.cage).folded

    def matched(self) -> Matched:
        """Return what was cast, without what tuning makes of it."""
        return Matched(self.points, self.rays, self.layers, self.targets)

    def earlier(self, rows: NDArray[np.int64] | None = None) -> Earlier:
        """Return the points, or some of them, to be followed to another cage."""
        return Earlier(self.matched() if rows is None else self.take(rows), self.seen)


@dataclass(frozen=True, eq=False)
class Earlier:
    """What was found for points through an earlier cage; seen : (T, 3), see `Cast`."""

    found: Matched
    seen: Floats


@dataclass(frozen=True)
class Round:
    """What one cast of a search showed: points, those short, beyond and open, and folds."""

    stage: str
    points: int
    short: int
    beyond: int
    open: int
    folds: int


@dataclass(frozen=True, eq=False)
class State:
    """What `Search.restore` brings back."""

    offsets: Floats
    conflict: Mask
    solution: OffsetSolution | None
    radius: Floats
    extra: Floats


@dataclass(eq=False)
class Search:
    """The offsets so far, the points that they are made to hold on, and the record of rounds.

    Attributes
    ----------
    offsets : (P,) float64 per welded position.
    conflict : (T,) bool, triangles in which the last solution left a row broken.
    unsolved : how many problems no solver found an answer to; offsets stayed as they were.
    last_check : the last check of all, see `check`.
    """

    matcher: Matcher
    settings: Settings
    margin: float
    limits: Limits
    points: SurfacePoints
    solver: SolverName = "interior"
    progress: Progress = silent
    decide: DecideName = "harm"
    graph: Graph = field(init=False)
    offsets: Floats = field(init=False)
    conflict: Mask = field(init=False)
    extra: Floats = field(init=False)
    radius: Floats = field(init=False)
    levelled: Mask = field(init=False)
    peaks: Peaks = field(init=False)
    known: Earlier | None = field(init=False, default=None)
    extent: Floats = field(init=False)
    loss: Floats = field(init=False)
    solution: OffsetSolution | None = None
    rounds: list[Round] = field(default_factory=list)
    unsolved: int = 0
    last_check: Cast | None = None

    def __post_init__(self) -> None:
        """Start from a cage on the low poly itself: rays along the averaged normals."""
        count = self.low.position_count
        self.graph = low_graph(self.low)
        self.offsets = np.zeros(count)
        self.conflict = np.zeros(len(self.low.triangles), bool)
        self.extra = np.zeros((len(self.points), 2))
        self.radius = np.full(count, np.inf)
        self.levelled = np.zeros(len(self.graph.edges), bool)
        self.peaks = Peaks(self.matcher)
        self.extent = part_extents(self.low)
        self.loss = np.zeros(0)
        self.limits.fold_ceiling.resize(count, refcheck=False)
        self.limits.fold_ceiling[:] = np.inf
        self.limits.steepness.resize(len(self.graph.edges), refcheck=False)
        self.limits.steepness[:] = np.inf

    @property
    def low(self) -> LowPoly:
        """The low poly."""
        return self.matcher.low

    @property
    def scene(self) -> Scene:
        """The high poly as a scene."""
        return self.matcher.scene

    @property
    def paired(self) -> Mask:
        """(low parts, high parts) bool."""
        return self.matcher.paired

    def cage(self) -> Cage:
        """Return the cage of the offsets so far."""
        return cage_from_push(
            self.low, self.offsets[self.low.position_id], self.settings.directions
        )

    def cast(self, points: SurfacePoints) -> Cast:
        """Cast points through the cage so far."""
        return self.follow(points, None)

    @property
    def check(self) -> Cast:
        """The last check of all, whose points the offsets were not made from.

        Checks are the largest of casts, so it is kept here alone: `check_on` lets go of it first.
        """
        assert self.last_check is not None
        return self.last_check

    def check_on(self, points: SurfacePoints) -> Cast:
        """Check the offsets on points that they were not made from."""
        self.last_check = None
        give_back()
        self.last_check = self.cast(points)
        return self.last_check

    def cast_samples(self) -> Cast:
        """Cast the search's own points; those whose rays have hardly turned are not cast again."""
        cast = self.follow(self.points, self.known, self.extra)
        self.known = cast.earlier()
        return cast

    def cast_again(self, cast: Cast) -> Cast:
        """Cast the points of an earlier cast where the cage has changed at all since."""
        return self.follow(cast.points, cast.earlier(), least=0.0)

    def follow(
        self,
        points: SurfacePoints,
        last: Earlier | None,
        extra: Floats | None = None,
        *,
        least: float = TURNED,
    ) -> Cast:
        """Cast points that were cast before where their rays have turned since, or all of them.

        last : of the first of the points. extra : (N, 2), see `add`. least : see `turned`.
        """
        cage, corner = self.cage(), self.offsets[self.low.welded]
        rays = self.matcher.rays(cage, points)
        if last is None:
            return self._judged(cage, corner, self._matched(points, rays), extra)
        count = len(last.found)
        stale = self.turned(corner, last.seen, least)
        stale[points.triangle[count:]] = True
        again = triangles_around(self.low, stale, NEIGHBOUR_RINGS)
        chosen = again[points.triangle]
        chosen[count:] = True
        rows = np.flatnonzero(chosen)
        new = self._matched(points.take(rows), rays.take(rows))
        source = np.arange(len(points))
        source[rows] = count + np.arange(len(rows))
        found = spliced(last.found, new, source, points, rays)
        seen = np.where(again[:, None], corner, last.seen)
        return self._judged(cage, seen, found, extra)

    def turned(self, corner: Floats, before: Floats, least: float = TURNED) -> Mask:
        """Return (T,) bool: triangles whose rays turn from (T, 3) offsets to others.

        least : by this share of their largest offset.
        """
        moved = np.abs(corner - before).max(axis=1)
        return np.asarray(moved > least * np.maximum(corner.max(axis=1), self.margin))

    def _matched(self, points: SurfacePoints, rays: Rays) -> Matched:
        depth, reach = self.settings.depth_and_reach()
        # By all offsets, not these points' own: what a ray meets must not depend on the others.
        reach = reach_past(self.offsets, reach)
        return self.matcher.match(points, rays, DEEP_SEARCH * depth, reach, progress=self.progress)

    def _judged(self, cage: Cage, seen: Floats, found: Matched, extra: Floats | None) -> Cast:
        points, rays, layers, targets = found.points, found.rays, found.layers, found.targets
        with np.errstate(invalid="ignore"):
            short = targets.found & (targets.t > rays.start)
            beyond = targets.found & (targets.t_next <= rays.start)
        return Cast(
            points, rays, layers, targets, cage, seen, short, beyond,
            clashing(targets, self.margin), self.low, self.margin, extra,
        )  # fmt: skip

    def open_samples(self, cast: Cast) -> Mask:
        """Return (N,) bool: wrong samples that are neither clashes nor part of a conflict."""
        return cast.wrong & ~cast.clash & ~self.conflict[cast.points.triangle]

    def add(self, points: SurfacePoints, extra: Floats | None = None) -> None:
        """Make the offsets hold on more points from the next solution on.

        extra : (N, 2) clearance over the target and under the next layer, besides the margin.
        """
        self.points = join_points([self.points, points])
        more = np.zeros((len(points), 2)) if extra is None else extra
        self.extra = np.concatenate([self.extra, more])
        self.radius[self.low.welded[points.triangle]] = np.inf

    def settle(self, stage: str, rounds: int = ROUNDS) -> None:
        """Solve and cast until no open sample is left and the offsets stand still.

        Still means that no offset moves by more than the margin or a hundredth of the largest; the
        rounds may be used up first, one may mend too little of many wrong samples to go on, or
        leave so few open ones that they are mended one by one.
        Where a solution does not hold on its own rays, the offsets may move half as far the next
        time: rays settle, and the rows with them. A problem that no solver answers ends the rounds
        too; `UnsolvedError` where that was the first of all.

        Keeps the offsets of the round that leaves the least wrong, and of those the last.
        """
        best: tuple[float, Floats, Mask, OffsetSolution | None] | None = None
        last, score = np.full(len(self.offsets), np.inf), np.inf
        self.radius *= WIDEN
        self.extra *= REMEMBERED
        for k in range(rounds + 1):
            cast = self.cast_samples()
            left = self.open_samples(cast)
            if self.solution is not None:
                self.note(stage, cast, int(left.sum()))
                earlier, score = score, self.score(cast, left)
                if best is None or score <= best[0]:
                    best = (score, self.offsets, self.conflict, self.solution)
                folds_left = self._lower_fold_ceilings()
                moved = np.abs(self.offsets - last)
                still = max(self.margin, STILL * float(self.offsets.max(initial=0.0)))
                little = WORTHWHILE * score
                idle = little >= 1 and earlier - score < little
                settled = not left.any() and (idle or float(moved.max(initial=0.0)) <= still)
                if settled and not (folds_left and k < _PATIENT_ROUNDS):
                    break
                if k >= _PATIENT_ROUNDS and left.any() and self.touched(cast, left) < FEW:
                    break
                # New rays alone mend most of what a solution left; more clearance and smaller
                # steps are for the samples that they did not.
                if k >= _PATIENT_ROUNDS:
                    self._learn(cast, left)
                    self._hold(cast, left, moved)
            if k < rounds:
                last = self.offsets
                if not self._solve(cast):
                    break
        if best is not None:
            _, self.offsets, self.conflict, self.solution = best

    def most(self, corridors: Corridors) -> Floats:
        """Return (P,) how far offsets may go, by what the rays of a cast need."""
        return most_needed(self.graph, corridors, self.margin, self.limits.preferred, self.extent)

    def score(self, cast: Cast, left: Mask) -> float:
        """Return what is wrong, in usual samples; what corridors would allow counts twice."""
        weight = self.weight(cast.points)
        return float(weight[cast.wrong & ~cast.clash].sum() + weight[left].sum())

    def touched(self, cast: Cast, marked: Mask) -> float:
        """Return the share of triangles that hold some of the marked points."""
        hold = np.zeros(len(self.low.triangles), bool)
        hold[cast.points.triangle[marked]] = True
        return float(hold.mean())

    def weight(self, points: SurfacePoints) -> Floats:
        """Return (N,) what points stand for, in usual samples."""
        area = points.area
        usual = float(np.median(area[area > 0])) if (area > 0).any() else 1.0
        out: Floats = np.clip(area / usual, LEAST_WEIGHT, 1.0)
        return out

    def _hold(self, cast: Cast, left: Mask, moved: Floats) -> None:
        """Let the corners of triangles with open samples move half as far the next time."""
        at = np.unique(self.low.welded[cast.points.triangle[left]])
        self.radius[at] = HOLD * np.minimum(np.maximum(moved[at], self.margin), self.radius[at])

    def state(self) -> State:
        """Return what `restore` brings back."""
        return State(
            self.offsets, self.conflict, self.solution, self.radius.copy(), self.extra.copy()
        )

    def restore(self, state: State) -> None:
        """Go back to an earlier state."""
        self.offsets, self.conflict, self.solution = state.offsets, state.conflict, state.solution
        self.radius, self.extra = state.radius, state.extra

    def note(self, stage: str, cast: Cast, count: int) -> None:
        """Record what a cast showed; count : its open samples."""
        folds = int(cast.folded.sum())
        self.rounds.append(
            Round(
                stage, len(cast.points), int(cast.short.sum()), int(cast.beyond.sum()), count, folds
            )
        )

    def _learn(self, cast: Cast, left: Mask) -> None:
        """Ask for more clearance where a solution fell short on its own rays."""
        self.extra[left] += OVERSHOOT_SHORTFALL * missing(cast)[left]

    def _solve(self, cast: Cast) -> bool:
        """Solve for the offsets of the next round; False, and nothing changes, where none does."""
        corridors = cast.corridors
        problem = build_problem(
            self.graph, corridors, self.limits, importance=self._importance(cast),
            around=(self.offsets, self.radius), most=self.most(corridors),
        )  # fmt: skip
        try:
            # The rows have turned a little since the last solution.
            near = None if self.solution is None else self.offsets
            self.solution = solve_offsets(
                problem, near=near, solver=self.solver, progress=self.progress
            )
        except UnsolvedError:
            if self.solution is None:
                raise
            self.unsolved += 1
            return False
        self.offsets = self.solution.offsets
        broken = self.solution.conflicts[: len(corridors)] & ~corridors.clash
        self.conflict = np.zeros(len(self.low.triangles), bool)
        self.conflict[cast.points.triangle[corridors.point[broken]]] = True
        return True

    def _importance(self, cast: Cast) -> Floats:
        """Return (K,) what rows weigh: their area, and less the further they are broken now.

        Slack is priced by length, but a sample is lost however far it is off. Weights of
        1 / (slack + a little) bring the price near to a count. Source: Candes, Wakin, Boyd,
        "Enhancing Sparsity by Reweighted l1 Minimization", J. Fourier Anal. Appl. 14, 2008.
        """
        c = cast.corridors
        weight = (self.weight(cast.points) * self._losses(cast))[c.point]
        if self.solution is not None:
            start = cast.rays.start[c.point]
            off = np.maximum(np.maximum(c.lower - start, start - c.upper), 0.0)
            near = NEAR_SHARE * float(np.median(np.abs(c.target))) if len(c) else 0.0
            weight = weight * near / (near + off) if near > 0 else weight
        return np.maximum(weight, LEAST_IMPORTANCE)

    def _losses(self, cast: Cast) -> Floats:
        """Return (N,) what will be seen of the search's own points if they are given up.

        Worked out once for every point: what belongs there does not depend on the offsets.
        """
        if self.decide == "area":
            return np.ones(len(cast.points))
        count = len(self.loss)
        if count < len(cast.points):
            new = loss_of(self.matcher, cast.take(np.arange(count, len(cast))), self.settings)
            self.loss = np.concatenate([self.loss, new])
        return self.loss

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


def missing(cast: Cast) -> Floats:
    """Return (N, 2) how far starts lie below the target and beyond the next layer, 0 where not."""
    out = np.zeros((len(cast.points), 2))
    out[:, 0][cast.short] = (cast.targets.t - cast.rays.start)[cast.short]
    out[:, 1][cast.beyond] = (cast.rays.start - cast.targets.t_next)[cast.beyond]
    return out
