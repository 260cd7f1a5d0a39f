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
_CHANNELS = ("red", "green", "blue", "alpha")


def clash_map(clashes: Clashes, deepest: float) -> HeatMap:
    """Lay the depths of a scene over its parts; `deepest` is the depth of the last colour."""
    ways = _ways(clashes)
    points, faces, owner, marked = _fine_parts(clashes, ways)
    depths = _depths(clashes, ways, points, owner, marked) * clashes.frame.size
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


def _poking(solid: Solid, through: Solid, points: Floats, deepest: float) -> Floats:
    """Return (N,) how far points of a closed part stick out through another, 0 where they don't.

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
    under = (steep >= _STRAIGHT * length) & (solid.depth(points[near] - ray)[0] > 0)
    out = np.zeros(len(points))
    out[near[under]] = distance[near[under]]
    return out


def _fine_parts(
    clashes: Clashes, ways: dict[tuple[int, int], float]
) -> tuple[Floats, NDArray[np.int32], NDArray[np.int32], NDArray[np.bool_]]:
    """Return vertices, triangles, and for each vertex its part and whether it is on a clash.

    Clashing triangles are cut finely and share no vertices with the others.
    """
    points, faces, owner, marked = [], [], [], []
    base = 0
    for number, (solid, involved) in enumerate(zip(clashes.parts, clashes.involved, strict=True)):
        clashing = involved.copy()
        for (one, other), deepest in ways.items():
            if other == number and solid.is_closed and not clashes.parts[one].is_closed:
                poking = _poking(solid, clashes.parts[one], solid.positions, deepest) > 0
                clashing |= poking[solid.triangles].any(axis=1)
        fine = _cut(solid.positions[solid.triangles[clashing]], _FINEST).reshape(-1, 3)
        plain, corners = np.unique(solid.triangles[~clashing], return_inverse=True)
        count = len(plain)
        points += [solid.positions[plain], fine]
        faces += [
            base + corners.reshape(-1, 3),
            base + count + np.arange(len(fine)).reshape(-1, 3),
        ]
        owner.append(np.full(count + len(fine), number, np.int32))
        marked += [np.zeros(count, bool), np.ones(len(fine), bool)]
        base += count + len(fine)
    return (
        np.concatenate(points),
        np.concatenate(faces).astype(np.int32),
        np.concatenate(owner),
        np.concatenate(marked),
    )


def _depths(
    clashes: Clashes,
    ways: dict[tuple[int, int], float],
    points: Floats,
    owner: NDArray[np.int32],
    marked: NDArray[np.bool_],
) -> Floats:
    """Return (N,) the depth of every marked point: how deep it lies in, or pokes through, another.

    Points that only clash between open sheets carry the depth of their clash.
    """
    depth = np.zeros(len(points))
    parts = clashes.parts
    for (one, other), deepest in ways.items():
        mine = np.flatnonzero(marked & (owner == one))
        if parts[other].is_closed:
            depth[mine] = np.maximum(depth[mine], parts[other].depth(points[mine])[0])
        elif not parts[one].is_closed:
            depth[mine] = np.maximum(depth[mine], deepest)
        if parts[one].is_closed and not parts[other].is_closed:
            poking = _poking(parts[one], parts[other], points[mine], deepest)
            depth[mine] = np.maximum(depth[mine], poking)
    return depth


def _cut(triangles: Floats, longest: float) -> Floats:
    """Cut triangles in four until no edge is longer than `longest`, within bounds."""
    done = []
    room = _MOST_TRIANGLES
    for _ in range(_MOST_CUTS):
        edges = np.linalg.norm(triangles - np.roll(triangles, -1, axis=1), axis=2).max(axis=1)
        large = edges > longest
        if 4 * int(large.sum()) > room:
            break
        done.append(triangles[~large])
        triangles = in_four(triangles[large])
        room -= len(done[-1])
    return np.concatenate([*done, triangles])
