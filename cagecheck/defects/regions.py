"""Defective samples grouped into places on the low poly.

A region is a connected group of samples with one defect on one part: samples are neighbours when
they are close for their spacing and their triangles are the same or touch, so that a finger never
joins the next one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.components import connected
from cagecheck.arrays.near_points import nearest_of, tree_in_order
from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.harm import Seen, seen_of
from cagecheck.defects.kinds import KINDS, Defect, Trouble
from cagecheck.defects.measures import measure_at
from cagecheck.defects.reasons import Explanation, Reason
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.points import SurfacePoints

# Quasi-random points leave gaps up to about twice their mean spacing.
LINK_SPACINGS = 2.0
# Each sample is linked to so many of the nearest that it may be linked to: more only repeat a way.
LINKS_PER_SAMPLE = 12
# Up to so many neighbours are kept in order one by one.
_FEW = 64
# Neighbours looked at in one go: bounds the memory.
_LINKS_AT_ONCE = 1 << 22


@dataclass(frozen=True)
class Region:
    """One place with one defect.

    Attributes
    ----------
    number : int
        Counts from 1 in order of harm.
    defect : Trouble
        What is wrong.
    part : str
        The low part concerned.
    tile : int
        UDIM number, `NO_TILE` where there is none.
    centroid : tuple[float, float, float]
        Its sample that is nearest to its middle, world space.
    radius : float
        How far samples lie from the middle at most, world units.
    area : float
        Its area on the low poly, square units.
    percent : float
        Its share of the part's area, in percent.
    texels : float
        How many texels of the maps it covers.
    worst : float | None
        The largest measure, in `unit`.
    unit : str
        See `KINDS`; ``units`` in place of ``texels`` without UVs.
    why, remedy : Reason
        Codes with values, which `cause` and `cure` say in sentences.
    sample_count : int
        Number of its samples.
    other_part : str | None
        The other high part concerned, None where there is none.
    visible_error : float
        How far what is recorded is from what should be, on the mean of its texels, degrees.
    texels_seen, area_seen : float
        How many of its texels, and how many square units, are so far off that it shows.
    harm : float
        Degrees that show, times texels (times square units without UVs).
    samples : (K,) int64
        Numbers of its samples.
    """

    number: int
    defect: Trouble
    part: str
    tile: int
    centroid: tuple[float, float, float]
    radius: float
    area: float
    percent: float
    texels: float
    worst: float | None
    unit: str
    why: Reason
    remedy: Reason
    sample_count: int
    other_part: str | None = None
    visible_error: float = 0.0
    texels_seen: float = 0.0
    area_seen: float = 0.0
    harm: float = 0.0
    samples: NDArray[np.int64] = field(
        default_factory=lambda: np.zeros(0, np.int64), repr=False, compare=False
    )

    @property
    def shows(self) -> bool:
        """Whether any of it will be seen: a texel at least, or some area where there are none."""
        return self.texels_seen >= 0.5 if self.texels > 0 else self.area_seen > 0

    @property
    def name(self) -> str:
        """The defect's title."""
        return self.defect.title

    @property
    def cause(self) -> str:
        """The likely cause in a sentence."""
        return self.why.words

    @property
    def cure(self) -> str:
        """What to do about it, in a sentence."""
        return self.remedy.words

    def to_dict(self) -> dict[str, Any]:
        """Return the region as plain JSON values (without its sample numbers)."""
        return {
            "number": self.number,
            "name": self.name,
            "part": self.part,
            "tile": self.tile,
            "centroid": list(self.centroid),
            "radius": self.radius,
            "area": self.area,
            "percent": self.percent,
            "texels": self.texels,
            "visible_error": self.visible_error,
            "texels_seen": self.texels_seen,
            "area_seen": self.area_seen,
            "harm": self.harm,
            "worst": self.worst,
            "unit": self.unit,
            "cause": self.cause,
            "cure": self.cure,
            "sample_count": self.sample_count,
            "other_part": self.other_part,
            **self.why.to_dict("cause"),
            **self.remedy.to_dict("cure"),
        }


def group_samples(
    low: LowPoly, points: SurfacePoints, positions: Floats, chosen: NDArray[np.int64]
) -> Ints:
    """Return (len(chosen),) int32 group numbers of connected samples.

    positions : (N, 3) world positions of all points.
    """
    n = len(chosen)
    if n == 0:
        return np.zeros(0, np.int32)
    place, triangle, spacing = positions[chosen], points.triangle[chosen], points.spacing[chosen]
    look = _Neighbours(place)
    ends: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
    asked, k = np.arange(n), min(LINKS_PER_SAMPLE + 1, n)
    while len(asked):
        unsated = []
        for begin in range(0, len(asked), max(_LINKS_AT_ONCE // k, 1)):
            rows = asked[begin : begin + max(_LINKS_AT_ONCE // k, 1)]
            distance, index = look.nearest(rows, k)
            linked = np.zeros((len(rows), k), np.bool_)
            _link(low.welded, low.triangle_part, triangle, spacing, rows, distance, index, linked)
            row, column = np.nonzero(linked)
            ends.append((rows[row], index[row, column]))
            # Near a second sheet the nearest samples may all be on that: look farther.
            few = linked.sum(axis=1) <= LINKS_PER_SAMPLE
            unsated.append(rows[few & (distance[:, -1] <= LINK_SPACINGS * spacing[rows])])
        asked = np.concatenate(unsated) if k < n else asked[:0]
        k = min(4 * k, n)
    begin_of, end_of = (np.concatenate(x) for x in zip(*ends, strict=True))
    return connected(n, begin_of, end_of)[1]


class _Neighbours:
    """The nearest among places (N, 3), in any order."""

    def __init__(self, place: Floats) -> None:
        self._place = place
        self._tree, self._order = tree_in_order(place)
        self._large: Any = None

    def nearest(self, rows: NDArray[np.int64], count: int) -> tuple[Floats, NDArray[np.int64]]:
        """Return (M, count) how far the nearest places are from those at `rows`, and which."""
        asked = self._place[rows]
        if count > _FEW:
            from scipy.spatial import cKDTree  # hardly anyone waits for it to load

            self._large = self._large or cKDTree(self._place)
            distance, index = self._large.query(asked, k=count)
            return distance, index
        distance, index = np.empty((len(rows), count)), np.empty((len(rows), count), np.int64)

        def look(begin: int, end: int) -> None:
            here = slice(begin, end)
            distance[here], row = nearest_of(self._tree, asked[here], count)
            index[here] = self._order[row]

        in_blocks(len(rows), look)
        return distance, index


@njit(cache=True, nogil=True, makes_arrays=False)
def _link(
    welded: Ints,
    triangle_part: Ints,
    triangle: Ints,
    spacing: Floats,
    rows: NDArray[np.int64],
    distance: Floats,
    index: NDArray[np.int64],
    out: NDArray[np.bool_],
) -> None:
    for i in range(len(rows)):
        for m in range(index.shape[1]):
            j = index[i, m]
            if distance[i, m] > LINK_SPACINGS * max(spacing[rows[i]], spacing[j]):
                continue
            a, b = triangle[rows[i]], triangle[j]
            if triangle_part[a] != triangle_part[b]:
                continue
            if a == b:
                out[i, m] = True
                continue
            for p in range(3):
                for q in range(3):
                    if welded[a, p] == welded[b, q]:
                        out[i, m] = True


@dataclass(frozen=True, eq=False)
class Group:
    """Samples of one region before it is named: what the causes are read from."""

    defect: Defect
    samples: NDArray[np.int64]
    part: int
    area: float
    texels: float
    centroid: Floats
    radius: float
    seen: Seen


def find_groups(
    low: LowPoly,
    points: SurfacePoints,
    positions: Floats,
    defect: Defect,
    mask: NDArray[np.bool_],
    area: Floats,
    texel_area: Floats,
    error: Floats,
    *,
    whole_parts: NDArray[np.bool_] | None = None,
) -> list[Group]:
    """Return the groups of one defect.

    whole_parts : (parts,) bool, parts whose samples are one place however they hang together.

    area : (N,) world area that each sample stands for; texel_area : (N,) the same in texels;
    error : (N,) visible error, degrees.
    Samples without area (edges and vertices) count towards the shape of a group; a group of nothing
    else covers no texel and is left out.
    """
    chosen = np.flatnonzero(mask)
    label = group_samples(low, points, positions, chosen)
    if whole_parts is not None and len(chosen):
        part = low.triangle_part[points.triangle[chosen]]
        label = np.where(whole_parts[part], label.max() + 1 + part, label)
    order = np.argsort(label, kind="stable")
    bounds = np.flatnonzero(np.diff(label[order])) + 1
    groups = []
    for members in np.split(order, bounds) if len(chosen) else []:
        samples = chosen[members]
        weight = area[samples]
        place = positions[samples]
        total = float(weight.sum())
        if total <= 0 and texel_area[samples].sum() <= 0:
            continue
        centre = np.average(place, axis=0, weights=weight) if total > 0 else place.mean(axis=0)
        groups.append(
            Group(
                defect,
                samples,
                int(low.triangle_part[points.triangle[samples[0]]]),
                total,
                float(texel_area[samples].sum()),
                centre,
                float(np.linalg.norm(place - centre, axis=1).max()),
                seen_of(error[samples], texel_area[samples], weight),
            )
        )
    return groups


def name_regions(
    low: LowPoly,
    points: SurfacePoints,
    positions: Floats,
    groups: list[Group],
    measures: Mapping[Defect, Floats],
    explained: list[Explanation],
) -> list[Region]:
    """Number and describe groups, the most harmful first, then the largest (texels, then area).

    explained : why every group is wrong.
    """
    part_area = np.bincount(low.triangle_part, weights=low.area, minlength=len(low.part_names))
    order = sorted(
        range(len(groups)),
        key=lambda g: (
            *by_harm(groups[g].seen.harm, groups[g].texels, groups[g].area),
            groups[g].defect,
            g,
        ),
    )
    regions = []
    for number, g in enumerate(order, start=1):
        group, told = groups[g], explained[g]
        centre = nearest_member(positions, group)
        worst, unit = _worst_in_unit(low, points, group, measures)
        tiles, count = np.unique(low.tile[points.triangle[group.samples]], return_counts=True)
        regions.append(
            Region(
                number=number,
                defect=group.defect,
                part=low.part_names[group.part],
                tile=int(tiles[np.argmax(count)]),
                centroid=(float(centre[0]), float(centre[1]), float(centre[2])),
                radius=group.radius,
                area=group.area,
                percent=100 * group.area / part_area[group.part] if part_area[group.part] else 0.0,
                texels=group.texels,
                worst=worst,
                unit=unit,
                why=told.cause,
                remedy=told.cure,
                sample_count=len(group.samples),
                other_part=told.other_part,
                visible_error=group.seen.error,
                texels_seen=group.seen.texels,
                area_seen=group.seen.area,
                harm=group.seen.harm,
                samples=group.samples,
            )
        )
    return regions


def by_harm(harm: float, texels: float, area: float) -> tuple[float, float, float]:
    """Return what places are sorted by: what shows most first, then what is largest."""
    return -harm, -texels, -area


def nearest_member(positions: Floats, group: Group) -> Floats:
    """Return the member sample nearest to the centroid: a place on the surface, not in the air."""
    place = positions[group.samples]
    out: Floats = place[np.argmin(np.linalg.norm(place - group.centroid, axis=1))]
    return out


def worst_measure(group: Group, measures: Mapping[Defect, Floats]) -> float | None:
    """Return the group's worst measure (the least for folds), None where it has none."""
    values = measure_at(measures, group.defect, group.samples)
    values = values[np.isfinite(values)]
    if len(values) == 0:
        return None
    return float(values.min() if group.defect == Defect.FOLD else values.max())


def _worst_in_unit(
    low: LowPoly, points: SurfacePoints, group: Group, measures: Mapping[Defect, Floats]
) -> tuple[float | None, str]:
    """Return the group's worst measure and its unit: world units where nothing has texels."""
    unit = KINDS[group.defect].unit
    if unit != "texels":
        return worst_measure(group, measures), unit
    mapped = low.uv_area[points.triangle[group.samples]] != 0
    if not mapped.any():
        return worst_measure(group, measures), "units"
    return worst_measure(replace(group, samples=group.samples[mapped]), measures), unit
