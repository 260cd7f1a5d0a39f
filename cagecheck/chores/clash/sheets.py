"""How far two open sheets reach through each other: an estimate.

An open sheet has no inside. Where the crossing cuts a sheet in pieces, all pieces but the largest
are taken to be what reaches through; their vertices' largest distance to the other sheet is the
depth. This is a rule of thumb (no source): of a bump through a coat it gives the bump's height.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.places import components
from cagecheck.chores.clash.solids import Solid
from cagecheck.meshes.meeting import segment_pierces


@dataclass(frozen=True, eq=False)
class SheetDepths:
    """For every place: whether a depth is known, the depth and the deepest point."""

    known: NDArray[np.bool_]
    depth: Floats
    point: Floats


def sheet_depths(
    one: Solid, other: Solid, pairs: NDArray[np.int64], place: NDArray[np.int64], count: int
) -> SheetDepths:
    """Estimate the depth of every place from the pieces cut off on either sheet."""
    out = SheetDepths(np.zeros(count, bool), np.zeros(count), np.zeros((count, 3)))
    for sheet, through, mine, theirs in (
        (one, other, pairs[:, 0], pairs[:, 1]),
        (other, one, pairs[:, 1], pairs[:, 0]),
    ):
        _measure(sheet, through, mine, theirs, place, out)
    return out


def _measure(
    sheet: Solid,
    through: Solid,
    mine: NDArray[np.int64],
    theirs: NDArray[np.int64],
    place: NDArray[np.int64],
    out: SheetDepths,
) -> None:
    vertex = sheet.welded[mine]
    corners = sheet.positions[sheet.triangles[mine]]
    target = through.positions[through.triangles[theirs]]
    cut = np.stack(
        [segment_pierces(corners[:, k], corners[:, (k + 1) % 3], target) for k in range(3)], axis=1
    )
    edges = np.stack([vertex, np.roll(vertex, -1, axis=1)], axis=2)
    cut_edges = edges[cut]
    piece = _pieces_without(sheet, cut_edges)
    sizes = _areas(sheet, piece)
    position = np.zeros((len(piece), 3))
    position[sheet.welded.ravel()] = sheet.positions[sheet.triangles.ravel()]
    places = np.repeat(place, 3)[cut.ravel()]
    for k in np.unique(places).tolist():
        touching = np.unique(piece[cut_edges[places == k]])
        if len(touching) < 2:
            continue
        small = touching[touching != touching[sizes[touching].argmax()]]
        points = position[np.isin(piece, small)]
        distance, _ = through.distance(points)
        best = int(distance.argmax())
        if not out.known[k] or distance[best] > out.depth[k]:
            out.known[k], out.depth[k], out.point[k] = True, distance[best], points[best]


def _pieces_without(sheet: Solid, cut: NDArray[np.int64]) -> NDArray[np.int64]:
    """Label the positions of a sheet, joined by edges that are not cut."""
    size = int(sheet.welded.max()) + 1
    edges = np.stack([sheet.welded, np.roll(sheet.welded, -1, axis=1)], axis=2).reshape(-1, 2)
    key = np.sort(edges, axis=1) @ np.array([size, 1])
    gone = np.sort(cut, axis=1) @ np.array([size, 1])
    begin, end = edges[~np.isin(key, gone)].T
    return components(begin, end, size)


def _areas(sheet: Solid, piece: NDArray[np.int64]) -> Floats:
    """Return the area of every piece: a third of each triangle to each of its corners."""
    a, b, c = (sheet.positions[sheet.triangles[:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 6
    return np.asarray(np.bincount(piece[sheet.welded].ravel(), np.repeat(area, 3)), np.float64)
