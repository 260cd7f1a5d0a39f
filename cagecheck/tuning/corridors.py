"""From layer tables and targets to the rows of an offset problem.

With corners pushed by d_v along unit directions n_v, the ray through a point with barycentrics w
starts at ``sum_v w_v d_v (n_v . n)`` along its own unit direction n. For a fixed n that is linear
in the offsets, so every sample is one row: its target must lie below the start, the next layer
above.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.match import Matched
from cagecheck.defects.targets import Targets
from cagecheck.loops import njit
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import corner_angles
from cagecheck.rays.scene import Scene
from cagecheck.tuning.solver.problem import OffsetProblem, offset_problem

Mask = NDArray[np.bool_]

# A baker in float32 adds up a cage position, a direction and a hit along it: about this many
# roundings of numbers as large as the scene's coordinates. That is more than meshes exchanged as
# text lose: with six decimals (common practice, no source) half a unit of the last place, on either
# mesh, in scenes of about unit size.
BAKER_ROUNDINGS = 64
# Where a corridor is narrower than two margins, the margin shrinks to this share of it.
NARROW_SHARE = 0.25
# What earlier rounds ask for besides may take this share from either side.
RAISED_SHARE = 0.4
# Fold rows yield to corridors: a fold bends detail, a miss loses it.
FOLD_IMPORTANCE = 1e-3
# Where offsets were limited in steepness, that limit outweighs a few dozen samples.
STEEP_IMPORTANCE = 30.0

# No offset goes beyond what the rays around it need, with so much to spare: a row that one corner
# weighs little in would else be kept by any length of it. Rays this many edges away count, as
# offsets that fall off gently from a high place are not what this is against.
NEED_SPARE = 1.1
NEED_RINGS = 2
# Rays along which the corner directions add up to less than this (two at a right angle) ask for no
# more than these: the more the directions cancel, the less an offset does there.
LEAST_LEAN = 0.5**0.5

# The pull towards small offsets fades a local rise over this share of the low poly's diagonal.
FADE_SHARE = 0.03
# Cotangents are kept within this range: slivers would tie their corners together or let go.
LEAST_COTANGENT, MOST_COTANGENT = 0.05, 20.0


@dataclass(frozen=True, eq=False)
class Corridors:
    """One row per sample that has a target.

    Attributes
    ----------
    point : (K,) int64, the sample.
    columns : (K, 3) int32 welded positions; coefficients : (K, 3) float64.
    lower, upper : (K,) float64, start distances allowed, margin included; upper is infinity where
        no other layer lies within reach.
    target, following : (K,) float64, the distances of the target and of the next layer, bare.
    clash : (K,) bool, no start of zero or more keeps the row: the next layer is at or below the
        low poly, or on the target.
    """

    point: NDArray[np.int64]
    columns: Ints
    coefficients: Floats
    lower: Floats
    upper: Floats
    target: Floats
    following: Floats
    clash: Mask

    def __len__(self) -> int:
        return len(self.point)

    def take(self, rows: Mask | NDArray[np.int64]) -> Corridors:
        """Return the corridors at `rows`."""
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows
        return Corridors(*(getattr(self, f.name)[rows] for f in fields(self)))


@dataclass(frozen=True, eq=False)
class Graph:
    """The welded positions as a graph: cotangent weights, areas and the smallness that fits.

    Source of the weights: Pinkall and Polthier, "Computing Discrete Minimal Surfaces and Their
    Conjugates", Experimental Mathematics 2(1), 1993. They do not depend on scale, and refining the
    low poly changes the field's shape little.
    """

    edges: Ints
    weight: Floats
    attraction: Floats
    length: Floats


@dataclass(frozen=True, eq=False)
class Limits:
    """What holds the offsets besides corridors.

    Attributes
    ----------
    ceiling : largest offset allowed, world units (the layers are unknown beyond the reach).
    preferred : the offset that positions fall back to.
    kept : (P,) float64, offsets that the artist set, NaN where free.
    fold_ceiling : (P,) float64, soft bounds that keep the shell from folding, infinity where none.
    steepness : (E,) float64 per edge of the graph, how much the offsets of its ends may differ
        against its length; infinity where they may do so freely.
    """

    ceiling: float
    preferred: float
    kept: Floats
    fold_ceiling: Floats = field(default_factory=lambda: np.zeros(0))
    steepness: Floats = field(default_factory=lambda: np.zeros(0))


def automatic_margin(low: LowPoly, scene: Scene) -> float:
    """Return the clearance that outlives the rounding of a baker and of the files, world units."""
    places = [low.positions[low.triangles.ravel()], scene.surface.positions]
    largest = max(float(np.abs(p).max(initial=0.0)) for p in places)
    return BAKER_ROUNDINGS * float(np.finfo(np.float32).eps) * largest


def corridors_of(
    low: LowPoly,
    push: Floats,
    cast: Matched,
    margin: float,
    extra: Floats | None = None,
) -> Corridors:
    """Return the rows that one cast gives.

    push : (T, 3, 3) where a corner goes per unit of offset (a cage's normals as a rule).
    margin : clearance kept from target and next layer, world units; extra : (N, 2) more clearance
    over the target and under the next layer, for samples that earlier rounds left wrong.
    """
    points, targets = cast.points, cast.targets
    point = np.flatnonzero(targets.found)
    n = len(point)
    columns, coefficients = np.empty((n, 3), np.int32), np.empty((n, 3))
    given = points.triangle, points.barycentric, cast.rays.direction, low.welded, push
    in_blocks(n, lambda a, b: _mix(point, *given, columns, coefficients, a, b))
    target, following = targets.t[point], targets.t_next[point]
    gap = following - target
    clear = np.minimum(margin, NARROW_SHARE * gap)
    above = clear if extra is None else np.minimum(clear + extra[point, 0], RAISED_SHARE * gap)
    below = clear if extra is None else np.minimum(clear + extra[point, 1], RAISED_SHARE * gap)
    return Corridors(
        point=point,
        columns=columns,
        coefficients=coefficients,
        lower=target + above,
        upper=following - below,
        target=target,
        following=following,
        clash=clashing(targets, margin)[point],
    )


@njit(cache=True, nogil=True)
def _mix(
    point: NDArray[np.int64],
    triangle: Ints,
    barycentric: Floats,
    direction: Floats,
    welded: Ints,
    push: Floats,
    columns: Ints,
    coefficients: Floats,
    begin: int,
    end: int,
) -> None:
    """Fill in what positions the rows `begin` to `end` mix, and how."""
    for row in range(begin, end):
        i = point[row]
        f = triangle[i]
        x, y, z = direction[i, 0], direction[i, 1], direction[i, 2]
        for k in range(3):
            aligned = push[f, k, 0] * x + push[f, k, 1] * y + push[f, k, 2] * z
            columns[row, k] = welded[f, k]
            coefficients[row, k] = barycentric[i, k] * aligned


def clashing(targets: Targets, margin: float) -> Mask:
    """Return (N,) bool: samples whose row no start of zero or more keeps, see `Corridors`."""
    with np.errstate(invalid="ignore"):
        gap = targets.t_next - targets.t
        clear = np.minimum(margin, NARROW_SHARE * gap)
        return np.asarray(targets.found & ((targets.t_next - clear <= 0) | (gap <= 0)))


def most_needed(
    graph: Graph, corridors: Corridors, margin: float, least: float, largest: Floats
) -> Floats:
    """Return (P,) how far offsets may go: what the rays around each position need.

    A ray needs its target's distance along its own line, over what corners that all move by one do
    along it. Every row counts, whether offsets can serve it or not. margin : clearance over it;
    least : no bound is below it; largest : (P,) nor any above it, which positions without rays
    around them get.
    """
    a, b, c = corridors.coefficients.T
    lean = np.maximum(a + b + c, LEAST_LEAN)
    need = (NEED_SPARE * np.maximum(corridors.target, 0.0) + margin) / lean
    most = np.full(len(largest), -np.inf)
    for k in range(3):
        np.maximum.at(most, corridors.columns[:, k], need)
    for _ in range(NEED_RINGS):
        further = most.copy()
        for a, b in ((0, 1), (1, 0)):
            np.maximum.at(further, graph.edges[:, a], most[graph.edges[:, b]])
        most = further
    bounded = np.where(most >= 0, np.maximum(most, least), np.inf)
    out: Floats = np.minimum(bounded, largest)
    return out


def part_extents(low: LowPoly) -> Floats:
    """Return (P,) the diagonal of the part that each position is on, of the smallest of several."""
    out = np.full(low.position_count, np.inf)
    for k in range(len(low.part_names)):
        corner = low.welded[low.triangle_part == k].ravel()
        if len(corner):
            place = low.positions[low.triangles[low.triangle_part == k].ravel()]
            size = float(np.linalg.norm(place.max(axis=0) - place.min(axis=0)))
            out[corner] = np.minimum(out[corner], size)
    return out


def join_corridors(corridors: list[Corridors]) -> Corridors:
    """Return the rows of several casts as one."""
    return Corridors(
        *(np.concatenate([getattr(c, f.name) for c in corridors]) for f in fields(Corridors))
    )


def low_graph(low: LowPoly) -> Graph:
    """Return the smoothness graph of a low poly's welded positions."""
    welded = low.welded
    angle = corner_angles(low.positions, low.triangles)
    with np.errstate(divide="ignore"):
        half = 0.5 / np.tan(angle)
    half = np.nan_to_num(half, nan=LEAST_COTANGENT, posinf=MOST_COTANGENT, neginf=LEAST_COTANGENT)
    # The edge from corner k to k + 1 faces corner k + 2.
    weight = half[:, [2, 0, 1]].ravel()
    table = triangle_edges(welded)
    total = np.bincount(table.edge, weight, minlength=len(table))
    apart = table.ends[:, 0] != table.ends[:, 1]
    edges, total = table.ends[apart], total[apart]
    place = np.zeros((low.position_count, 3))
    place[welded.ravel()] = low.positions[low.triangles.ravel()]
    length = np.linalg.norm(place[edges[:, 0]] - place[edges[:, 1]], axis=1)
    area = np.zeros(low.position_count)
    np.add.at(area, welded.ravel(), np.repeat(low.area / 3, 3))
    fade = FADE_SHARE * (low.diagonal() or 1.0)
    attraction = area / fade**2
    # Positions without area still need to settle somewhere.
    least = 1e-6 * (float(attraction.max(initial=0.0)) or 1.0)
    return Graph(
        edges.astype(np.int32),
        np.clip(total, LEAST_COTANGENT, MOST_COTANGENT),
        np.maximum(attraction, least),
        length,
    )


def build_problem(
    graph: Graph,
    corridors: Corridors,
    limits: Limits,
    *,
    importance: Floats | None = None,
    around: tuple[Floats, Floats] | None = None,
    most: Floats | None = None,
) -> OffsetProblem:
    """Return the offset problem; its first ``len(corridors)`` rows are the corridors, in order.

    Rows that clash bound nothing: their samples are lost whatever the offsets. importance : (K,)
    relative weight of a row's slack, 1 by default. around : (P,) centres and (P,) radii that
    offsets stay within. most : (P,) how far each may go besides, see `most_needed`.
    """
    count = len(graph.attraction)
    floor, ceiling = np.zeros(count), np.full(count, limits.ceiling)
    if most is not None:
        ceiling = np.minimum(ceiling, most)
    if around is not None:
        centre, radius = around
        floor = np.clip(centre - radius, floor, ceiling)
        ceiling = np.clip(centre + radius, floor, ceiling)
    if importance is None:
        importance = np.ones(len(corridors))
    free = corridors.clash
    more = [_fold_rows(limits), _steep_rows(graph, limits)]
    fixed = np.isfinite(limits.kept)
    return offset_problem(
        count,
        np.concatenate([corridors.columns, *(x.columns for x in more)]),
        np.concatenate([corridors.coefficients, *(x.coefficients for x in more)]),
        np.concatenate([np.where(free, -np.inf, corridors.lower), *(x.lower for x in more)]),
        np.concatenate([np.where(free, np.inf, corridors.upper), *(x.upper for x in more)]),
        graph.edges,
        edge_weight=graph.weight,
        attraction=graph.attraction,
        preferred=limits.preferred,
        floor=floor,
        ceiling=ceiling,
        fixed=fixed,
        fixed_value=np.where(fixed, limits.kept, 0.0),
        importance=np.concatenate([importance, *(x.importance for x in more)]),
    )


@dataclass(frozen=True, eq=False)
class _Rows:
    columns: Ints
    coefficients: Floats
    lower: Floats
    upper: Floats
    importance: Floats


def _fold_rows(limits: Limits) -> _Rows:
    """Return soft upper bounds of single positions."""
    at = np.flatnonzero(np.isfinite(limits.fold_ceiling)).astype(np.int32)
    one = np.zeros((len(at), 3))
    one[:, 0] = 1.0
    return _Rows(
        np.repeat(at[:, None], 3, axis=1),
        one,
        np.full(len(at), -np.inf),
        limits.fold_ceiling[at],
        np.full(len(at), FOLD_IMPORTANCE),
    )


def _steep_rows(graph: Graph, limits: Limits) -> _Rows:
    """Return bounds on the difference of two neighbours' offsets."""
    edge = np.flatnonzero(np.isfinite(limits.steepness))
    a, b = graph.edges[edge, 0], graph.edges[edge, 1]
    rise = limits.steepness[edge] * graph.length[edge]
    return _Rows(
        np.stack([a, b, b], axis=1),
        np.tile([1.0, -1.0, 0.0], (len(edge), 1)),
        -rise,
        rise,
        np.full(len(edge), STEEP_IMPORTANCE),
    )
