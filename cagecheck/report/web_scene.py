"""The scene of the report page, small: positions in 16 bits, numbers as differences, deflated."""

from __future__ import annotations

import base64
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.box import box_of
from cagecheck.arrays.rows import rows_of_runs, sorted_by_label
from cagecheck.arrays.types import Floats
from cagecheck.defects.recolour import rank_table
from cagecheck.loops import njit
from cagecheck.meshes.edges import polygon_edges
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.cage import Cage
from cagecheck.rendering.camera import Outlook, Outlooks
from cagecheck.report.content import PageContent, PageField, Slide
from cagecheck.report.heatmap import HeatMap
from cagecheck.report.outline import outline
from cagecheck.report.outline import worst_of_triangles as worst_of_corners
from cagecheck.words.numbers import figures

# Rays drawn for a region, and for all regions together: what a page can carry and an eye follow.
RAYS_PER_REGION, RAYS_IN_ALL = 150, 40_000
# Level 9 takes four times as long as 5 for a few percent.
LEVEL = 5
# Values of a continuous field in the page: steps of its ramp, and one code for no value.
STEPS, NO_VALUE = 254, 255
LOWEST, HIGHEST = 2.0, 98.0


@dataclass
class Packed:
    """Named arrays on their way into the page: one deflated block and a list of what is in it."""

    blocks: list[bytes] = field(default_factory=list)
    entries: list[dict[str, Any]] = field(default_factory=list)
    offset: int = 0

    def add(self, name: str, values: NDArray[Any], *, differences: bool = False) -> None:
        """Add an array; with `differences` along its first axis (they deflate far better)."""
        stored = values
        if differences:
            stored = values.copy()
            stored[1:] = values[1:] - values[:-1]
        # One column after the other: alike bytes stay together.
        columns = int(np.prod(values.shape[1:], dtype=int))
        data = np.ascontiguousarray(stored.reshape(len(values), columns).T).tobytes()
        self.entries.append(
            {
                "name": name,
                "type": values.dtype.str[1:],
                "rows": len(values),
                "columns": columns,
                "offset": self.offset,
                "differences": differences,
            }
        )
        padding = -len(data) % 4
        self.blocks += [data, b"\0" * padding]
        self.offset += len(data) + padding

    def base64(self) -> str:
        """Return the block, deflated (zlib, RFC 1950), as base64."""
        return base64.b64encode(zlib.compress(b"".join(self.blocks), LEVEL)).decode("ascii")


@dataclass(frozen=True)
class Box:
    """The cube that 16-bit positions are counted in: centre and half its side."""

    centre: tuple[float, float, float]
    half: float

    @staticmethod
    def around(*sets: NDArray[np.floating]) -> Box:
        """Return the smallest cube around points."""
        boxes = np.array([box_of(s) for s in sets if len(s)])
        low, high = boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)
        centre = (low + high) / 2
        half = float((high - low).max() / 2) or 1.0
        return Box((float(centre[0]), float(centre[1]), float(centre[2])), half)

    def pack(self, points: NDArray[np.floating]) -> NDArray[np.int16]:
        """Return (n, 3) int16; the error is at most half / 65,534 on each axis."""
        scaled = (np.asarray(points, np.float64) - self.centre) / self.half * 32767
        return np.rint(np.clip(scaled, -32767, 32767)).astype(np.int16)


def pack_heat(packed: Packed, box: Box, content: PageContent, uv: Floats) -> None:
    """Add the heat map: triangles by part, the worst vertex of each last.

    A triangle shows its last vertex, so that nothing is lost and colours do not mix.
    """
    low, heat = content.low, content.heat
    part = low.triangle_part[heat.low_triangle]
    order = np.argsort(part, kind="stable")
    triangles = worst_last(heat.triangles[order], content.rank()[content.main])
    packed.add("heat_position", box.pack(heat.positions), differences=True)
    packed.add("heat_triangle", triangles.astype(np.int32), differences=True)
    packed.add("heat_main", content.main)
    packed.add("heat_region", content.region.astype(np.uint16))
    counts = np.bincount(part, minlength=len(low.part_names))
    packed.add("heat_part_first", np.concatenate([[0], np.cumsum(counts)]).astype(np.int32))
    if np.isfinite(uv).any():
        steps = np.rint(np.clip(np.nan_to_num(uv), 0, 1) * 65535).astype(np.uint16)
        packed.add("heat_uv", steps, differences=True)


def worst_last(triangles: NDArray[np.int32], rank: NDArray[np.uint8]) -> NDArray[np.int32]:
    """Return the triangles turned (not flipped) so that the vertex of least rank comes last."""
    out = np.empty_like(triangles)
    _turn_worst_last(triangles, rank, out)
    return out


@njit(cache=True, nogil=True)
def _turn_worst_last(
    triangles: NDArray[np.int32], rank: NDArray[np.uint8], out: NDArray[np.int32]
) -> None:
    for i in range(len(triangles)):
        worst = 0
        for k in range(1, 3):
            if rank[triangles[i, k]] < rank[triangles[i, worst]]:
                worst = k
        for k in range(3):
            out[i, k] = triangles[i, (worst + 1 + k) % 3]


def pack_fields(packed: Packed, fields: Sequence[PageField]) -> list[dict[str, Any]]:
    """Add the continuous fields in 254 steps; return their titles, units and ranges."""
    rows: list[dict[str, Any]] = []
    for shown in fields:
        known = shown.values[np.isfinite(shown.values)]
        low, high = (
            (float(x) for x in np.percentile(known, [LOWEST, HIGHEST])) if len(known) else (0, 1)
        )
        span = (high - low) or 1.0
        with np.errstate(invalid="ignore"):
            code = np.clip(np.nan_to_num((shown.values - low) / span), 0, 1) * (STEPS - 1)
        code = np.where(np.isfinite(shown.values), np.rint(code), NO_VALUE).astype(np.uint8)
        packed.add(f"field_{shown.name}", code)
        rows.append(
            {
                "name": shown.name,
                "title": shown.title,
                "unit": shown.unit,
                "low_text": figures(low, 3),
                "high_text": figures(high, 3),
            }
        )
    return rows


def pack_surface(packed: Packed, box: Box, name: str, surface: Surface) -> None:
    """Add a display mesh whose triangles are in the order of their parts."""
    packed.add(f"{name}_position", box.pack(surface.positions), differences=True)
    triangles = np.asarray(surface.triangles, np.int32)
    packed.add(f"{name}_triangle", triangles, differences=True)
    counts = np.bincount(surface.triangle_part, minlength=len(surface.part_names))
    packed.add(f"{name}_part_first", np.concatenate([[0], np.cumsum(counts)]).astype(np.int32))


def pack_cage(packed: Packed, box: Box, low: LowPoly, cage: Cage | None) -> None:
    """Add the edges of the low poly's polygons on the low poly and, if there is one, the cage."""
    corner = low.positions[low.triangles]
    if cage is not None:
        corner = corner + cage.displacement
    vertex = low.positions.copy()
    vertex[low.triangles.ravel()] = corner.reshape(-1, 3)
    packed.add("cage_position", box.pack(vertex), differences=True)
    packed.add("low_position", box.pack(low.positions), differences=True)
    packed.add("edge", polygon_edges(low.mesh), differences=True)
    packed.add("low_triangle", np.asarray(low.triangles, np.int32), differences=True)
    part = np.zeros(len(low.positions), np.int32)
    part[low.triangles.ravel()] = np.repeat(low.triangle_part, 3)
    packed.add("vertex_part", part.astype(np.uint16))


def pack_regions(packed: Packed, box: Box, content: PageContent) -> None:
    """Add what regions light up: heat-map vertices, points of unseen surface, rays."""
    spots = content.spots
    members = [spot.vertices for spot in spots]
    packed.add("region_vertex_first", _starts(members))
    packed.add("region_vertex", _joined(members, (0,), np.int32), differences=True)
    pack_outlines(packed, content.heat, members)
    points = [spot.points for spot in spots]
    packed.add("region_point_first", _starts(points))
    packed.add("region_point", box.pack(_joined(points, (0, 3), np.float64)))
    begins, ends = [spot.ray_begin for spot in spots], [spot.ray_end for spot in spots]
    packed.add("ray_first", _starts(begins))
    packed.add("ray_begin", box.pack(_joined(begins, (0, 3), np.float64)))
    packed.add("ray_end", box.pack(_joined(ends, (0, 3), np.float64)))


def pack_slide(packed: Packed, slide: Slide) -> None:
    """Add the category of every heat-map vertex at all stops: its first, and what changes where."""
    code = slide.code.T
    changes = np.concatenate(
        [np.ones((len(code), 1), bool), code[:, 1:] != code[:, :-1]], axis=1
    )  # fmt: skip
    vertex, stop = np.nonzero(changes)
    packed.add("slide_count", np.bincount(vertex, minlength=len(code)).astype(np.uint8))
    packed.add("slide_stop", stop.astype(np.uint8))
    packed.add("slide_code", code[vertex, stop])


def rays_per_region(regions: int) -> int:
    """Return how many rays each of so many regions may have."""
    return min(RAYS_PER_REGION, max(RAYS_IN_ALL // max(regions, 1), 4))


def pack_outlines(packed: Packed, heat: HeatMap, members: list[NDArray[np.int32]]) -> None:
    """Add the outline of each region's triangles, as pairs of heat-map vertices."""
    corner = heat.triangles.ravel()
    order, first = sorted_by_label(corner, len(heat.positions))
    rims = []
    for vertices in members:
        touched = np.unique(order[rows_of_runs(first, vertices)] // 3)
        some = np.ones(len(touched), bool)
        rims.append(
            outline(heat.positions, heat.triangles[touched], some, heat.low_triangle[touched])
        )
    packed.add("rim_first", _starts(rims))
    packed.add("rim", _joined(rims, (0, 2), np.int32), differences=True)


def find_outlooks(content: PageContent) -> list[Outlook]:
    """Return from where each region is seen best; alone where other parts bury it."""
    low, spots = content.low, content.spots
    places, normals = [spot.places for spot in spots], [spot.normals for spot in spots]
    found = Outlooks(low.positions, low.triangles).find(places, normals)
    of_part: dict[str, list[int]] = {}
    for k, outlook in enumerate(found):
        if outlook.buried and spots[k].low_parts is None:
            of_part.setdefault(content.regions[k].part, []).append(k)
    for part, rows in of_part.items():
        own = low.triangle_part == low.part_names.index(part)
        alone = Outlooks(low.positions, low.triangles[own])
        better = alone.find([places[k] for k in rows], [normals[k] for k in rows])
        for k, outlook in zip(rows, better, strict=True):
            found[k] = Outlook(outlook.direction, found[k].visible)
    return found


def worst_of_triangles(heat: HeatMap, main: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return (M,) the worst main defect of each triangle's vertices."""
    out = np.empty(len(heat.triangles), np.uint8)
    worst_of_corners(heat.triangles, heat.sample, main, rank_table(), out)
    return out


def least_region(heat: HeatMap, region: NDArray[np.int32]) -> NDArray[np.uint16]:
    """Return (M,) the most harmful region among each triangle's vertices, 0 for none."""
    out = np.empty(len(heat.triangles), np.uint16)
    _least_of_corners(heat.triangles, heat.sample, region, out)
    return out


@njit(cache=True, nogil=True)
def _least_of_corners(
    triangles: NDArray[np.int32],
    shown: NDArray[np.int64],
    region: NDArray[np.int32],
    out: NDArray[np.uint16],
) -> None:
    most = np.iinfo(np.uint16).max
    for i in range(len(triangles)):
        least = 0
        for k in range(3):
            number = region[shown[triangles[i, k]]]
            if number > 0 and (least == 0 or number < least):
                least = number
        out[i] = least if least <= most else 0


def _starts(groups: list[Any]) -> NDArray[np.int32]:
    return np.concatenate([[0], np.cumsum([len(g) for g in groups])]).astype(np.int32)


def _joined(groups: list[Any], empty: tuple[int, ...], kind: Any) -> NDArray[Any]:
    return np.concatenate([np.zeros(empty, kind), *groups]).astype(kind)
