"""Faulty texels of a map grouped into numbered regions with cause and cure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.regions import Region, group_samples
from cagecheck.locating.compare import Fault
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage, rays_through
from cagecheck.rays.points import SurfacePoints
from cagecheck.words.lengths import length_words
from cagecheck.words.sentences import count_words

TITLES: dict[Fault, str] = {
    Fault.OTHER_PART: "recorded another part",
    Fault.OTHER_FOLD: "recorded another fold",
    Fault.TOO_DEEP: "recorded too deep",
    Fault.MISSED: "missed",
    Fault.SLANTED: "slanted",
    Fault.SEAM: "seam mismatch",
    Fault.PADDING: "padding too thin",
    Fault.NOISE: "noise",
    Fault.UNEXPLAINED: "unexplained",
}
UNITS: dict[Fault, str] = {
    Fault.OTHER_PART: "units",
    Fault.OTHER_FOLD: "units",
    Fault.TOO_DEEP: "units",
    Fault.MISSED: "degrees",
    Fault.SLANTED: "texels",
    Fault.SEAM: "degrees",
    Fault.PADDING: "texels",
    Fault.NOISE: "degrees",
    Fault.UNEXPLAINED: "degrees",
}
# Smaller groups are specks that no eye finds; they are counted, not listed.
SMALLEST_REGION = 8
# So are small unexplained groups that differ by less than shading shows (common practice, no
# source): filters leave them at borders.
FAINT_TEXELS, FAINT_DEGREES = 50, 6.0


@dataclass(frozen=True, eq=False)
class FaultyTexels:
    """All faulty texels of all tiles.

    points, positions : on the low poly, world units; tile, x, y : (N,) int32 which texel; fault :
    (N,) uint8; measure : (N,) in the fault's unit; gap, target, angle : (N,) see `TileView`;
    other : (N,) int32 high part or -1; patch : (N,) int32, texels that touch in the picture and
    have one fault share a number; weight : (N,) texels that each stands for.
    """

    points: SurfacePoints
    positions: Floats
    tile: Ints
    x: Ints
    y: Ints
    fault: NDArray[np.uint8]
    measure: Floats
    gap: Floats
    target: Floats
    angle: Floats
    other: Ints
    patch: Ints
    weight: Floats

    def __len__(self) -> int:
        return len(self.fault)


def fault_regions(
    low: LowPoly, texels: FaultyTexels, part_names: Sequence[str], depth: float, cage: Cage
) -> tuple[list[Region], int]:
    """Return the regions, most texels first, and how many faulty texels are in none.

    part_names : names of the high parts. depth, cage : how deep the bake is taken to have looked,
    and where its rays to have started.
    `Region.samples` index `texels`.
    """
    part_area = np.zeros(len(low.part_names))
    np.add.at(part_area, low.triangle_part, low.area)
    found: list[tuple[Fault, NDArray[np.int64]]] = []
    specks = 0
    for fault in TITLES:
        chosen = np.flatnonzero(texels.fault == fault)
        for members in _joined(low, texels, chosen):
            faint = fault == Fault.UNEXPLAINED and (
                len(members) < FAINT_TEXELS and np.median(texels.angle[members]) < FAINT_DEGREES
            )
            if faint or (fault != Fault.PADDING and len(members) < SMALLEST_REGION):
                specks += len(members)
            else:
                found.append((fault, members))
    found.sort(key=lambda f: (-float(texels.weight[f[1]].sum()), f[0], int(f[1][0])))
    regions = [
        _region(low, texels, number, fault, members, part_names, part_area, depth, cage)
        for number, (fault, members) in enumerate(found, start=1)
    ]
    return regions, specks


def _joined(
    low: LowPoly, texels: FaultyTexels, chosen: NDArray[np.int64]
) -> list[NDArray[np.int64]]:
    """Join texels that touch in the picture or, across seams, on the surface."""
    if len(chosen) == 0:
        return []
    on_surface = group_samples(low, texels.points, texels.positions, chosen)
    _, patch = np.unique(
        texels.patch[chosen].astype(np.int64) * (len(low.part_names) + 1)
        + low.triangle_part[texels.points.triangle[chosen]],
        return_inverse=True,
    )
    first = int(on_surface.max()) + 1
    nodes = first + int(patch.max()) + 1
    graph = coo_array((np.ones(len(chosen), np.int8), (on_surface, first + patch)), (nodes, nodes))
    label = connected_components(graph, directed=False)[1][on_surface]
    order = np.argsort(label, kind="stable")
    bounds = np.flatnonzero(np.diff(label[order])) + 1
    return [chosen[members] for members in np.split(order, bounds)]


def _region(
    low: LowPoly,
    texels: FaultyTexels,
    number: int,
    fault: Fault,
    members: NDArray[np.int64],
    part_names: Sequence[str],
    part_area: Floats,
    depth: float,
    cage: Cage,
) -> Region:
    place = texels.positions[members]
    middle = place.mean(axis=0)
    centre = place[np.argmin(np.linalg.norm(place - middle, axis=1))]
    tiles, count = np.unique(texels.tile[members], return_counts=True)
    part = int(low.triangle_part[texels.points.triangle[members[0]]])
    area = float(texels.points.area[members].sum())
    measure = texels.measure[members]
    measure = measure[np.isfinite(measure)]
    other = _commonest(texels.other[members])
    other_name = part_names[other] if other >= 0 else None
    if fault == Fault.MISSED:
        start = rays_through(low, cage, texels.points.take(members)).start
        cause, cure = _missed(texels, members, low.part_names[part], depth, start)
    else:
        cause, cure = _RULES[fault](texels, members, other_name, low.part_names[part])
    return Region(
        number=number,
        name=TITLES[fault],
        part=low.part_names[part],
        tile=int(tiles[np.argmax(count)]),
        centroid=(float(centre[0]), float(centre[1]), float(centre[2])),
        radius=float(np.linalg.norm(place - centre, axis=1).max()),
        area=area,
        percent=100 * area / part_area[part] if part_area[part] else 0.0,
        texels=float(texels.weight[members].sum()),
        worst=float(np.abs(measure).max()) if len(measure) else None,
        unit=UNITS[fault],
        cause=cause,
        cure=cure,
        sample_count=len(members),
        other_part=other_name,
        samples=members,
    )


def _commonest(numbers: Ints) -> int:
    known = numbers[numbers >= 0]
    return int(np.bincount(known).argmax()) if len(known) else -1


def _finite(values: Floats) -> Floats:
    kept = values[np.isfinite(values)]
    return kept if len(kept) else np.array([np.nan])


Words = tuple[str, str]


def _other_layer(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Words:
    gap, target = texels.gap[members], texels.target[members]
    above = _finite(np.where(np.isfinite(target), target + gap, gap))
    room = float(above.min())
    high = float(_finite(target).max())
    cause = (
        f"the map shows {other or 'another layer'} here, "
        f"{length_words(float(np.nanmedian(gap)))} above the surface of {part} at the median"
    )
    # Another layer of the same part comes along however the parts are baked.
    folded = Fault(int(texels.fault[members[0]])) == Fault.OTHER_FOLD
    aside = "split the part here and bake the pieces apart" if folded else "bake the parts apart"
    if np.isfinite(high) and room <= high:
        return cause, f"{aside}: no single offset keeps this layer out here"
    return cause, f"keep the offset here below {length_words(max(room, 0.0))}, or {aside}"


def _too_deep(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Words:
    target = _finite(texels.target[members])
    gap = float(np.abs(_finite(texels.gap[members])).max())
    if np.isnan(target).all():
        return (
            f"no surface of {part} belongs here, and the map shows what lies behind "
            f"({other or 'another layer'})",
            "close the hole in the high poly, or pull the low poly in",
        )
    rise = float(target.max())
    cause = f"the map shows a layer up to {length_words(gap)} below the surface of {part}"
    if rise > 0:
        return (
            f"{cause}: the surface rises to {length_words(rise)} and the rays started beneath it",
            f"raise the offset here above {length_words(rise)}",
        )
    return f"{cause}: the surface was not there for the bake", "check that the high poly is closed"


def _missed(
    texels: FaultyTexels, members: NDArray[np.int64], part: str, depth: float, start: Floats
) -> Words:
    """Say why texels were missed; start : (M,) how far out the rays are taken to have begun."""
    target = texels.target[members]
    found = np.isfinite(target)
    known, start = target[found], start[found]
    if len(known) < 0.5 * len(members):
        return (
            f"nothing was recorded, and no surface of {part} lies here",
            "close the hole in the high poly, pull the low poly in, or pair the part (`predict` "
            "prints the pairs)",
        )
    if np.median(known) > 0:
        rise = length_words(float(known.max()))
        if np.mean(known < start) > 0.5:
            return (
                f"nothing was recorded: the surface rises to {rise}. Rays from the cage compared "
                f"with, {length_words(float(np.median(start)))} out, would have met it: those of "
                "the bake started lower, or the bake left this part out",
                f"raise the offset here above {rise}; if the bake had that, check that it included "
                "this part and that its faces look outward",
            )
        return (
            f"nothing was recorded: the surface rises to {rise}, rays started beneath it",
            f"raise the offset here above {rise}",
        )
    if -known.min() <= depth:
        return (
            "nothing was recorded, although the surface lies only "
            f"{length_words(float(-known.min()))} below the low poly",
            "check that its faces look outward, that the bake included this part, and its depth",
        )
    return (
        f"nothing was recorded: the surface lies up to {length_words(float(-known.min()))} below "
        "the low poly, deeper than the rays looked",
        f"raise the depth to more than {length_words(float(-known.min()))}",
    )


def _slanted(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Words:
    shift = float(np.median(_finite(texels.measure[members])))
    return (
        f"the detail slid sideways by about {shift:.1f} texels: rays leaned to the surface",
        "straighten the rays here, or add an edge loop near the hard change",
    )


def _seam(texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str) -> Words:
    step = float(_finite(texels.measure[members]).max())
    return (
        f"the two sides of the UV seam shade up to {step:.0f} degrees apart",
        "bake both islands in one go, with the final mesh's tangent basis and triangulation",
    )


def _padding(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Words:
    bare = round(float(texels.weight[members].sum()))
    wanted = int(_finite(texels.measure[members]).max())
    return (
        f"{count_words(bare, 'texel')} beside islands of {part} "
        f"{'shows' if bare == 1 else 'show'} the background",
        f"bake with at least {count_words(wanted, 'texel')} of padding",
    )


def _noise(texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str) -> Words:
    size = float(np.median(_finite(texels.angle[members])))
    return (
        f"normals scatter by about {size:.0f} degrees from texel to texel, the high poly does not",
        "bake with more samples a texel, and save without lossy compression or dithering",
    )


def _unexplained(
    texels: FaultyTexels, members: NDArray[np.int64], other: str | None, part: str
) -> Words:
    size = float(np.median(_finite(texels.angle[members])))
    return (
        f"the map differs by about {size:.0f} degrees, and no layer, shift or miss explains it",
        "check that it was baked from this high poly and low poly, and not painted over",
    )


_RULES = {
    Fault.OTHER_PART: _other_layer,
    Fault.OTHER_FOLD: _other_layer,
    Fault.TOO_DEEP: _too_deep,
    Fault.SLANTED: _slanted,
    Fault.SEAM: _seam,
    Fault.PADDING: _padding,
    Fault.NOISE: _noise,
    Fault.UNEXPLAINED: _unexplained,
}
