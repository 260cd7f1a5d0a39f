"""Regions as they are compared: where each lies in space, and how sure its harm is.

Two results may stem from different low polys, samples and part names, so nothing but places in
space, the way the surface faces there, and the defect tells that two regions are the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.near_points import PointTree, nearest_points, room_for_search, tree_in_order
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import dot, row
from cagecheck.defects.harm import harm_degrees
from cagecheck.defects.regions import LINK_SPACINGS
from cagecheck.loops import njit


@dataclass(frozen=True, eq=False)
class PlacedRegion:
    """A region with its points.

    Attributes
    ----------
    row : dict[str, Any]
        The region as result files hold it, see `Region.to_dict`.
    points, normals : (K, 3) float64
        Its points, and unit normals of the surface there; zero where they are not known.
    reach : (K,) float64
        As far from each point its place may be thought to go on, world units.
    weight : (K,) float64
        The share of the region that each point stands for; the sum is 1.
    harms : (K,) float64
        The harm of each point; the sum is the region's.
    samples : (K,) int64
        What each point is called in its result; points of results that cast the same samples have
        the same numbers.
    counted : float
        How many samples the harm was found from, as far as they do not hang on each other.
    lost : bool
        Whether it is lost surface of the high poly, not a place on the low poly.
    """

    row: dict[str, Any]
    points: Floats
    normals: Floats
    reach: Floats
    weight: Floats
    harms: Floats
    samples: NDArray[np.int64]
    counted: float
    lost: bool = False

    @property
    def number(self) -> int:
        """The region's number in its result."""
        return int(self.row["number"])

    @property
    def name(self) -> str:
        """The defect's title."""
        return str(self.row["name"])

    @property
    def part(self) -> str:
        """The low part."""
        return str(self.row["part"])

    @property
    def harm(self) -> float:
        """Degrees that show, times texels."""
        return float(self.row["harm"])

    @property
    def area(self) -> float:
        """Its area on the low poly, square units."""
        return float(self.row["area"])

    @property
    def middle(self) -> Floats:
        """(3,) the middle of its points."""
        out: Floats = self.weight @ self.points
        return out

    @property
    def radius(self) -> float:
        """How far its points lie from the middle on the whole (root of the mean square), at least
        their reach.
        """
        away = self.weight @ ((self.points - self.middle) ** 2).sum(axis=1)
        return max(float(np.sqrt(away)), float(self.reach.max()))


@dataclass(frozen=True, eq=False)
class Surroundings:
    """All samples of a result: where its surface is, beside what is wrong with it.

    points, normals : (N, 3). part : (N,) low part of each. triangle, barycentric, low_triangles :
    which samples were cast, on which triangles.
    """

    points: Floats
    normals: Floats
    part: Ints
    triangle: Ints
    barycentric: NDArray[np.floating]
    low_triangles: Ints

    def same_samples(self, other: Surroundings) -> bool:
        """Tell whether both cast the same samples: the same places of the same triangles."""
        return (
            np.array_equal(self.triangle, other.triangle)
            and np.array_equal(self.barycentric, other.barycentric)
            and np.array_equal(self.low_triangles, other.low_triangles)
        )


@dataclass(frozen=True, eq=False)
class Placed:
    """One of the two results that are compared.

    Attributes
    ----------
    label : str
        What the result is called: its folder, or what a script gave.
    document : dict[str, Any]
        The result's JSON document.
    regions : tuple[PlacedRegion, ...]
        Its regions, most harmful first.
    parts : tuple[str, ...]
        Names of its low parts.
    exact : bool
        Whether every texel was looked at, so that no harm hangs on where samples fell.
    around : Surroundings | None
        All its samples, None where they are not known.
    spacing : float
        How far apart its samples lie, world units; 0 where that is not known.
    folder : Path | None
        Where it lies, None for what is in memory.
    """

    label: str
    document: dict[str, Any]
    regions: tuple[PlacedRegion, ...]
    parts: tuple[str, ...]
    exact: bool = False
    around: Surroundings | None = None
    spacing: float = 0.0
    folder: Path | None = None


def place_region(
    row: dict[str, Any],
    points: Floats,
    normals: Floats,
    spacing: Floats,
    *,
    area: Floats | None = None,
    harms: Floats | None = None,
    samples: NDArray[np.int64] | None = None,
    counted: float | None = None,
    lost: bool = False,
) -> PlacedRegion:
    """Return a region with its points.

    spacing : (K,) how far apart points lie. area : (K,) area each stands for, alike by default.
    harms : (K,) what each adds to the harm, up to a factor; alike by default. counted, lost : see
    `PlacedRegion`; all samples count by default.
    """
    n = len(points)
    weight = _shares(area, n)
    return PlacedRegion(
        row=row,
        points=np.asarray(points, np.float64),
        normals=np.asarray(normals, np.float64),
        # Regions are linked across the same gap, so what lies nearer is one place.
        reach=LINK_SPACINGS * np.asarray(spacing, np.float64),
        weight=weight,
        harms=float(row["harm"]) * _shares(harms, n),
        samples=np.arange(n) if samples is None else np.asarray(samples, np.int64),
        counted=max(float(row["sample_count"]), 1.0) if counted is None else counted,
        lost=lost,
    )


def place_ball(row: dict[str, Any]) -> PlacedRegion:
    """Return a region of which nothing but its middle and radius is known."""
    radius = np.array([max(float(row["radius"]), np.sqrt(float(row["area"]) / np.pi))])
    return place_region(
        row, np.array([row["centroid"]], np.float64), np.zeros((1, 3)), radius / LINK_SPACINGS
    )


def point_harms(error: Floats, texels: Floats, area: Floats) -> Floats:
    """Return (K,) harm of samples: degrees that show, times texels, times area without UVs."""
    out: Floats = harm_degrees(error) * (texels if texels.sum() > 0 else area)
    return out


def _shares(values: Floats | None, count: int) -> Floats:
    """Return values that add up to 1; alike where there are none, or nothing but zeros."""
    total = 0.0 if values is None else float(values.sum())
    if values is None or not total > 0:
        return np.full(count, 1 / count)
    return np.asarray(values, np.float64) / total


def widened(one: Placed, other: Placed) -> Placed:
    """Return a result whose reaches also span the gap to the other's surface.

    Another low poly of the same shape lies beside this one by what both cut off its curves. The
    gap is what lies between a point and the nearest sample of the other that faces the same way,
    on the part of that name where there is one; beyond a region's own size it is no gap but other
    surface.
    """
    here, there = one.around, other.around
    if here is None or there is None or not one.regions or here.same_samples(there):
        return one
    trees: dict[str | None, tuple[PointTree, Floats]] = {}
    regions = []
    for region in one.regions:
        part = region.part if region.part in other.parts else None
        if part not in trees:
            of_part = slice(None) if part is None else there.part == other.parts.index(part)
            tree, order = tree_in_order(there.points[of_part])
            trees[part] = tree, there.normals[of_part][order]
        tree, normals = trees[part]
        gap = nearest_facing(tree, normals, region.points, region.normals)[0]
        most = region.radius
        # Within one spacing the gap is that between samples, which reach counts already.
        gap = np.where(gap <= most, gap, 0.0)
        regions.append(replace(region, reach=region.reach + gap))
    return replace(one, regions=tuple(regions))


# On a thin sheet the nearest points may be those of the other side: so many are looked at.
LOOKED_AT = 16


def nearest_facing(
    tree: PointTree, normals: Floats, points: Floats, facing: Floats, most: float = np.inf
) -> tuple[Floats, NDArray[np.int64]]:
    """Return distance and row of the tree's point nearest to each that faces the same way.

    Infinite and -1 where there is none within `most`, among the nearest `LOOKED_AT`. Unknown
    normals (zero) face every way.
    """
    distance, found = np.full(len(points), np.inf), np.full(len(points), -1, np.int64)
    if len(normals) == 0:
        return distance, found

    def look(begin: int, end: int) -> None:
        _look_for_facing(
            begin, end, tree, normals, points, facing, most, *room_for_search(), distance, found
        )

    in_blocks(len(points), look)
    return distance, found


@njit(cache=True, nogil=True)
def _look_for_facing(
    begin: int,
    end: int,
    tree: PointTree,
    normals: Floats,
    points: Floats,
    facing: Floats,
    most: float,
    stack: NDArray[np.int64],
    away: Floats,
    distance: Floats,
    found: NDArray[np.int64],
) -> None:
    last = min(LOOKED_AT, len(normals))
    square, index = np.empty(last), np.empty(last, np.int64)
    for m in range(begin, end):
        mine = row(facing, m)
        for count in (1, last):  # mostly the very nearest one faces so
            near, which = square[:count], index[:count]
            nearest_points(tree, points[m, 0], points[m, 1], points[m, 2], near, which, stack, away)
            for k in range(count):
                theirs = row(normals, which[k])
                known = dot(mine, mine) > 0.0 and dot(theirs, theirs) > 0.0
                if dot(mine, theirs) > 0.0 or not known:
                    if np.sqrt(near[k]) < most:
                        distance[m], found[m] = np.sqrt(near[k]), which[k]
                    break
            if found[m] >= 0 or np.sqrt(near[0]) >= most:
                break
