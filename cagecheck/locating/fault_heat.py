"""The faults of baked maps laid on the low poly: the heat map of `locate`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.locating.compare import Fault, chosen_points, is_known
from cagecheck.locating.locate import Location
from cagecheck.locating.one_map import LocatedMap, TileRecord
from cagecheck.meshes.normals import degrees_between, normalised
from cagecheck.rays.points import SurfacePoints, join_points
from cagecheck.report.colours import CLEAN_COLOUR, Rgb
from cagecheck.report.heatmap import MOST_VERTICES, HeatMap, lay_lattice

# Paul Tol's "muted" scheme, as in `cagecheck.report.colours`, like things in like colours.
FAULT_COLOURS: dict[Fault, Rgb] = {
    Fault.OTHER_PART: (136, 204, 238),
    Fault.OTHER_FOLD: (51, 34, 136),
    Fault.TOO_DEEP: (136, 34, 85),
    Fault.MISSED: (0, 0, 0),
    Fault.SKEW: (221, 204, 119),
    Fault.BACK_FACING: (153, 153, 51),
    Fault.ISLAND_MOVED: (0, 119, 187),
    Fault.HIGH_MOVED: (238, 119, 51),
    Fault.SEAM: (170, 68, 153),
    Fault.PADDING: (17, 119, 51),
    Fault.NOISE: (68, 170, 153),
    Fault.UNEXPLAINED: (204, 102, 119),
}
# Clean texels that the heat map is laid from, at most about this many; faulty ones all are.
HEAT_TEXELS = 400_000


@dataclass(frozen=True, eq=False)
class FaultHeat:
    """The heat map and what it is laid from.

    heat : its `fields` are fault, region, part, tile and the measures; area : (256,) float64, area
    by fault, world units squared; members : per region, the heat-map vertices that show it.
    """

    heat: HeatMap
    area: NDArray[np.float64]
    members: list[NDArray[np.int32]]


@dataclass(frozen=True, eq=False)
class _Texels:
    """Texels of one map to lay: where, which, and what is known of each."""

    points: SurfacePoints
    key: NDArray[np.int64]
    fault: NDArray[np.uint8]
    region: Ints
    measures: dict[str, Floats]


def fault_heat(location: Location, *, most_vertices: int = MOST_VERTICES) -> FaultHeat:
    """Lay the faults on the low poly; every place is clean where no map could be compared."""
    low = location.low
    judged = [m for m in location.maps if m.record is not None and m.fault is not None]
    covered = sum(int(m.record.covered.sum()) for m in judged if m.record is not None)
    step = max(covered // HEAT_TEXELS, 1)
    sets = [_texels(location, found, step) for found in judged] or [_nothing(location)]
    points = join_points([s.points for s in sets])
    fault = np.concatenate([s.fault for s in sets])
    region = np.concatenate([s.region for s in sets])
    key = np.concatenate([s.key for s in sets])
    lattice = lay_lattice(low, points, fault.astype(np.int64), most_vertices=most_vertices)
    shown = lattice.sample
    measures = {
        name: np.concatenate([s.measures[name] for s in sets])[shown].astype(np.float32)
        for name in sets[0].measures
    }
    triangle = points.triangle[shown]
    heat = HeatMap(
        positions=lattice.positions,
        triangles=lattice.triangles,
        low_triangle=lattice.low_triangle,
        sample=shown,
        colours=fault_colours(fault[shown]),
        fields={
            "fault": fault[shown],
            "region": region[shown],
            "part": low.triangle_part[triangle],
            "tile": low.tile[triangle],
            **measures,
        },
        vertex_of_sample=lattice.vertex_of_sample,
    )
    area = np.bincount(fault, weights=points.area, minlength=256).astype(np.float64)
    whole = float(low.area.sum())
    area[Fault.CLEAN] = max(whole - float(area[: Fault.CLEAN].sum()), 0.0)
    return FaultHeat(heat, area, _members(location, key, lattice.vertex_of_sample))


def fault_colours(fault: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return (K, 4) RGBA of faults (K,)."""
    table = np.full((256, 4), 255, np.uint8)
    table[:, :3] = CLEAN_COLOUR
    for kind, colour in FAULT_COLOURS.items():
        table[kind, :3] = colour
    out: NDArray[np.uint8] = table[fault]
    return out


def region_picture(location: Location, record: TileRecord) -> Ints:
    """Return (H, W) int32: the most harmful region of every texel of a tile, 0 for none."""
    texels = location.texels
    out = np.zeros((record.size, record.size), np.int32)
    for region in reversed(location.regions):
        mine = region.samples[texels.tile[region.samples] == record.tile]
        out[texels.y[mine], texels.x[mine]] = region.number
    return out


def _texels(location: Location, found: LocatedMap, step: int) -> _Texels:
    record, fault = found.record, found.fault
    assert record is not None and fault is not None
    region = region_picture(location, record)
    y, x = np.arange(record.size)[:, None], np.arange(record.size)[None, :]
    picked = (y * 104_729 + x * 7919) % step == 0
    wanted = picked | (fault != Fault.CLEAN) | (region > 0)
    points, px, py = chosen_points(location.low, record.tile, wanted)
    kind, number = fault[py, px], region[py, px]
    # Borders beside bare padding are in a region, though they show what they should.
    named = (number > 0) & (kind == Fault.CLEAN)
    kind = np.where(named, Fault.PADDING, kind).astype(np.uint8)
    key = _key(record.tile, px, py)
    measures = {
        "visible_error": _visible_error(location, record, px, py),
        **_heights(record, fault, px, py),
    }
    return _Texels(points, key, kind, number, measures)


def _visible_error(location: Location, record: TileRecord, x: Ints, y: Ints) -> Floats:
    """Return (N,) degrees: of the faulty texels what ranks them, of the others map to expectation.

    NaN where nothing belongs.
    """
    shown, expected = (p[y, x].astype(np.float64) for p in (record.shown, record.expected))
    known = is_known(shown) & is_known(expected)
    out = np.where(known, degrees_between(normalised(shown), normalised(expected)), np.nan)
    texels = location.texels
    mine = texels.tile == record.tile
    if not mine.any():
        return out
    of_faulty = np.full((record.size, record.size), -1, np.int32)
    of_faulty[texels.y[mine], texels.x[mine]] = np.flatnonzero(mine)
    row = of_faulty[y, x]
    return np.where(row >= 0, texels.error[row], out)


def _heights(record: TileRecord, fault: NDArray[np.uint8], x: Ints, y: Ints) -> dict[str, Floats]:
    """Return heights of faulty texels, NaN where they do not apply."""
    faulty = np.flatnonzero(fault[y, x] != Fault.CLEAN)
    rows = record.rows(x[faulty], y[faulty])
    out = {}
    for name, values in (("gap", record.gap), ("target_distance", record.target)):
        all_of = np.full(len(x), np.nan)
        all_of[faulty] = values[rows]
        out[name] = all_of
    return out


def _nothing(location: Location) -> _Texels:
    """Return one clean texel in the middle of every triangle."""
    n = len(location.low.triangles)
    points = SurfacePoints(
        triangle=np.arange(n, dtype=np.int32),
        barycentric=np.full((n, 3), 1 / 3),
        area=location.low.area,
        kind=np.zeros(n, np.uint8),
        spacing=np.sqrt(location.low.area),
    )
    none = np.full(n, np.nan)
    measures = dict.fromkeys(("visible_error", "gap", "target_distance"), none)
    clean = np.full(n, Fault.CLEAN, np.uint8)
    return _Texels(points, np.arange(n, dtype=np.int64), clean, np.zeros(n, np.int32), measures)


def _key(tile: int | Ints, x: Ints, y: Ints) -> NDArray[np.int64]:
    """Return one number for every texel of all tiles (maps have fewer than 2^20 texels a side)."""
    whole: Any = np.asarray(tile, np.int64) << 40
    out: NDArray[np.int64] = whole | (y.astype(np.int64) << 20) | x.astype(np.int64)
    return out


def _members(
    location: Location, key: NDArray[np.int64], vertex_of_sample: Ints
) -> list[NDArray[np.int32]]:
    texels = location.texels
    wanted = _key(texels.tile, texels.x, texels.y)
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    members = []
    for region in location.regions:
        mine = wanted[region.samples]
        at = np.minimum(np.searchsorted(ordered, mine), len(key) - 1)
        found = ordered[at] == mine
        members.append(np.unique(vertex_of_sample[order[at[found]]]).astype(np.int32))
    return members
