"""Heat-map meshes of clashes: depth as colour, finely cut where parts clash.

Colours run along cividis (see `report.colours`) from the surface to the deepest clash of all
frames; what does not clash is light grey. The depth itself is a property of every vertex.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib import colormaps
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from cagecheck.chores.clash import Clashes
from cagecheck.chores.deepest import in_four
from cagecheck.meshes.mesh import Floats
from cagecheck.report.colours import CLEAN_COLOUR
from cagecheck.report.heatmap import HeatMap, write_heat_ply

# Clashing triangles are cut until their edges are this share of the scene's diagonal.
_FINEST = 1 / 400
_MOST_CUTS = 5
_MOST_TRIANGLES = 400_000
_BAR = (256, 24)


def clash_map(clashes: Clashes, deepest: float) -> HeatMap:
    """Lay the depths of a scene over its parts; `deepest` is the depth of the last colour."""
    points, faces, owner, marked = _fine_parts(clashes)
    depth = _depths(clashes, points, owner, marked) * clashes.frame.size
    colours = np.full((len(points), 4), 255, np.uint8)
    colours[:, :3] = CLEAN_COLOUR
    colours[marked] = colormaps["cividis"](depth[marked] / max(deepest, 1e-300), bytes=True)
    return HeatMap(
        positions=points * clashes.frame.size + clashes.frame.origin,
        triangles=faces,
        low_triangle=np.zeros(len(faces), np.int32),
        sample=np.zeros(len(points), np.int64),
        colours=colours,
        fields={
            "depth": depth.astype(np.float32),
            "clash": marked.astype(np.uint8),
            "part": owner,
        },
        vertex_of_sample=np.zeros(0, np.int32),
    )


def write_clash_map(clashes: Clashes, deepest: float, path: Path) -> None:
    """Write the heat map of a scene as binary PLY with depth and part of every vertex."""
    write_heat_ply(clash_map(clashes, deepest), path)


def write_legend(deepest: float, path: Path) -> None:
    """Write the colour bar as a picture, with the depths at its ends."""
    width, height = _BAR
    image = Image.new("RGB", (width + 40, height + 70), "white")
    ramp = colormaps["cividis"](np.linspace(0, 1, width), bytes=True)[:, :3]
    image.paste(Image.fromarray(np.repeat(ramp[None], height, axis=0)), (20, 34))
    draw = ImageDraw.Draw(image)
    font = ImageFont.load_default(12)
    draw.text((20, 10), "depth of the clash (file units); grey: none", "black", font)
    draw.text((20, height + 40), "0", "black", font)
    draw.text((20 + width, height + 40), f"{deepest:.4g}", "black", font, anchor="ra")
    image.save(path, format="PNG")


def _fine_parts(
    clashes: Clashes,
) -> tuple[Floats, NDArray[np.int32], NDArray[np.int32], NDArray[np.bool_]]:
    """Return vertices, triangles, and for each vertex its part and whether it is on a clash.

    Clashing triangles are cut finely and share no vertices with the others.
    """
    points, faces, owner, marked = [], [], [], []
    base = 0
    for number, (solid, clashing) in enumerate(zip(clashes.parts, clashes.involved, strict=True)):
        fine = _cut(solid.positions[solid.triangles[clashing]], _FINEST).reshape(-1, 3)
        count = len(solid.positions)
        points += [solid.positions, fine]
        faces += [
            base + solid.triangles[~clashing],
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
    clashes: Clashes, points: Floats, owner: NDArray[np.int32], marked: NDArray[np.bool_]
) -> Floats:
    """Return (N,) the depth of every marked point in the deepest other part that it clashes with.

    Points that only clash between open sheets carry the depth of their clash.
    """
    depth = np.zeros(len(points))
    index = {(solid.mesh, solid.name): k for k, solid in enumerate(clashes.parts)}
    ways: dict[tuple[int, int], float] = {}
    for clash in clashes.found:
        ends = index[clash.mesh, clash.part], index[clash.other_mesh, clash.other]
        for way in (ends, ends[::-1]):
            ways[way] = max(ways.get(way, 0.0), clash.depth or 0.0)
    for (one, other), deepest in ways.items():
        mine = np.flatnonzero(marked & (owner == one))
        if clashes.parts[other].is_closed:
            depth[mine] = np.maximum(depth[mine], clashes.parts[other].depth(points[mine])[0])
        elif not clashes.parts[one].is_closed:
            depth[mine] = np.maximum(depth[mine], deepest / clashes.frame.size)
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
