"""Heat-map meshes of clashes: depth as colour, finely cut where parts clash.

A part shows where it lies inside another. A closed part also shows where an open one lies just
under its surface: there it pokes through, and that is what is seen from outside. Colours run along
cividis (see `report.colours`) from the surface to the deepest clash of all frames; what does not
clash is light grey. The depth itself is a property of every vertex.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.deepest import in_four
from cagecheck.chores.clash.find import Clashes
from cagecheck.chores.clash.sides import INSIDE, UNTOLD
from cagecheck.chores.clash.solids import Solid
from cagecheck.report.colour_bar import measure_colours, write_colour_bar
from cagecheck.report.heatmap import HeatMap, write_heat_ply
from cagecheck.words.lengths import length_words

# Clashing triangles are cut until their edges are this share of the scene's diagonal.
_FINEST = 1 / 400
_MOST_CUTS = 5
_MOST_TRIANGLES = 400_000
# A surface may stick out farther than the other reaches in, but not by much where it matters.
_STICKS_OUT = 2.0
# The cosine of 45 degrees: what lies more to the side than below is not covered.
_STRAIGHT = 0.7
# An odd number without pattern (2^64 over the golden ratio), as multiplying hashes have it: Knuth,
# The Art of Computer Programming 3, section 6.4.
_MIX = np.uint64(0x9E3779B97F4A7C15)
_CHANNELS = ("red", "green", "blue", "alpha")


def clash_map(clashes: Clashes, deepest: float) -> HeatMap:
    """Lay the depths of a scene over its parts; `deepest` is the depth of the last colour."""
    ways = _ways(clashes)
    points, faces, owner, triangle = _fine_parts(clashes, ways)
    marked = triangle >= 0
    depths = _depths(clashes, ways, points, owner, triangle) * clashes.frame.size
    depth = depths.astype(np.float32)
    return HeatMap(
        positions=points * clashes.frame.size + clashes.frame.origin,
        triangles=faces,
        low_triangle=np.zeros(len(faces), np.int32),
        sample=np.zeros(len(points), np.int64),
        colours=measure_colours(depth.astype(np.float64), marked, deepest),
        fields={
            "depth": depth,
            "clash": marked.astype(np.uint8),
            "part": owner,
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
    distance, triangle = through.distance(points)
    near = np.flatnonzero(distance <= _STICKS_OUT * deepest)
    ray = points[near] - through.closest(points[near])
    a, b, c = (through.positions[through.triangles[triangle[near], k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    steep = np.abs(np.einsum("ij,ij->i", ray, normal))
    length = np.linalg.norm(ray, axis=1) * np.linalg.norm(normal, axis=1)
    near, ray = near[steep >= _STRAIGHT * length], ray[steep >= _STRAIGHT * length]
    under = sides[triangle[near]] == INSIDE
    asked = np.flatnonzero(sides[triangle[near]] == UNTOLD)
    under[asked] = solid.contains(points[near[asked]] - ray[asked])
    out = np.zeros(len(points))
    out[near[under]] = distance[near[under]]
    return out


def _fine_parts(
    clashes: Clashes, ways: dict[tuple[int, int], float]
) -> tuple[Floats, NDArray[np.int32], NDArray[np.int32], NDArray[np.int64]]:
    """Return vertices, triangles, and for each vertex its part and the clashing triangle it is on.

    Clashing triangles are cut finely and share no vertices with the others, whose triangle is -1.
    """
    points, faces, owner, triangle = [], [], [], []
    base = 0
    for number, (solid, involved) in enumerate(zip(clashes.parts, clashes.involved, strict=True)):
        clashing = involved.copy()
        for (one, other), deepest in ways.items():
            if other == number and solid.is_closed and not clashes.parts[one].is_closed:
                sides = clashes.sides[one, number]
                poking = _poking(solid, clashes.parts[one], sides, solid.positions, deepest) > 0
                clashing |= poking[solid.triangles].any(axis=1)
        cut = np.flatnonzero(clashing)
        fine, origin = _cut(solid.positions[solid.triangles[cut]], _FINEST)
        fine = fine.reshape(-1, 3)
        plain, corners = np.unique(solid.triangles[~clashing], return_inverse=True)
        count = len(plain)
        points += [solid.positions[plain], fine]
        faces += [
            base + corners.reshape(-1, 3),
            base + count + np.arange(len(fine)).reshape(-1, 3),
        ]
        owner.append(np.full(count + len(fine), number, np.int32))
        triangle += [np.full(count, -1, np.int64), np.repeat(cut[origin], 3)]
        base += count + len(fine)
    return (
        np.concatenate(points),
        np.concatenate(faces).astype(np.int32),
        np.concatenate(owner),
        np.concatenate(triangle),
    )


def _depths(
    clashes: Clashes,
    ways: dict[tuple[int, int], float],
    points: Floats,
    owner: NDArray[np.int32],
    triangle: NDArray[np.int64],
) -> Floats:
    """Return (N,) the depth of points on clashes: how deep they lie in, or poke through, another.

    Points that only clash between open sheets carry the depth of their clash.
    """
    depth = np.zeros(len(points))
    parts = clashes.parts
    for (one, other), deepest in ways.items():
        mine = np.flatnonzero((triangle >= 0) & (owner == one))
        # Pieces of cut triangles share no vertices, but most of their places.
        first, number = _distinct(points[mine])
        at = points[mine[first]]
        here = np.zeros(len(at))
        if parts[other].is_closed:
            # Told where all triangles at a place are: next to a crossing every place is asked for.
            sides = np.full(len(at), INSIDE, np.int8)
            np.minimum.at(sides, number, clashes.sides[one, other][triangle[mine]])
            here = np.maximum(here, parts[other].depth(at, sides)[0])
        elif not parts[one].is_closed:
            here = np.maximum(here, deepest)
        if parts[one].is_closed and not parts[other].is_closed:
            sides = clashes.sides[other, one]
            here = np.maximum(here, _poking(parts[one], parts[other], sides, at, deepest))
        depth[mine] = np.maximum(depth[mine], here[number])
    return depth


def _distinct(points: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return rows (M,) that hold all points (N, 3), and for every point which of them is it.

    Points that differ are never one. One sort by a number mixed from the coordinates' bits is much
    faster than one by all three; in the rare case that two points share it, some stay repeated.
    """
    bits = np.ascontiguousarray(points).view(np.uint64)
    mixed = np.zeros(len(points), np.uint64)
    for k in range(3):
        mixed = (mixed ^ bits[:, k]) * _MIX
        mixed ^= mixed >> np.uint64(29)
    order = np.argsort(mixed)
    new = np.ones(len(points), bool)
    new[1:] = mixed[order[1:]] != mixed[order[:-1]]
    for k in range(3):
        column = bits[order, k]
        new[1:] |= column[1:] != column[:-1]
    number = np.empty(len(points), np.int64)
    number[order] = np.cumsum(new) - 1
    return order[new], number


def _cut(triangles: Floats, longest: float) -> tuple[Floats, NDArray[np.int64]]:
    """Cut triangles in four until no edge is longer than `longest`, within bounds.

    Returns the pieces and the triangle that each is of.
    """
    done, origins = [], []
    origin = np.arange(len(triangles))
    room = _MOST_TRIANGLES
    for _ in range(_MOST_CUTS):
        edges = np.linalg.norm(triangles - np.roll(triangles, -1, axis=1), axis=2).max(axis=1)
        large = edges > longest
        if 4 * int(large.sum()) > room:
            break
        done.append(triangles[~large])
        origins.append(origin[~large])
        triangles, origin = in_four(triangles[large]), np.repeat(origin[large], 4)
        room -= len(done[-1])
    return np.concatenate([*done, triangles]), np.concatenate([*origins, origin])
