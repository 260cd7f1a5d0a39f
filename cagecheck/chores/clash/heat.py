"""Heat-map meshes of clashes: depth as colour, finely cut where parts clash.

A part shows where it lies inside another. A closed part also shows where an open one lies just
under its surface: there it pokes through, and that is what is seen from outside. Colours run along
cividis (see `report.colours`) from the surface to the deepest clash of all frames; what does not
clash is light grey. The depth itself is a property of every vertex.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.find import Clashes
from cagecheck.chores.clash.fine import Fine, cut_finely
from cagecheck.chores.clash.sides import INSIDE, UNTOLD
from cagecheck.chores.clash.solids import Solid
from cagecheck.report.colour_bar import measure_colours, write_colour_bar
from cagecheck.report.heatmap import HeatMap, write_heat_ply
from cagecheck.words.lengths import length_words

# A surface may stick out farther than the other reaches in, but not by much where it matters.
_STICKS_OUT = 2.0
# The cosine of 45 degrees: what lies more to the side than below is not covered.
_STRAIGHT = 0.7
_CHANNELS = ("red", "green", "blue", "alpha")


def clash_map(clashes: Clashes, deepest: float) -> HeatMap:
    """Lay the depths of a scene over its parts; `deepest` is the depth of the last colour."""
    ways = _ways(clashes)
    laid = [_lay(clashes, ways, number, deepest) for number in range(len(clashes.parts))]
    starts = np.cumsum([0, *(len(part.positions) for part in laid)])
    faces = [part.triangles + start for part, start in zip(laid, starts, strict=False)]
    count = int(starts[-1])
    triangles = np.concatenate(faces).astype(np.int32)
    return HeatMap(
        positions=np.concatenate([part.positions for part in laid]),
        triangles=triangles,
        low_triangle=np.zeros(len(triangles), np.int32),
        sample=np.zeros(count, np.int64),
        colours=np.concatenate([part.colours for part in laid]),
        fields={
            "depth": np.concatenate([part.depth for part in laid]),
            "clash": np.concatenate([part.clash for part in laid]),
            "part": np.repeat(np.arange(len(laid), dtype=np.int32), np.diff(starts)),
        },
        vertex_of_sample=np.zeros(0, np.int32),
    )


def write_clash_map(clashes: Clashes, deepest: float, path: Path) -> HeatMap:
    """Write the heat map of a scene as binary PLY with depth and part of every vertex.

    Parameters
    ----------
    clashes : Clashes
        What `find_clashes` returns.
    deepest : float
        The depth of the last colour, file units.
    path : Path
        The file to write.

    Returns
    -------
    HeatMap
        What was written.
    """
    heat = clash_map(clashes, deepest)
    write_heat_ply(heat, path)
    return heat


def colour_clash_map(path: Path, deepest: float) -> None:
    """Colour a heat map that is written already for another depth of the last colour.

    The deepest clash of all frames is known when the last frame is; only its file is kept of a
    frame until then.

    Parameters
    ----------
    path : Path
        A file of `write_clash_map`; it is changed in place.
    deepest : float
        The depth of the last colour, units of the file.
    """
    with path.open("r+b") as stream:
        count, fields = _vertices(stream)
        rows = np.fromfile(stream, fields, count)
        depth = rows["depth"].astype(np.float64)
        colours = measure_colours(depth, rows["clash"] > 0, deepest)
        for k, name in enumerate(_CHANNELS):
            rows[name] = colours[:, k]
        stream.seek(-rows.nbytes, os.SEEK_CUR)
        rows.tofile(stream)


def _vertices(stream: BinaryIO) -> tuple[int, np.dtype[Any]]:
    """Read the header of a file of `write_heat_ply`: the vertices and their fields."""
    kinds = {"float": "<f4", "uchar": "u1", "ushort": "<u2", "int": "<i4"}
    fields: list[tuple[str, str]] = []
    count = 0
    while (line := stream.readline().decode("ascii").split()) != ["end_header"]:
        if line[:2] == ["element", "vertex"]:
            count = int(line[2])
        elif line[0] == "property" and line[1] in kinds:
            fields.append((line[2], kinds[line[1]]))
    return count, np.dtype(fields)


def write_legend(deepest: float, path: Path) -> None:
    """Write the colour bar as a picture, with the depths at its ends.

    Parameters
    ----------
    deepest : float
        The depth of the last colour, file units.
    path : Path
        The file to write.
    """
    title = "depth of the clash (file units); grey: none"
    write_colour_bar(title, "0", length_words(deepest), path)


def _ways(clashes: Clashes) -> dict[tuple[int, int], float]:
    """Return the deepest clash (in the parts' frame) of every ordered pair of parts."""
    index = {(solid.mesh, solid.name): k for k, solid in enumerate(clashes.parts)}
    out: dict[tuple[int, int], float] = {}
    for clash in clashes.found:
        ends = index[clash.mesh, clash.part], index[clash.other_mesh, clash.other]
        for way in (ends, ends[::-1]):
            out[way] = max(out.get(way, 0.0), (clash.depth or 0.0) / clashes.frame.size)
    return out


def _poking(
    solid: Solid, through: Solid, sides: NDArray[np.int8], points: Floats, deepest: float
) -> Floats:
    """Return (N,) how far points of a closed part stick out through another, 0 where they don't.

    sides : of the other's triangles, towards the part.

    A point does where the other's nearest point lies inside the part, about straight below.
    Beyond the other's open border the nearest point lies aside, and nothing is covered.
    """
    out = np.zeros(len(points))
    reach = _STICKS_OUT * deepest
    low, high = through.box
    asked = np.all((points >= low - reach) & (points <= high + reach), axis=1)
    near = np.flatnonzero(asked)
    distance, triangle, place = through.nearest(points[near])
    reached = distance <= reach
    near, distance, triangle = near[reached], distance[reached], triangle[reached]
    ray = points[near] - place[reached]
    a, b, c = (through.positions[through.triangles[triangle, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    steep = np.abs(np.einsum("ij,ij->i", ray, normal))
    length = np.linalg.norm(ray, axis=1) * np.linalg.norm(normal, axis=1)
    straight = steep >= _STRAIGHT * length
    near, ray, side = near[straight], ray[straight], sides[triangle[straight]]
    under = side == INSIDE
    untold = np.flatnonzero(side == UNTOLD)
    under[untold] = solid.contains(points[near[untold]] - ray[untold])
    out[near[under]] = distance[straight][under]
    return out


@dataclass(frozen=True, eq=False)
class _Laid:
    """One part as drawn; its own vertices come before those of its pieces, which share none."""

    positions: Floats
    triangles: NDArray[np.int64]
    depth: NDArray[np.float32]
    clash: NDArray[np.uint8]
    colours: NDArray[np.uint8]


def _lay(
    clashes: Clashes, ways: dict[tuple[int, int], float], number: int, deepest: float
) -> _Laid:
    """Cut the clashing triangles of a part finely, and measure and colour every place once."""
    solid, frame = clashes.parts[number], clashes.frame
    clashing = _clashing(clashes, ways, number)
    cut = np.flatnonzero(clashing)
    fine = cut_finely(solid.positions[solid.triangles[cut]])
    depths = _depths(clashes, ways, number, fine, cut) * frame.size
    depth = depths.astype(np.float32)
    colours = measure_colours(depth.astype(np.float64), np.ones(len(depth), bool), deepest)
    corner = fine.corners.ravel()
    used = np.zeros(len(solid.positions), bool)
    used[solid.triangles[~clashing]] = True
    count = int(used.sum())
    clean = np.zeros(count)
    corners = (np.cumsum(used) - 1)[solid.triangles[~clashing]]
    places = np.concatenate([solid.positions[used], fine.places]) * frame.size + frame.origin
    return _Laid(
        np.concatenate([places[:count], places[count:][corner]]),
        np.concatenate([corners, count + np.arange(len(corner)).reshape(-1, 3)]),
        np.concatenate([clean.astype(np.float32), depth[corner]]),
        np.repeat(np.array([0, 1], np.uint8), [count, len(corner)]),
        np.concatenate([measure_colours(clean, np.zeros(count, bool), deepest), colours[corner]]),
    )


def _clashing(
    clashes: Clashes, ways: dict[tuple[int, int], float], number: int
) -> NDArray[np.bool_]:
    """Return (T,): which triangles of a part are drawn finely."""
    solid = clashes.parts[number]
    out = clashes.involved[number].copy()
    for (one, other), deepest in ways.items():
        if other == number and solid.is_closed and not clashes.parts[one].is_closed:
            sides = clashes.sides[one, number]
            poking = _poking(solid, clashes.parts[one], sides, solid.positions, deepest) > 0
            out |= poking[solid.triangles].any(axis=1)
    return out


def _depths(
    clashes: Clashes,
    ways: dict[tuple[int, int], float],
    number: int,
    fine: Fine,
    cut: NDArray[np.int64],
) -> Floats:
    """Return (D,) the depth of places on a part: how deep they lie in, or poke through, another.

    cut : the part's triangles that the pieces are of. Places that only clash between open sheets
    carry the depth of their clash.
    """
    parts = clashes.parts
    depth = np.zeros(len(fine.places))
    for (one, other), deepest in ways.items():
        if one != number:
            continue
        if parts[other].is_closed:
            # Told where all triangles at a place are: next to a crossing every place is asked for.
            sides = np.full(len(depth), INSIDE, np.int8)
            np.minimum.at(sides, fine.at, clashes.sides[one, other][cut[fine.owner]])
            depth = np.maximum(depth, parts[other].depth(fine.places, sides)[0])
        elif not parts[one].is_closed:
            depth = np.maximum(depth, deepest)
        if parts[one].is_closed and not parts[other].is_closed:
            sides = clashes.sides[other, one]
            poking = _poking(parts[one], parts[other], sides, fine.places, deepest)
            depth = np.maximum(depth, poking)
    return depth
