"""The visible error of a baked map: how far what it holds is from what should be there.

The same measure as for a bake to come (`cagecheck.defects.visible`), with the map's own normals in
place of the recorded ones, so that both tell of one bake in the same numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.defects.harm import seen_of
from cagecheck.defects.kinds import Defect
from cagecheck.defects.match import Matched
from cagecheck.defects.visible import (
    HOLE_DEGREES,
    error_of_normals,
    find_ideal,
    lean_degrees,
)
from cagecheck.locating.compare import covered_texels, one_in, picked_points
from cagecheck.locating.one_map import LocatedMap, TileRecord
from cagecheck.locating.variants import Variants
from cagecheck.rays.layers import NO_LAYER
from cagecheck.rays.points import SurfacePoints

# Other layers are looked for so many cage distances out, as predictions do.
REACH_SHARE = 3.0
# Texels of a tile that are judged by what their rays cross: all of a 512 map.
MOST_JUDGED = 1 << 18
# Where nothing was recorded and the map is as flat as this, it shows its background.
FLAT_DEGREES = 1.0
# What rays through texel centres have: no surface without rays, no wedges between them.
TOLD = tuple(defect for defect in Defect if defect not in (Defect.UNSEEN, Defect.SPLIT))


@dataclass(frozen=True, eq=False)
class _Meant:
    """Rays of the bake at some texels, and the normals that belong there."""

    cast: Matched
    normal: Floats


def _meant(variants: Variants, found: LocatedMap, points: SurfacePoints) -> _Meant:
    settings = variants.settings
    matcher, cage = variants.matcher(settings.quads), variants.cage(settings.quads)
    depth = settings.depth or 0.0
    reach = REACH_SHARE * float(matcher.rays(cage, points).start.max(initial=0.0))
    cast = matcher.deeper(matcher.cast(cage, points, depth, max(reach, depth)))
    assert found.record is not None
    shading = variants.baker(settings.quads, found.reading.normals).shading
    ideal = find_ideal(matcher, cast, depth=depth, map_size=found.record.size, shading=shading)
    return _Meant(cast, ideal.normal)


def _shown(record: TileRecord, x: Ints, y: Ints) -> Floats:
    """Return (N, 3) the unit normals that a map holds at texels; zero where it holds none."""
    shown = record.shown[y, x].astype(np.float64)
    length = np.linalg.norm(shown, axis=1, keepdims=True)
    out: Floats = shown / np.where(length > 0, length, 1.0)
    return out


def texel_errors(
    variants: Variants, found: LocatedMap, points: SurfacePoints, x: Ints, y: Ints
) -> Floats:
    """Return (N,) degrees between what a map shows at texels and what should be there."""
    if len(points) == 0 or found.record is None:
        return np.zeros(len(points))
    meant = _meant(variants, found, points)
    matcher = variants.matcher(variants.settings.quads)
    return error_of_normals(matcher.low, points, _shown(found.record, x, y), meant.normal)


def border_errors(
    variants: Variants, found: LocatedMap, points: SurfacePoints, x: Ints, y: Ints
) -> Floats:
    """Return (N,) degrees that a bare background turns an island's border by from afar.

    The first mip level that reaches over the border mixes both by halves. The background counts as
    flat.
    """
    assert found.record is not None
    low = variants.low(variants.settings.quads)
    return 0.5 * lean_degrees(low, points, _shown(found.record, x, y))


@dataclass(frozen=True)
class ShownDefect:
    """What a map shows of one defect that the rays of its bake have.

    Attributes
    ----------
    defect : Defect
        The defect.
    texels : float
        Texels of the maps with that defect.
    texels_seen : float
        How many of them are so far off that it shows.
    harm : float
        Degrees that show, times texels.
    """

    defect: Defect
    texels: float
    texels_seen: float
    harm: float

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "name": self.defect.title,
            "texels": self.texels,
            "texels_seen": self.texels_seen,
            "harm": self.harm,
        }


def shown_defects(variants: Variants, located: list[LocatedMap]) -> tuple[ShownDefect, ...]:
    """Say for every defect of a prediction how much of it the maps show.

    The rays are those of the cage and depth that the maps are compared with; what the texels hold
    is the map's own. Large maps are judged by every second, third, ... texel.
    """
    total: dict[Defect, Floats] = {defect: np.zeros(3) for defect in TOLD}
    done: set[int] = set()
    for found in located:
        if found.record is None or found.record.tile in done:
            continue
        done.add(found.record.tile)
        for defect, sums in _shown_on_tile(variants, found, found.record).items():
            total[defect] += sums
    return tuple(ShownDefect(d, *(float(v) for v in sums)) for d, sums in total.items())


def _shown_on_tile(
    variants: Variants, found: LocatedMap, record: TileRecord
) -> dict[Defect, Floats]:
    settings = variants.settings
    low = variants.low(settings.quads)
    step = max(-(-covered_texels(low, record.tile, record.size) // MOST_JUDGED), 1)

    def chosen(x: Ints, y: Ints) -> NDArray[np.bool_]:
        return record.covered[y, x] & one_in(step, x, y)

    points, column, line = picked_points(low, record.tile, record.size, chosen)
    out: dict[Defect, Floats] = {defect: np.zeros(3) for defect in TOLD}
    if len(points) == 0:
        return out
    meant = _meant(variants, found, points)
    matcher, cage = variants.matcher(settings.quads), variants.cage(settings.quads)
    findings = matcher.classify(cage, meant.cast, depth=settings.depth or 0.0, map_size=record.size)
    shown = _shown(record, column, line)
    error = error_of_normals(low, points, shown, meant.normal)
    missed = findings.recorded == NO_LAYER
    holes = missed & (lean_degrees(low, points, shown) < FLAT_DEGREES)
    error[holes] = np.maximum(error[holes], HOLE_DEGREES)
    weight = np.full(len(points), float(step))
    for defect in out:
        rows = findings.has(defect)
        seen = seen_of(error[rows], weight[rows], points.area[rows])
        out[defect] = np.array([weight[rows].sum(), seen.texels, seen.harm])
    return out
