"""How far inward rays must look: one depth for the asset, one per part, one distance per vertex.

A depth is a length along the ray, so every ray needs its own target's distance and no more,
whichever way the corners of its triangle point. Distances per vertex are mixed as numbers between
the corners of a triangle; so mixed, no vertex ever has to ask for more than the deepest ray around
it.

A few rays may find their target far below the others: they pass through a hole to a wall far
behind, or run beside a step. What they ask for would be everybody's depth. So depth has a price:
a part's depth is the one that leaves the least of

    share of the part's surface that lies deeper  +  `DOUBLING_PRICE` * log2(depth)

What is given up by that is told as places, each with the depth that it asks for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.types import Floats
from cagecheck.defects.match import Matched
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.tuning.corridors import Corridors, Graph, Limits, build_problem
from cagecheck.tuning.solver.solve import SolverName, solve_offsets

Mask = NDArray[np.bool_]

# Twice the depth has to find this share of a part's surface, or it is not worth it (common
# practice, no source: a hundred texels of a part that has a million).
DOUBLING_PRICE = 1e-4
# Points on edges stand for no area; they are followed this far below what area asks for.
EDGE_SPARE = 1.25
# Places told, those that lose most first.
MOST_PLACES = 30


@dataclass(frozen=True)
class DeepPlace:
    """A place that is given up, as it lies far deeper than the rest of its part.

    Attributes
    ----------
    part : str
        The low part.
    centroid : tuple[float, float, float]
        Its middle on the low poly, world space.
    depth : float
        The depth that would find all of it, world units.
    samples : int
        Samples there.
    percent : float
        Their share of the part's surface.
    """

    part: str
    centroid: tuple[float, float, float]
    depth: float
    samples: int
    percent: float


@dataclass(frozen=True)
class Depths:
    """Depths of a bake, world units, margin included.

    Attributes
    ----------
    parts : dict[str, float]
        One per low part that has targets.
    places : tuple[DeepPlace, ...]
        What lies deeper, the largest share first.
    """

    parts: dict[str, float]
    places: tuple[DeepPlace, ...]

    @property
    def largest(self) -> float:
        """One depth for all parts; 0 where none has a target."""
        return max(self.parts.values(), default=0.0)


def find_depths(low: LowPoly, cast: Matched, margin: float, least: float) -> Depths:
    """Return what depth each part needs, and what it gives up.

    cast : with the targets of samples; margin : clearance kept below a target; least : no depth is
    below it. World units.
    """
    points, found = cast.points, cast.targets.found
    need = np.where(found, margin - cast.targets.t, -np.inf)
    part = low.triangle_part[points.triangle]
    depths: dict[str, float] = {}
    deeper = np.zeros(len(points), bool)
    for k, name in enumerate(low.part_names):
        mine = part == k
        rows = np.flatnonzero(mine & found)
        if len(rows) == 0:
            continue
        whole = float(points.area[mine].sum())
        depths[name] = _worth(need[rows], points.area[rows], whole, least)
        deeper[rows] = need[rows] > depths[name]
    return Depths(depths, _places(low, cast, need, deeper))


def _worth(need: Floats, area: Floats, whole: float, least: float) -> float:
    """Return the depth that is worth its price; points without area follow where it is near."""
    counted = area > 0
    if not counted.any():
        return max(float(need.max()), least)
    order = np.argsort(need[counted], kind="stable")
    depth = np.maximum(need[counted][order], least)
    found = np.cumsum(area[counted][order])
    left = found[-1] - found
    # Points of one depth are found together.
    last = np.append(np.diff(depth) > 0, True)
    cost = left[last] / whole + DOUBLING_PRICE * np.log2(depth[last] / least)
    best = float(depth[last][int(np.argmin(cost))])
    near = need[~counted & (need <= EDGE_SPARE * best)]
    return max(best, float(near.max(initial=least)))


def _places(low: LowPoly, cast: Matched, need: Floats, deeper: Mask) -> tuple[DeepPlace, ...]:
    """Return the deeper samples by triangles that hang together, those with most area first."""
    rows = np.flatnonzero(deeper)
    if len(rows) == 0:
        return ()
    points = cast.points
    label = _hanging_together(low, points.triangle[rows])
    whole = np.bincount(
        low.triangle_part[points.triangle], points.area, minlength=len(low.part_names)
    )
    out = []
    for k in range(int(label.max()) + 1):
        mine = rows[label == k]
        part = int(low.triangle_part[points.triangle[mine[0]]])
        middle = cast.rays.origin[mine].mean(axis=0)
        share = float(points.area[mine].sum()) / (float(whole[part]) or 1.0)
        out.append(
            DeepPlace(
                low.part_names[part],
                (float(middle[0]), float(middle[1]), float(middle[2])),
                float(need[mine].max()),
                len(mine),
                100 * share,
            )
        )
    out.sort(key=lambda p: (-p.percent, -p.depth))
    return tuple(out[:MOST_PLACES])


def _hanging_together(low: LowPoly, triangle: NDArray[np.integer]) -> NDArray[np.int64]:
    """Return (N,) number of the group of triangles, joined by corners, that each one is in."""
    corner = low.welded[triangle]
    count = low.position_count
    ends = corner[:, [0, 1]].ravel(), corner[:, [1, 2]].ravel()
    graph = coo_array((np.ones(len(ends[0]), np.int8), ends), shape=(count, count))
    _, component = connected_components(graph.tocsr(), directed=False)
    # One part at a time, though parts may share positions.
    key = component[corner[:, 0]].astype(np.int64) * len(low.part_names)
    key += low.triangle_part[triangle]
    _, label = np.unique(key, return_inverse=True)
    out: NDArray[np.int64] = label.ravel().astype(np.int64)
    return out


def inward_distances(
    low: LowPoly,
    graph: Graph,
    cast: Matched,
    corridors: Corridors,
    depths: Depths,
    margin: float,
    preferred: float,
    solver: SolverName,
) -> Floats:
    """Return (P,) how far inward rays must look from each position, world units.

    The smoothest small distances whose mix reaches every target that a part's depth reaches. None
    is more than the deepest of these around it, or `preferred`.
    """
    part = low.triangle_part[cast.points.triangle[corridors.point]]
    limit = np.array([depths.parts.get(name, 0.0) for name in low.part_names])[part]
    asked = (corridors.target < 0) & (margin - corridors.target <= limit)
    c = corridors.take(asked)
    need = margin - c.target
    most = np.full(low.position_count, preferred)
    for k in range(3):
        np.maximum.at(most, c.columns[:, k], need)
    rows = replace(
        c,
        # Mixed as numbers: a depth runs along the ray, not along the corners' directions.
        coefficients=cast.points.barycentric[c.point],
        lower=need,
        upper=np.full(len(c), np.inf),
        clash=np.zeros(len(c), bool),
    )
    nothing = np.full(low.position_count, np.nan)
    limits = Limits(np.inf, preferred, nothing, np.full(low.position_count, np.inf))
    return solve_offsets(build_problem(graph, rows, limits, most=most), solver=solver).offsets
