"""How far two open sheets reach through each other: an estimate.

An open sheet has no inside. Where the crossing cuts a sheet in pieces, all pieces but the largest
are taken to be what reaches through; their vertices' largest distance to the other sheet is the
depth. This is a rule of thumb (no source): of a bump through a coat it gives the bump's height.

Edges that pierce the other sheet are cut. A vertex that lies on the other sheet is on neither side
and of no piece; so a crossing along a row of edges cuts, too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from trimesh.triangles import closest_point

from cagecheck.arrays.rows import same_rows
from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.places import components
from cagecheck.chores.clash.solids import Solid
from cagecheck.meshes.meeting import segment_pierces


@dataclass(frozen=True, eq=False)
class SheetDepths:
    """The estimate of every place.

    Attributes
    ----------
    known : (G,) bool, whether there is one.
    depth : (G,) float64; point : (G, 3) float64, the deepest point.
    side : (G,) int64, which of the two sheets the point is of: 0 or 1.
    triangle, nearest : (G,) int64, a triangle that the point is a corner of, and the other's
        nearest to it.
    """

    known: NDArray[np.bool_]
    depth: Floats
    point: Floats
    side: NDArray[np.int64]
    triangle: NDArray[np.int64]
    nearest: NDArray[np.int64]


def sheet_depths(
    one: Solid,
    other: Solid,
    pairs: NDArray[np.int64],
    place: NDArray[np.int64],
    count: int,
    margin: float,
) -> SheetDepths:
    """Estimate the depth of every place from the pieces cut off on either sheet.

    Vertices nearer to the other sheet than the margin are on it.
    """
    whole = (np.full(count, -1, np.int64) for _ in range(3))
    out = SheetDepths(np.zeros(count, bool), np.zeros(count), np.zeros((count, 3)), *whole)
    for side, (sheet, through) in enumerate(((one, other), (other, one))):
        _measure(sheet, through, pairs[:, side], pairs[:, 1 - side], place, margin, side, out)
    return out


def _measure(
    sheet: Solid,
    through: Solid,
    mine: NDArray[np.int64],
    theirs: NDArray[np.int64],
    place: NDArray[np.int64],
    margin: float,
    side: int,
    out: SheetDepths,
) -> None:
    vertex = sheet.welded[mine]
    corners = sheet.positions[sheet.triangles[mine]]
    target = through.positions[through.triangles[theirs]]
    is_on = np.stack([_near(corners[:, k], target, margin) for k in range(3)], axis=1)
    on_sheet = np.zeros(int(sheet.welded.max()) + 1, bool)
    on_sheet[vertex[is_on]] = True
    cut = np.stack(
        [segment_pierces(corners[:, k], corners[:, (k + 1) % 3], target) for k in range(3)], axis=1
    )
    edges = np.stack([vertex, np.roll(vertex, -1, axis=1)], axis=2)
    piece = _pieces_without(sheet, edges[cut], on_sheet)
    sizes = _areas(sheet, piece)
    position, corner_of = _corners(sheet, len(piece))
    # Pieces at a place have a corner of an edge that is cut there, or of a face with one on it.
    beside = (cut | np.roll(cut, 1, axis=1) | is_on.any(axis=1, keepdims=True)) & ~on_sheet[vertex]
    row, k = np.nonzero(beside)
    at = np.unique(np.stack([place[row], piece[vertex[row, k]]], axis=1), axis=0)
    for number in np.unique(at[:, 0]).tolist():
        touching = at[at[:, 0] == number, 1]
        if len(touching) < 2:
            continue
        small = touching[touching != touching[sizes[touching].argmax()]]
        reaching = np.flatnonzero(np.isin(piece, small) & ~on_sheet)
        distance, nearest = through.distance(position[reaching])
        best = int(distance.argmax())
        if not out.known[number] or distance[best] > out.depth[number]:
            out.known[number], out.depth[number] = True, distance[best]
            out.point[number], out.side[number] = position[reaching[best]], side
            out.triangle[number] = corner_of[reaching[best]]
            out.nearest[number] = nearest[best]


def _near(points: Floats, triangles: Floats, margin: float) -> NDArray[np.bool_]:
    """Return (N,): which points lie within the margin of their triangle."""
    away = np.linalg.norm(points - closest_point(triangles, points), axis=1)
    return np.asarray(away <= margin)


def _pieces_without(
    sheet: Solid, cut: NDArray[np.int64], on_sheet: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Label the positions of a sheet, joined by edges that are not cut and end beside the other."""
    size = len(on_sheet)
    edges = sheet.edges.ends
    gone = same_rows(edges, np.sort(cut, axis=1))
    begin, end = edges[~gone & ~on_sheet[edges].any(axis=1)].T
    return components(begin, end, size)


def _corners(sheet: Solid, count: int) -> tuple[Floats, NDArray[np.int64]]:
    """Return (count, 3) the welded positions, and for each a triangle that has it as a corner."""
    position = np.zeros((count, 3))
    position[sheet.welded.ravel()] = sheet.positions[sheet.triangles.ravel()]
    corner_of = np.zeros(count, np.int64)
    corner_of[sheet.welded.ravel()[::-1]] = np.arange(3 * len(sheet.welded))[::-1] // 3
    return position, corner_of


def _areas(sheet: Solid, piece: NDArray[np.int64]) -> Floats:
    """Return the area of every piece: a third of each triangle to each of its corners."""
    a, b, c = (sheet.positions[sheet.triangles[:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 6
    return np.asarray(np.bincount(piece[sheet.welded].ravel(), np.repeat(area, 3)), np.float64)
