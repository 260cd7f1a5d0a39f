"""Mending wrong samples place by place, so that nothing that is right there is lost.

A solution for the whole low poly weighs rows against each other. Where corridors exclude each
other every new row changes which of them are given up, and samples that nobody had looked at turn
wrong elsewhere. Here only the offsets around one place are free, what is right stays a demand,
and a change counts once a cast shows that it mends more than it loses. What no offsets around the
place can mend together with all that is right there is a conflict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.rows import rows_of_runs, sorted_by_label
from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.points import SurfacePoints
from cagecheck.tuning.corridors import (
    Corridors,
    Graph,
    Limits,
    build_problem,
    join_corridors,
    most_needed,
)
from cagecheck.tuning.folds import ShellCheck, check_prisms
from cagecheck.tuning.rings import NEIGHBOUR_RINGS, triangles_around
from cagecheck.tuning.search import FOLD_HEADROOM, HOLD, Cast, Earlier, Mask, Search
from cagecheck.tuning.solver.problem import UnsolvedError
from cagecheck.tuning.solver.solve import solve_offsets

Indices = NDArray[np.int64]

# Positions this many edges away from a wrong sample's triangle may move with it.
RINGS = 1
# Steps of any length, each along the rays of the one before; rays settle by about a factor of ten
# a step. What the last of them has to leave is a conflict.
FULL_STEPS = 4
# Then steps in a shrinking trust region, for places where the rays do not settle: full steps may go
# to and fro between a fold and a miss. What the last of these leaves is a conflict as well.
SHORT_STEPS = 8
# Of so many wrong points that hang together two steps mend some, or the surfaces there stand
# against it: where rows stay broken and less than this share is mended, the place is in conflict.
LARGE_PLACE = 100
FIRST_STEPS = 2
LEAST_GAIN = 0.05
# A batch goes on with its active places alone once they hold this share of its points or less: to
# take them out costs about as much as one cast of them.
NARROWED = 0.6


@dataclass(frozen=True, eq=False)
class Group:
    """Points that are cast together, as neighbours settle doubtful targets among them.

    cast : what a cast of them showed, where there was one.
    """

    points: SurfacePoints
    wrong: Mask
    cast: Cast | None = None


@dataclass(frozen=True, eq=False)
class _Place:
    """Wrong samples whose triangles hang together: their triangles, and what may change with them.

    core : triangles that touch the samples' own; free : positions that may move; near : triangles
    that touch one of those or hold a sample; seen : those and the triangles around.
    """

    core: Indices
    free: Indices
    near: Indices
    seen: Indices


@dataclass(frozen=True, eq=False)
class _Batch:
    """K places that do not feel each other: no triangle is near two of them.

    positions : (Q,) those of the places, ascending; owner : (Q,) the place that may move it, -1
    where it stays; number : (P,) index into positions, -1 elsewhere. triangles : (S,) that may
    change; triangle_owner : (S,); corners : (S, 3) indices into positions. casts : points by
    group, and which of them count; the others are neighbours. For the M that count: point_owner,
    weight, within (an index into triangles), aim (to be mended) and right (before).
    """

    count: int
    positions: Indices
    owner: Indices
    number: Ints
    triangles: Indices
    triangle_owner: Indices
    corners: Ints
    graph: Graph
    casts: list[tuple[SurfacePoints, Mask]]
    point_owner: Indices
    weight: Floats
    within: Indices
    aim: Mask
    right: Mask

    def of_points(self, value: Floats) -> Floats:
        """Return (K,) the sums of (M,) numbers over each place."""
        return np.asarray(np.bincount(self.point_owner, value, self.count), np.float64)

    def with_points(self, mark: Mask) -> Mask:
        """Return (K,) bool: places with a marked one of the M points."""
        return np.asarray(np.bincount(self.point_owner[mark], minlength=self.count) > 0)

    def with_triangles(self, mark: Mask) -> Mask:
        """Return (K,) bool: places with a marked one of the S triangles."""
        return np.asarray(np.bincount(self.triangle_owner[mark], minlength=self.count) > 0)


@dataclass(frozen=True, eq=False)
class _View:
    """What a cast of a batch shows: (M,) wrong and start, and rows whose `point` is of the M.

    found : the cast of every group.
    """

    wrong: Mask
    start: Floats
    rows: Corridors
    found: list[Earlier]


def mend(search: Search, groups: list[Group]) -> Mask:
    """Mend what can be mended of the wrong points; return (T,) bool: triangles in conflict.

    Changes `search.offsets`. In conflict are triangles where samples stay wrong, since along the
    rays of the last full step, or of the last step of all, no offsets around them keep all rows,
    or none do without another fold. Samples that are neither mended nor in conflict are those whose
    rays did not settle.
    """
    low = search.low
    count = len(low.triangles)
    mesh = _Adjacency(low)
    free = ~np.isfinite(search.limits.kept)
    triangles = np.unique(np.concatenate([g.points.triangle[g.wrong] for g in groups]))
    places = [_place(mesh, free, cluster) for cluster in _clusters(low, triangles)]
    known = Group(search.points, np.zeros(len(search.points), bool), search.cast_samples())
    shelves = [_Shelf(group, count) for group in (*groups, known)]
    conflict = np.zeros(count, bool)
    total = len(places)
    while places:
        search.progress("mending", total - len(places), total)
        chosen, places = _apart(places, count)
        conflict[_run(search, *_batch(search, shelves, chosen))] = True
    return conflict


class _Shelf:
    """A group's points by triangle."""

    def __init__(self, group: Group, count: int) -> None:
        triangle = group.points.triangle
        self.group = group
        self.order, self.first = sorted_by_label(triangle, count)

    def rows(self, triangles: Indices) -> Indices:
        """Return the points in some triangles, ascending."""
        return np.sort(self.order[rows_of_runs(self.first, triangles)])


class _Adjacency:
    """The triangles at every welded position."""

    def __init__(self, low: LowPoly) -> None:
        self.welded = low.welded
        self.at, self.first = sorted_by_label(low.welded.ravel(), low.position_count)

    def triangles(self, positions: Indices) -> Indices:
        """Return the triangles that touch some positions, ascending."""
        return np.unique(self.at[rows_of_runs(self.first, positions)] // 3)

    def positions(self, triangles: Indices) -> Indices:
        """Return the corners of some triangles, ascending."""
        return np.unique(self.welded[triangles]).astype(np.int64)


def _clusters(low: LowPoly, triangles: Indices) -> list[Indices]:
    """Group triangles that hang together by corners, in the order of their first."""
    corner = low.welded[triangles]
    ends = corner[:, [0, 1]].ravel(), corner[:, [1, 2]].ravel()
    count = low.position_count
    graph = coo_array((np.ones(len(ends[0]), np.int8), ends), shape=(count, count))
    _, component = connected_components(graph.tocsr(), directed=False)
    mine = component[corner[:, 0]]
    order = np.argsort(mine, kind="stable")
    starts = np.flatnonzero(np.diff(mine[order])) + 1
    parts = np.split(triangles[order], starts) if len(triangles) else []
    return sorted(parts, key=lambda part: int(part[0]))


def _place(mesh: _Adjacency, free: Mask, triangles: Indices) -> _Place:
    around = mesh.positions(triangles)
    core = mesh.triangles(around)
    for _ in range(RINGS):
        around = mesh.positions(mesh.triangles(around))
    mine = around[free[around]]
    # Where nothing is free the samples' own triangles are looked at all the same.
    near = np.union1d(mesh.triangles(mine), triangles)
    seen = near
    for _ in range(NEIGHBOUR_RINGS):
        seen = mesh.triangles(mesh.positions(seen))
    return _Place(core, mine, near, seen)


def _apart(places: list[_Place], count: int) -> tuple[list[_Place], list[_Place]]:
    """Part the places into some that do not feel each other and the rest, in order."""
    taken = np.zeros(count, bool)
    chosen, rest = [], []
    for place in places:
        if taken[place.near].any():
            rest.append(place)
        else:
            taken[place.near] = True
            chosen.append(place)
    return chosen, rest


def _batch(search: Search, shelves: list[_Shelf], places: list[_Place]) -> tuple[_Batch, _View]:
    """Return some places as a batch, and what a cast shows of it as it stands."""
    low = search.low
    triangle_owner = np.full(len(low.triangles), -1, np.int64)
    core = np.zeros(len(low.triangles), bool)
    free_owner = np.full(low.position_count, -1, np.int64)
    for k, place in enumerate(places):
        triangle_owner[place.near] = k
        core[place.core] = True
        free_owner[place.free] = k
    triangles = np.flatnonzero(triangle_owner >= 0)
    positions = np.unique(low.welded[triangles]).astype(np.int64)
    number = np.full(low.position_count, -1, np.int32)
    number[positions] = np.arange(len(positions), dtype=np.int32)
    seen = np.unique(np.concatenate([place.seen for place in places]))
    casts, aims, found = [], [], []
    for shelf in shelves:
        rows = shelf.rows(seen)
        points = shelf.group.points.take(rows)
        found.append(None if shelf.group.cast is None else shelf.group.cast.earlier(rows))
        counts = triangle_owner[points.triangle] >= 0
        casts.append((points, counts))
        aims.append((shelf.group.wrong[rows] & core[points.triangle])[counts])
    inside = np.concatenate([points.triangle[counts] for points, counts in casts])
    view = _look(search, casts, found)
    batch = _Batch(
        count=len(places),
        positions=positions,
        owner=free_owner[positions],
        number=number,
        triangles=triangles,
        triangle_owner=triangle_owner[triangles],
        corners=number[low.welded[triangles]],
        graph=_part_of(search.graph, positions, number),
        casts=casts,
        point_owner=triangle_owner[inside],
        weight=np.concatenate([search.weight(p)[counts] for p, counts in casts]),
        within=np.searchsorted(triangles, inside),
        aim=np.concatenate(aims) & view.wrong,
        right=~view.wrong,
    )
    return batch, view


def _look(
    search: Search, casts: list[tuple[SurfacePoints, Mask]], found: Sequence[Earlier | None]
) -> _View:
    """Cast the groups of a batch, each by itself, where rays have turned since they were found."""
    wrong, start, rows, now, done = [], [], [], [], 0
    for (points, counts), earlier in zip(casts, found, strict=True):
        cast = search.follow(points, earlier)
        now.append(cast.earlier())
        c = cast.corridors
        number = np.cumsum(counts) - 1 + done
        rows.append(replace(c.take(counts[c.point]), point=number[c.point[counts[c.point]]]))
        wrong.append(cast.wrong[counts])
        start.append(cast.rays.start[counts])
        done += int(counts.sum())
    return _View(np.concatenate(wrong), np.concatenate(start), join_corridors(rows), now)


def _part_of(graph: Graph, positions: Indices, number: Ints) -> Graph:
    edges = number[graph.edges]
    inside = (edges >= 0).all(axis=1)
    return Graph(
        edges[inside], graph.weight[inside], graph.attraction[positions], graph.length[inside]
    )


@dataclass(eq=False)
class _Trial:
    """How far the mending of a batch has come: the best of the steps so far, and what may follow.

    before : (S,) bool, folded at the start. best : (Q,) offsets; best_wrong : (M,) what they leave
    wrong. ceiling : (Q,) soft, below where triangles fold. For each place: gained, by the best;
    radius of the next step; active, may be mended yet; refused, in conflict; large, and hoped (see
    `LARGE_PLACE`).
    """

    batch: _Batch
    view: _View
    before: Mask
    best: Floats
    best_wrong: Mask
    ceiling: Floats
    gained: Floats
    radius: Floats
    active: Mask
    refused: Mask
    large: Mask
    hoped: Floats

    def ended(self, search: Search, places: Mask) -> Indices:
        """Give marked places the best of their steps; return their triangles in conflict."""
        batch = self.batch
        mine = _owned(batch.owner, places)
        search.offsets = search.offsets.copy()
        search.offsets[batch.positions[mine]] = self.best[mine]
        conflict = batch.aim & self.best_wrong & (self.refused & places)[batch.point_owner]
        return batch.triangles[batch.within[conflict]]

    def of_active(self, search: Search) -> _Trial:
        """Return the trial of the active places alone."""
        batch, view = self.batch, self.view
        triangle = self.active[batch.triangle_owner]
        triangles = batch.triangles[triangle]
        position = np.zeros(len(batch.positions), bool)
        position[batch.corners[triangle]] = True
        positions = batch.positions[position]
        number = np.full(len(batch.number), -1, np.int32)
        number[positions] = np.arange(len(positions), dtype=np.int32)
        renamed = np.where(self.active, np.cumsum(self.active) - 1, -1)
        owner = batch.owner[position]
        near = np.zeros(len(search.low.triangles), bool)
        near[triangles] = True
        seen = triangles_around(search.low, near, NEIGHBOUR_RINGS)
        casts, found = [], []
        for (points, counts), earlier in zip(batch.casts, view.found, strict=True):
            rows = np.flatnonzero(seen[points.triangle])
            casts.append((points.take(rows), counts[rows] & near[points.triangle[rows]]))
            found.append(Earlier(earlier.found.take(rows), earlier.seen))
        point = self.active[batch.point_owner]
        narrower = replace(
            batch,
            count=int(self.active.sum()),
            positions=positions,
            owner=np.where(owner >= 0, renamed[np.maximum(owner, 0)], -1),
            number=number,
            triangles=triangles,
            triangle_owner=renamed[batch.triangle_owner[triangle]],
            corners=number[search.low.welded[triangles]],
            graph=_part_of(search.graph, positions, number),
            casts=casts,
            point_owner=renamed[batch.point_owner[point]],
            weight=batch.weight[point],
            within=np.searchsorted(triangles, batch.triangles[batch.within[point]]),
            aim=batch.aim[point],
            right=batch.right[point],
        )
        kept = view.rows.take(point[view.rows.point])
        kept = replace(kept, point=(np.cumsum(point) - 1)[kept.point])
        return _Trial(
            batch=narrower,
            view=_View(view.wrong[point], view.start[point], kept, found),
            before=self.before[triangle],
            best=self.best[position],
            best_wrong=self.best_wrong[point],
            ceiling=self.ceiling[position],
            gained=self.gained[self.active],
            radius=self.radius[self.active],
            active=self.active[self.active],
            refused=self.refused[self.active],
            large=self.large[self.active],
            hoped=self.hoped[self.active],
        )


def _run(search: Search, batch: _Batch, view: _View) -> Indices:
    """Mend the places of a batch, all at once; return the triangles in conflict."""
    trial = _begun(search, batch, view)
    conflict = []
    for k in range(FULL_STEPS + SHORT_STEPS):
        # What has ended is cast and solved no more.
        still_in = trial.batch.of_points(np.ones(len(trial.batch.aim)))[trial.active].sum()
        if still_in <= NARROWED * len(trial.batch.aim):
            conflict.append(trial.ended(search, ~trial.active))
            if not trial.active.any():
                return np.concatenate(conflict)
            trial = trial.of_active(search)
        if not _step(search, trial, k):
            break
    conflict.append(trial.ended(search, np.ones(trial.batch.count, bool)))
    return np.concatenate(conflict)


def _begun(search: Search, batch: _Batch, view: _View) -> _Trial:
    aimed = batch.with_points(batch.aim)
    free = np.bincount(batch.owner[batch.owner >= 0], minlength=batch.count) > 0
    return _Trial(
        batch=batch,
        view=view,
        before=_shell(search, batch).folded,
        best=search.offsets[batch.positions],
        best_wrong=view.wrong,
        ceiling=np.maximum(search.limits.fold_ceiling, search.offsets)[batch.positions],
        gained=np.zeros(batch.count),
        radius=np.full(batch.count, np.inf),
        active=aimed & free,
        # Where the artist holds everything around there is nothing to try.
        refused=aimed & ~free,
        large=batch.of_points(batch.aim.astype(np.float64)) >= LARGE_PLACE,
        hoped=LEAST_GAIN * batch.of_points(batch.weight * batch.aim),
    )


def _step(search: Search, trial: _Trial, k: int) -> bool:
    """Take step k and judge what it shows; False, and nothing changes, where none is solved."""
    batch, active = trial.batch, trial.active
    try:
        change, broken = _least_change(
            search, batch, trial.view, trial.ceiling, trial.radius, active
        )
    except UnsolvedError:
        # The best of the steps so far stays; what it leaves wrong is open, not in conflict.
        search.unsolved += 1
        return False
    before_change = search.offsets[search.low.welded[batch.triangles]]
    search.offsets = search.offsets.copy()
    search.offsets[batch.positions] += change
    corner = search.offsets[search.low.welded[batch.triangles]]
    turning = batch.with_triangles(search.turned(corner, before_change))
    trial.view = _look(search, batch.casts, trial.view.found)
    wrong, shell = trial.view.wrong, _shell(search, batch)
    folded = shell.folded & ~trial.before
    mended, lost = batch.aim & ~wrong, batch.right & wrong
    gain = batch.of_points(batch.weight * (mended * 1.0 - lost))
    # A triangle that folds counts as lost.
    of_triangle = np.bincount(batch.within, batch.weight, len(batch.triangles))
    gain -= np.bincount(batch.triangle_owner, of_triangle * folded, batch.count)
    better = active & (gain > trial.gained)
    trial.gained[better] = gain[better]
    mine = _owned(batch.owner, better)
    trial.best = np.where(mine, search.offsets[batch.positions], trial.best)
    trial.best_wrong = np.where(better[batch.point_owner], wrong, trial.best_wrong)
    folds = batch.with_triangles(folded)
    clean = active & ~folds & ~batch.with_points(wrong & (batch.aim | batch.right))
    left = active & ~clean
    if k + 1 == FIRST_STEPS:
        trial.refused |= left & (broken | folds) & trial.large & (trial.gained < trial.hoped)
    # Where rays stand still and nothing folds, another step would find what this one found.
    still = ~turning & ~folds
    trial.refused |= left & broken & still
    if k + 1 in (FULL_STEPS, FULL_STEPS + SHORT_STEPS):
        trial.refused |= left & (broken | folds)
    trial.active = left & ~trial.refused & ~still
    _lower(trial.ceiling, batch, shell, search.offsets)
    if k + 1 >= FULL_STEPS:
        trial.radius = HOLD * np.minimum(_largest(batch, change), trial.radius)
    return True


def _owned(owner: Indices, places: Mask) -> Mask:
    """Return (Q,) bool: positions that belong to marked places."""
    return np.asarray((owner >= 0) & places[np.maximum(owner, 0)])


def _largest(batch: _Batch, change: Floats) -> Floats:
    """Return (K,) how far the positions of each place moved at most."""
    out = np.zeros(batch.count)
    mine = batch.owner >= 0
    np.maximum.at(out, batch.owner[mine], np.abs(change[mine]))
    return out


def _shell(search: Search, batch: _Batch) -> ShellCheck:
    at = batch.triangles
    corners = search.low.positions[search.low.triangles[at]]
    return check_prisms(corners, search.cage().displacement[at], flat=search.low.area[at] <= 0)


def _lower(ceiling: Floats, batch: _Batch, shell: ShellCheck, offsets: Floats) -> None:
    """Lower the soft ceilings of folded triangles below where they fold."""
    folded = np.flatnonzero(shell.folded & (shell.fold_height > 0))
    share = FOLD_HEADROOM * np.minimum(shell.fold_height[folded], 1.0)
    corner = batch.corners[folded]
    height = share[:, None] * offsets[batch.positions[corner]]
    np.minimum.at(ceiling, corner.ravel(), height.ravel())


def _least_change(
    search: Search, batch: _Batch, view: _View, ceiling: Floats, radius: Floats, active: Mask
) -> tuple[Floats, Mask]:
    """Return (Q,) what to add along the rays of a cast, and (K,) where a row had to be left."""
    here = search.offsets[batch.positions]
    free = _owned(batch.owner, active)
    fixed = np.where(free, np.nan, here)
    limits = Limits(search.limits.ceiling, search.limits.preferred, fixed, ceiling)
    rows = _rows(batch, view, active)
    around = here, radius[np.maximum(batch.owner, 0)]
    needed = replace(view.rows, columns=batch.number[view.rows.columns])
    extent = search.extent[batch.positions]
    most = most_needed(batch.graph, needed, search.margin, limits.preferred, extent)
    problem = build_problem(
        batch.graph, rows, limits, around=around, most=np.maximum(most, here)
    ).of_change(here)
    solution = solve_offsets(problem, solver=search.solver)
    change = np.clip(here + solution.offsets, 0.0, search.limits.ceiling) - here
    broken = np.zeros(len(view.wrong), bool)
    broken[rows.point[solution.conflicts[: len(rows)]]] = True
    return np.where(free, change, 0.0), batch.with_points(broken)


def _rows(batch: _Batch, view: _View, active: Mask) -> Corridors:
    """Return the rows to keep: what is right needs no more clearance than it has."""
    c = view.rows
    start, fine = view.start[c.point], ~view.wrong[c.point]
    wanted = ((batch.aim | batch.right) & active[batch.point_owner])[c.point]
    return replace(
        c,
        columns=batch.number[c.columns],
        lower=np.where(fine, np.minimum(c.lower, start), c.lower),
        upper=np.where(fine, np.maximum(c.upper, start), c.upper),
        clash=~wanted | (c.clash & ~fine),
    )
