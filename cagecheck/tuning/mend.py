"""Mending wrong samples place by place, so that nothing that is right there is lost.

A solution for the whole low poly weighs rows against each other. Where corridors exclude each
other every new row changes which of them are given up, and samples that nobody had looked at turn
wrong elsewhere. Here only the offsets around one place are free, what is right stays a demand,
and a change counts once a cast shows that it mends more than it loses. What no offsets around the
place can mend together with all that is right there is a conflict.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Floats, Ints
from cagecheck.rays.points import SurfacePoints
from cagecheck.tuning.corridors import (
    Corridors,
    Graph,
    Limits,
    build_problem,
    join_corridors,
)
from cagecheck.tuning.folds import ShellCheck, check_prisms
from cagecheck.tuning.search import FOLD_HEADROOM, HOLD, Mask, Search
from cagecheck.tuning.solver import solve_offsets

# Positions this many edges away from a wrong sample's triangle may move with it.
RINGS = 1
# Samples this many edges further out are cast as neighbours.
NEIGHBOUR_RINGS = 2
# Steps of any length, each along the rays of the one before; rays settle by about a factor of ten
# a step. What the last of them has to leave is a conflict.
FULL_STEPS = 4
# Then steps in a shrinking trust region, for places where the rays do not settle.
SHORT_STEPS = 8


@dataclass(frozen=True, eq=False)
class Group:
    """Points that are cast together, as neighbours settle doubtful targets among them."""

    points: SurfacePoints
    wrong: Mask


@dataclass(frozen=True, eq=False)
class _Place:
    """Neighbouring wrong samples, and all that may change with them.

    positions : (Q,) the positions around, ascending; free : (Q,) bool, may move; number : (P,)
    index into positions, -1 elsewhere. triangles : (S,) int64 that may change; corners : (S, 3)
    int32 indices into positions. casts : points by group, and which of them count; the others are
    neighbours. For the M that count: weight : (M,) float64; within : (M,) int64 index into
    triangles; aim : (M,) bool, to be mended; right : (M,) bool, right before.
    """

    positions: NDArray[np.integer]
    free: Mask
    number: Ints
    triangles: NDArray[np.int64]
    corners: Ints
    graph: Graph
    casts: list[tuple[SurfacePoints, Mask]]
    weight: Floats
    within: NDArray[np.int64]
    aim: Mask
    right: Mask


@dataclass(frozen=True, eq=False)
class _View:
    """What a cast of a place shows: (M,) bool wrong, and rows whose `point` is one of the M."""

    wrong: Mask
    start: Floats
    rows: Corridors


def mend(search: Search, groups: list[Group]) -> list[Mask]:
    """Mend what can be mended of the wrong points; return per group (N,) bool: the conflicts.

    Changes `search.offsets`. A conflict is a wrong sample that stays wrong, where along the rays
    of the last full step no offsets around it keep all rows, or none do without another fold.
    Samples that are neither mended nor in conflict are those whose rays did not settle.
    """
    group = np.repeat(np.arange(len(groups)), [len(g.points) for g in groups])
    triangle = np.concatenate([g.points.triangle for g in groups])
    wrong = np.concatenate([g.wrong for g in groups])
    refused = np.zeros(len(wrong), bool)
    every = [*groups, Group(search.points, np.zeros(len(search.points), bool))]
    places = _clusters(search.low, triangle, np.flatnonzero(wrong))
    for k, rows in enumerate(places):
        search.progress("mending", k, len(places))
        place = _place(search, every, triangle[rows])
        if not place.aim.any():
            continue  # Mended by its neighbours already.
        # Where the artist holds everything around there is nothing to try.
        refused[rows] = not place.free.any() or _attempt(search, place)
    return [refused[group == g] for g in range(len(groups))]


def _clusters(
    low: LowPoly, triangle: NDArray[np.int32], rows: NDArray[np.int64]
) -> list[NDArray[np.int64]]:
    """Group samples whose triangles hang together by corners, in the order of their first."""
    corner = low.welded[triangle[rows]]
    ends = corner[:, [0, 1]].ravel(), corner[:, [1, 2]].ravel()
    count = low.position_count
    graph = coo_array((np.ones(len(ends[0]), np.int8), ends), shape=(count, count))
    _, component = connected_components(graph.tocsr(), directed=False)
    mine = component[corner[:, 0]]
    order = np.argsort(mine, kind="stable")
    starts = np.flatnonzero(np.diff(mine[order])) + 1
    return sorted(np.split(rows[order], starts), key=lambda r: int(r[0])) if len(rows) else []


def _around(low: LowPoly, positions: Mask, rings: int) -> Mask:
    """Return (P,) bool: positions so many edges away at most."""
    for _ in range(rings):
        near = np.any(positions[low.welded], axis=1)
        positions = positions.copy()
        positions[low.welded[near]] = True
    return positions


def _place(search: Search, groups: list[Group], triangle: NDArray[np.int32]) -> _Place:
    low = search.low
    corner = np.zeros(low.position_count, bool)
    corner[low.welded[triangle]] = True
    free = _around(low, corner, RINGS) & ~np.isfinite(search.limits.kept)
    near: Mask = np.any(free[low.welded], axis=1)
    # Where nothing is free the samples' own triangles are looked at all the same.
    near[triangle] = True
    core = np.zeros(len(near), bool)
    core[np.any(corner[low.welded], axis=1)] = True
    positions = np.unique(low.welded[near])
    held = np.zeros(low.position_count, bool)
    held[positions] = True
    seen: Mask = np.any(_around(low, held, NEIGHBOUR_RINGS)[low.welded], axis=1)
    casts, aims = [], []
    for g in groups:
        rows = np.flatnonzero(seen[g.points.triangle])
        casts.append((g.points.take(rows), near[g.points.triangle[rows]]))
        aims.append((g.wrong & core[g.points.triangle])[rows][casts[-1][1]])
    view = _look(search, casts)
    aim = np.concatenate(aims) & view.wrong
    triangles = np.flatnonzero(near)
    inside = np.concatenate([p.triangle[counts] for p, counts in casts])
    number = np.full(low.position_count, -1, np.int32)
    number[positions] = np.arange(len(positions), dtype=np.int32)
    return _Place(
        positions=positions,
        free=free[positions],
        number=number,
        triangles=triangles,
        corners=number[low.welded[near]],
        graph=_part_of(search.graph, positions, number),
        casts=casts,
        weight=np.concatenate([search.weight(p)[counts] for p, counts in casts]),
        within=np.searchsorted(triangles, inside),
        aim=aim,
        right=~view.wrong,
    )


def _look(search: Search, casts: list[tuple[SurfacePoints, Mask]]) -> _View:
    """Cast the groups of a place, each by itself."""
    wrong, start, rows, done = [], [], [], 0
    for points, counts in casts:
        cast = search.cast(points)
        c = cast.corridors
        number = np.cumsum(counts) - 1 + done
        rows.append(replace(c.take(counts[c.point]), point=number[c.point[counts[c.point]]]))
        wrong.append(cast.wrong[counts])
        start.append(cast.rays.start[counts])
        done += int(counts.sum())
    return _View(np.concatenate(wrong), np.concatenate(start), join_corridors(rows))


def _part_of(graph: Graph, positions: NDArray[np.integer], number: Ints) -> Graph:
    edges = number[graph.edges]
    inside = (edges >= 0).all(axis=1)
    return Graph(
        edges[inside], graph.weight[inside], graph.attraction[positions], graph.length[inside]
    )


def _attempt(search: Search, place: _Place) -> bool:
    """Mend one place; return whether what stays wrong there is a conflict."""
    best, gained = search.offsets, 0.0
    view, before = _look(search, place.casts), _shell(search, place).folded
    ceiling = np.maximum(search.limits.fold_ceiling, search.offsets)[place.positions]
    radius, refused = np.inf, False
    for k in range(FULL_STEPS + SHORT_STEPS):
        change, broken = _least_change(search, place, view, ceiling, radius)
        search.offsets = search.offsets.copy()
        search.offsets[place.positions] += change
        view, shell = _look(search, place.casts), _shell(search, place)
        folded = shell.folded & ~before
        gain = _gain(place, view, folded)
        if gain > gained:
            best, gained = search.offsets, gain
        if not (folded.any() or (view.wrong & (place.aim | place.right)).any()):
            break
        refused = k + 1 == FULL_STEPS and (broken or bool(folded.any()))
        if refused:
            break
        _lower(ceiling, place, shell, search.offsets)
        if k + 1 >= FULL_STEPS:
            radius = HOLD * min(float(np.abs(change).max()), radius)
    search.offsets = best
    return refused


def _gain(place: _Place, view: _View, folded: Mask) -> float:
    """Return what is mended less what is lost, in usual samples; a fold loses its triangle."""
    mended, lost = place.aim & ~view.wrong, place.right & view.wrong
    kept = float(place.weight[mended].sum() - place.weight[lost].sum())
    return kept - float(place.weight[folded[place.within]].sum())


def _shell(search: Search, place: _Place) -> ShellCheck:
    at = place.triangles
    corners = search.low.positions[search.low.triangles[at]]
    return check_prisms(corners, search.cage().displacement[at])


def _lower(ceiling: Floats, place: _Place, shell: ShellCheck, offsets: Floats) -> None:
    """Lower the soft ceilings of folded triangles below where they fold."""
    folded = np.flatnonzero(shell.folded & (shell.fold_height > 0))
    share = FOLD_HEADROOM * np.minimum(shell.fold_height[folded], 1.0)
    corner = place.corners[folded]
    height = share[:, None] * offsets[place.positions[corner]]
    np.minimum.at(ceiling, corner.ravel(), height.ravel())


def _least_change(
    search: Search, place: _Place, view: _View, ceiling: Floats, radius: float
) -> tuple[Floats, bool]:
    """Return (Q,) what to add along the rays of a cast, and whether a row had to be left."""
    here = search.offsets[place.positions]
    fixed = np.where(place.free, np.nan, here)
    limits = Limits(search.limits.ceiling, search.limits.preferred, fixed, ceiling)
    rows = _rows(place, view)
    around = here, np.full(len(here), radius)
    problem = build_problem(place.graph, rows, limits, around=around).of_change(here)
    solution = solve_offsets(problem, solver=search.solver)
    change = np.clip(here + solution.offsets, 0.0, search.limits.ceiling) - here
    return np.where(place.free, change, 0.0), bool(solution.conflicts[: len(rows)].any())


def _rows(place: _Place, view: _View) -> Corridors:
    """Return the rows to keep: what is right needs no more clearance than it has."""
    c = view.rows
    start, fine = view.start[c.point], ~view.wrong[c.point]
    wanted = (place.aim | place.right)[c.point]
    return replace(
        c,
        columns=place.number[c.columns],
        lower=np.where(fine, np.minimum(c.lower, start), c.lower),
        upper=np.where(fine, np.maximum(c.upper, start), c.upper),
        clash=~wanted | (c.clash & ~fine),
    )
