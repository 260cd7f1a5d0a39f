"""The least move of low-poly vertices that opens a corridor, found and checked by casting.

Where the next layer lies at or below the low poly, no start of zero or more records the target:
the low poly has to go below that layer. Where offsets may not rise far enough, it has to come out
to the target. The vertices of the wrong samples' triangles move along their averaged normals;
offsets are solved again there, everything else stays.

The search follows each sample's own target while the low poly moves: the same high part and
facing, nearest to where it was. The verdict asks for targets anew in a cast of the moved low poly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.classify import Findings
from cagecheck.defects.harm import harm
from cagecheck.defects.kinds import Defect
from cagecheck.defects.match import DEEP_SEARCH, Matched, Matcher, reach_past
from cagecheck.defects.targets import Targets
from cagecheck.defects.visible import find_ideal, visible_error
from cagecheck.meshes.edges import edge_pairs
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.normals import averaged_normals, triangle_normals
from cagecheck.meshes.set_aside import SetAside
from cagecheck.meshes.triangulate import triangulate
from cagecheck.rays.cage import Rays, cage_from_push, corner_directions
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.tuning.corridors import Corridors, corridors_of, low_graph, most_needed
from cagecheck.tuning.folds import check_shell
from cagecheck.tuning.solver.problem import UnsolvedError, offset_problem
from cagecheck.tuning.solver.solve import solve_offsets
from cagecheck.tuning.tune import Tuning
from cagecheck.words.numbers import figures

Mask = NDArray[np.bool_]

# The first guess and its double are cast, then the interval is halved: x to 3 % of the guess.
GUESSES = (1.0, 2.0)
HALVINGS = 5
# The distance is rounded up to this many figures before the last cast: what is told was cast.
FIGURES = 3


@dataclass(frozen=True, eq=False)
class LoopMove:
    """A move of low-poly vertices and what a cast of the moved low poly shows.

    Attributes
    ----------
    vertices : (N,) int64 file vertices, ascending. place : their centre before the move.
    distance : how far along their averaged normals, world units; outward : which way.
    wrong_before, wrong_after : wrong samples on all triangles whose rays the move changes. A sample
        that loses its target, or gets what lay next to it instead, counts as wrong, and so does
        one that slides too far, is met from behind or lies in a prism that folds.
    harm_before, harm_after : what of that will be seen.
    """

    vertices: NDArray[np.int64]
    place: tuple[float, float, float]
    distance: float
    outward: bool
    wrong_before: int
    wrong_after: int
    harm_before: float
    harm_after: float


def least_move(
    tuning: Tuning, samples: NDArray[np.int64], guess: float, *, outward: bool
) -> LoopMove | None:
    """Return the least move that leaves the fewest wrong samples, None where none leaves fewer.

    samples : rows of ``tuning.after.points`` that are wrong; guess : world units, about what the
    samples lack.
    """
    if not guess > 0:
        return None
    bench = _bench(tuning, samples, 1.0 if outward else -1.0)
    before = int(bench.wrong.sum())
    tries = [(bench.left(share * guess), share * guess) for share in GUESSES]
    least, far = min(tries)
    if least >= before:
        return None
    near = max((x for left, x in tries if x < far and left > least), default=0.0)
    x = _rounded_up(_bisected(bench.left, near, far, least))
    after, harm_after = bench.verdict(x)
    before = int((bench.wrong | bench.bent).sum())
    if after >= before:
        return None
    used = bench.vertex[bench.moved[bench.low.position_id]]
    middle = tuning.low.positions[used].mean(axis=0)
    place = (float(middle[0]), float(middle[1]), float(middle[2]))
    return LoopMove(used, place, x, outward, before, after, bench.harm, harm_after)


def _bisected(left: Callable[[float], int], near: float, far: float, least: int) -> float:
    """Return the smallest x found in (near, far] that leaves no more than `least`."""
    for _ in range(HALVINGS):
        middle = 0.5 * (near + far)
        if left(middle) <= least:
            far = middle
        else:
            near = middle
    return far


def _rounded_up(x: float) -> float:
    step = 10.0 ** (np.floor(np.log10(x)) - FIGURES + 1)
    return float(figures(np.ceil(x / step - 1e-9) * step, FIGURES))


@dataclass(frozen=True, eq=False)
class _Bench:
    """What every try shares.

    low : the part of the low poly whose rays change, as a low poly of its own, so that a try costs
    what the place has, not the mesh; vertex : (V,) its vertices' file numbers. moved : (P,) bool
    positions of it that move; turned : (P,) bool those whose normals may turn. points : the samples
    on it; whole : the same on the whole low poly.
    texels : (N,) that each sample stands for, square units without UVs.
    place, beside : (N, 3) world, the samples' targets and what lay next, NaN where there is none;
    part, front : (N,) of the targets. wrong : (N,) bool, before the move; bent : (N,) bool, met
    from behind, slid too far or folded before it; harm : what of both was seen.
    """

    tuning: Tuning
    sign: float
    low: LowPoly
    vertex: NDArray[np.int64]
    moved: Mask
    turned: Mask
    points: SurfacePoints
    whole: SurfacePoints
    texels: Floats
    place: Floats
    beside: Floats
    part: NDArray[np.int64]
    front: Mask
    wrong: Mask
    bent: Mask
    harm: float

    def left(self, x: float) -> int:
        """Return how many samples are wrong after a move by x, following their old targets.

        All of them, where no offsets are found for it.
        """
        low = self._turned_low(x)
        try:
            offsets = self._solved(low)
        except UnsolvedError:
            return len(self.points)
        cast = self._followed(low, offsets)
        target, recorded = cast.targets.layer, cast.recorded(self.tuning.after.settings.depth)
        had = np.isfinite(self.place[:, 0])
        return int((had & ((target == NO_LAYER) | (recorded != target))).sum())

    def verdict(self, x: float) -> tuple[int, float]:
        """Return what is wrong, and its harm, on the low poly as a file would bring it.

        Targets are found anew.
        """
        tuning, moved = self.tuning, self._turned_low(x)
        positions, offsets = tuning.low.positions.copy(), tuning.offset_out.copy()
        positions[self.vertex] = moved.positions
        try:
            offsets[self.vertex] = self._solved(moved)
        except UnsolvedError:
            return len(self.points), np.inf
        mesh = replace(tuning.low.mesh, positions=positions)
        low = prepare_low(mesh, rule=tuning.low.normal_rule, cut=tuning.low.cut)
        settings = tuning.after.settings
        depth, reach = settings.depth_and_reach()
        cage = cage_from_push(low, offsets, settings.directions)
        matcher = tuning.matcher.on(low)
        cast = matcher.cast(cage, self.whole, depth, reach)
        had = np.isfinite(self.place[:, 0])
        stayed = self._stayed(cast.rays, cast.layers, cast.recorded(depth))
        lost = had & ~(cast.targets.found & stayed)
        findings = matcher.classify(
            cage, cast, depth=depth, map_size=settings.map_size, thresholds=settings.thresholds
        )
        folded = check_shell(low, cage).folded[self.whole.triangle]
        bad = lost | cast.wrong_at(depth) | _bent(findings) | folded
        ideal = find_ideal(
            matcher, cast, depth=depth, map_size=settings.map_size, thresholds=settings.thresholds
        )
        error = visible_error(
            matcher, cast, findings.recorded, ideal, thresholds=settings.thresholds
        )
        return int(bad.sum()), harm(error, self.texels)

    def _turned_low(self, x: float) -> LowPoly:
        """Return the moved low poly; only what averaged and face directions ask for is new."""
        low = self.low
        step = np.where(self.moved, self.sign * x, 0.0)[:, None] * low.ray_normals
        positions = low.positions + step[low.position_id]
        averaged = averaged_normals(positions, low.triangles, low.position_id)
        return replace(
            low,
            mesh=replace(low.mesh, positions=positions),
            ray_normals=np.where(self.turned[:, None], averaged, low.ray_normals),
            face_normals=triangle_normals(positions, low.triangles)[0],
        )

    def _followed(self, low: LowPoly, offsets: Floats) -> Matched:
        """Cast the samples on a moved low poly; their targets are the old ones, followed.

        That is the crossing of the old target's part and facing that is nearest to it.
        """
        matcher: Matcher = self.tuning.matcher.on(low)
        settings = self.tuning.after.settings
        depth, reach = settings.depth_and_reach()
        rays = matcher.rays(cage_from_push(low, offsets, settings.directions), self.points)
        reach = reach_past(rays.start, reach)
        layers = matcher.layers(self.points, rays, DEEP_SEARCH * depth, reach)
        return Matched(self.points, rays, layers, self._old_targets(rays, layers))

    def _old_targets(self, rays: Rays, layers: Layers) -> Targets:
        ray, n = layers.ray, len(layers)
        place = rays.origin[ray] + layers.t[:, None] * rays.direction[ray]
        distance = np.linalg.norm(place - self.place[ray], axis=1)
        part = self.tuning.scene.surface.triangle_part[layers.face]
        alike = (part == self.part[ray]) & (layers.front == self.front[ray])
        rows = np.flatnonzero(alike & np.isfinite(distance))
        order = rows[np.lexsort((distance[rows], ray[rows]))]
        owner, first = np.unique(ray[order], return_index=True)
        layer = np.full(n, NO_LAYER, np.int64)
        layer[owner] = order[first]
        stayed = self._stayed(rays, layers, layer)
        layer[~stayed] = NO_LAYER
        return Targets(layers, layer, np.zeros(len(layers.t), bool), np.zeros(n, bool))

    def _stayed(self, rays: Rays, layers: Layers, layer: NDArray[np.int64]) -> Mask:
        """(N,) bool: the crossing is of the target's part, and nearer to it than what lay next."""
        hit = layer != NO_LAYER
        at = np.where(hit, layer, 0)
        if len(layers.t) == 0:
            return hit
        place = rays.origin + layers.t[at][:, None] * rays.direction
        own = np.linalg.norm(place - self.place, axis=1)
        other = np.linalg.norm(place - self.beside, axis=1)
        part = self.tuning.scene.surface.triangle_part[layers.face[at]]
        return np.asarray(hit & (part == self.part) & ~(own >= other))

    def _solved(self, low: LowPoly) -> Floats:
        """Return (V,) offsets: those of the moved positions anew, as near the old as possible."""
        tuning = self.tuning
        cast = self._followed(low, tuning.offset_out[self.vertex])
        push = corner_directions(low, tuning.after.settings.directions)
        corridors = corridors_of(low, push, cast, tuning.margin)
        offsets = np.zeros(low.position_count)
        offsets[low.position_id] = tuning.offset_out[self.vertex]
        held = np.zeros(low.position_count, bool)
        held[low.position_id[tuning.kept[self.vertex]]] = True
        at = np.flatnonzero(self.moved)
        offsets[at] = _solved_at(low, corridors, offsets, at, held[at], tuning)
        return offsets[low.position_id]


def _bent(findings: Findings) -> Mask:
    """Return (N,) bool: samples that slide too far, or are met from behind."""
    return np.asarray(findings.has(Defect.SKEW) | findings.has(Defect.BACK_FACING))


def _solved_at(
    low: LowPoly,
    corridors: Corridors,
    offsets: Floats,
    at: NDArray[np.int64],
    held: Mask,
    tuning: Tuning,
) -> Floats:
    """Return offsets of the positions `at`, all others as they are."""
    number = np.full(low.position_count, -1, np.int64)
    number[at] = np.arange(len(at))
    columns = number[corridors.columns]
    mine = columns >= 0
    rest = np.where(mine, 0.0, corridors.coefficients * offsets[corridors.columns]).sum(axis=1)
    rows = np.flatnonzero(mine.any(axis=1) & ~corridors.clash)
    touching = low.welded[(number[low.welded] >= 0).any(axis=1)]
    edges = number[edge_pairs(touching)[0]]
    edges = edges[(edges >= 0).all(axis=1)]
    # A tuning of the moved mesh goes no farther either.
    everywhere = np.full(low.position_count, tuning.limit)
    most = most_needed(low_graph(low), corridors, tuning.margin, 0.0, everywhere)
    problem = offset_problem(
        len(at),
        np.where(mine, columns, 0)[rows],
        np.where(mine, corridors.coefficients, 0.0)[rows],
        corridors.lower[rows] - rest[rows],
        corridors.upper[rows] - rest[rows],
        edges,
        attraction=1.0,
        preferred=offsets[at],
        ceiling=np.maximum(most[at], offsets[at]),
        fixed=held,
        fixed_value=np.where(held, offsets[at], 0.0),
    )
    return solve_offsets(problem, solver="interior").offsets


def cut_out(low: LowPoly, chosen: Mask) -> tuple[LowPoly, NDArray[np.int64], NDArray[np.int64]]:
    """Return some triangles as a low poly, and its vertices and positions by their numbers before.

    Normals, areas and UVs are those of the whole.
    """
    vertex, corner = np.unique(low.triangles[chosen], return_inverse=True)
    position, number = np.unique(low.position_id[vertex], return_inverse=True)
    triangles = corner.reshape(-1, 3).astype(np.int32)
    mesh = Mesh(
        positions=low.positions[vertex],
        face_start=np.arange(0, triangles.size + 1, 3, dtype=np.int64),
        corner_vertex=triangles.ravel(),
        face_part=low.triangle_part[chosen],
        part_names=low.part_names,
        source=low.mesh.source,
    )
    position_id = number.astype(np.int32)
    part = replace(
        low,
        mesh=mesh,
        cut=triangulate(mesh),
        triangles=triangles,
        triangle_part=low.triangle_part[chosen],
        position_id=position_id,
        welded=position_id[triangles],
        ray_normals=low.ray_normals[position],
        sheet_normals=low.sheet_normals[chosen],
        shading_normals=low.shading_normals[chosen],
        face_normals=low.face_normals[chosen],
        area=low.area[chosen],
        uv=None if low.uv is None else low.uv[chosen],
        uv_area=low.uv_area[chosen],
        tile=low.tile[chosen],
        aside=SetAside(),
    )
    return part, vertex.astype(np.int64), position.astype(np.int64)


def _bench(tuning: Tuning, samples: NDArray[np.int64], sign: float) -> _Bench:
    low, after = tuning.low, tuning.after
    moved = np.zeros(low.position_count, bool)
    moved[low.welded[after.points.triangle[samples]].ravel()] = True
    turned = moved.copy()
    turned[low.welded[moved[low.welded].any(axis=1)].ravel()] = True
    near = np.asarray(turned[low.welded].any(axis=1))
    part, vertex, position = cut_out(low, near)
    rows = np.flatnonzero(near[after.points.triangle])
    whole = after.points.take(rows)
    number = np.cumsum(near, dtype=np.int32) - 1
    texels = (after.texel_area if after.texel_area.any() else after.points.area)[rows]
    targets, layers, rays = after.targets, after.layers, after.rays
    found = targets.found[rows]
    layer = np.where(found, targets.layer[rows], 0)
    origin, direction = rays.origin[rows], rays.direction[rows]
    beside = np.where(np.isfinite(targets.t_next), targets.t_next, np.nan)[rows]
    return _Bench(
        tuning=tuning,
        sign=sign,
        low=part,
        vertex=vertex,
        moved=moved[position],
        turned=turned[position],
        points=replace(whole, triangle=number[whole.triangle]),
        whole=whole,
        texels=texels,
        place=origin + targets.t[rows, None] * direction,
        beside=origin + beside[:, None] * direction,
        part=after.scene.surface.triangle_part[layers.face[layer]].astype(np.int64),
        front=layers.front[layer],
        wrong=after.cast.wrong_at(after.settings.depth)[rows],
        bent=_bent(after.findings)[rows] | tuning.shell.folded[whole.triangle],
        harm=harm(after.visible_error[rows], texels),
    )
