"""Pieces joined into a low-poly `Mesh` with UVs over tiles and a high-poly `Surface`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.demo.layout import Chart, pack_tile
from cagecheck.demo.pieces import Piece, Shell, high_shell, low_shell, split_quads, vertex_normals
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.tiles import tile_origin

_TRIAL_EDGE = 0.006  # fine enough that the number of triangles goes by 1 / edge^2


def build_low(pieces: list[Piece], tiles: dict[str, int], materials: dict[int, str]) -> Mesh:
    """Return the low poly: quads and rims, UVs packed by tile, hard edges by smoothing groups."""
    pieces = [p for p in pieces if p.in_low]
    shells = [low_shell(p) for p in pieces]
    uv = _uvs(pieces, shells, tiles)
    part_names = list(dict.fromkeys(p.low_name for p in pieces))
    tile_list = sorted(materials)
    positions, sizes, corners, corner_uv, part, material, group = [], [], [], [], [], [], []
    first, next_group = 0, 1
    for piece, shell, shell_uv in zip(pieces, shells, uv, strict=True):
        grid = shell.grid
        faces = len(grid.quads) + len(grid.rims)
        positions.append(shell.positions)
        sizes += [4] * len(grid.quads) + [len(rim) for rim in grid.rims]
        corners += [first + grid.quads.ravel()] + [first + rim for rim in grid.rims]
        corner_uv.append(shell_uv)
        part += [part_names.index(piece.low_name)] * faces
        material += [tile_list.index(tiles[piece.part])] * faces
        rims = np.arange(grid.chart_count - len(grid.rims), grid.chart_count)
        chart = np.concatenate([grid.chart, rims])
        group.append(next_group + (chart if piece.hard else 0 * chart))
        next_group = int(group[-1].max()) + 1
        first += len(shell.positions)
    corner_vertex = np.concatenate(corners).astype(np.int32)
    points = np.concatenate(positions)
    start = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    smoothing = np.concatenate(group).astype(np.int32)
    return Mesh(
        positions=points,
        face_start=start,
        corner_vertex=corner_vertex,
        face_part=np.array(part, np.int32),
        part_names=tuple(part_names),
        corner_uv=np.concatenate(corner_uv),
        corner_normal=_corner_normals(points, start, corner_vertex, smoothing),
        face_material=np.array(material, np.int32),
        material_names=tuple(materials[t] for t in tile_list),
        face_smoothing=smoothing,
    )


def build_high(pieces: list[Piece], triangles: int) -> Surface:
    """Return the high poly with about `triangles` triangles over all parts."""
    pieces = [p for p in pieces if p.in_high]
    counted = sum(2 * len(high_shell(_plain(p), _TRIAL_EDGE).quads) for p in pieces)
    edge = _TRIAL_EDGE * float(np.sqrt(counted / triangles))
    names = list(dict.fromkeys(p.high_name for p in pieces))
    positions, faces, part = [], [], []
    first = 0
    for piece in pieces:
        shell = high_shell(piece, edge)
        tris = split_quads(shell.quads) + first
        positions.append(shell.positions.astype(np.float32))
        faces.append(tris.astype(np.int32))
        part.append(np.full(len(tris), names.index(piece.high_name), np.int32))
        first += len(shell.positions)
    order = np.argsort(np.concatenate(part), kind="stable")
    return Surface(
        positions=np.concatenate(positions),
        triangles=np.concatenate(faces)[order],
        triangle_part=np.concatenate(part)[order],
        part_names=tuple(names),
    )


def _plain(piece: Piece) -> Piece:
    return replace(piece, sculpt=None, hole=None, flipped=None)


def _uvs(pieces: list[Piece], shells: list[Shell], tiles: dict[str, int]) -> list[Floats]:
    """Return per shell the (C, 2) corner UVs: charts measured, packed and placed in their tile."""
    charts: dict[int, list[Chart]] = {}
    for number, (piece, shell) in enumerate(zip(pieces, shells, strict=True)):
        for chart in range(shell.grid.chart_count):
            wide, tall = _chart_size(shell, chart)
            charts.setdefault(tiles[piece.part], []).append(Chart((number, chart), wide, tall))
    placed: dict[tuple[int, int], tuple[float, float, float, float]] = {}
    for tile, members in charts.items():
        u0, v0 = tile_origin(tile)
        for key, (x, y, w, h) in pack_tile(members).items():
            placed[key] = (u0 + x, v0 + y, w, h)
    return [_shell_uv(number, shell, placed) for number, shell in enumerate(shells)]


def _chart_size(shell: Shell, chart: int) -> tuple[float, float]:
    """Width and height of a chart's rectangle: the lengths of its sides on the surface."""
    grid = shell.grid
    rim = chart - (grid.chart_count - len(grid.rims))
    if rim >= 0:
        p = shell.positions[grid.rims[rim]]
        size = float(np.linalg.norm(p - p.mean(axis=0), axis=1).max()) * 2
        return size, size
    chosen = grid.chart == chart
    p, q = shell.positions[grid.quads[chosen]], grid.corner_chart[chosen]
    step, length = np.roll(q, -1, axis=1) - q, np.linalg.norm(np.roll(p, -1, axis=1) - p, axis=2)
    along_x = np.abs(step[..., 0]) > np.abs(step[..., 1])
    wide = length[along_x].sum() / np.abs(step[..., 0])[along_x].sum()
    tall = length[~along_x].sum() / np.abs(step[..., 1])[~along_x].sum()
    return float(wide), float(tall)


def _shell_uv(
    number: int, shell: Shell, placed: dict[tuple[int, int], tuple[float, float, float, float]]
) -> Floats:
    grid = shell.grid
    boxes = np.array([placed[(number, c)] for c in range(grid.chart_count)])
    box = boxes[grid.chart]
    quads = box[:, None, :2] + grid.corner_chart * box[:, None, 2:]
    pieces = [quads.reshape(-1, 2)]
    for k, rim in enumerate(grid.rims):
        x, y, w, h = boxes[grid.chart_count - len(grid.rims) + k]
        p = shell.positions[rim] - shell.positions[rim].mean(axis=0)
        normal = np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0)
        normal /= np.linalg.norm(normal)
        right = p[0] / np.linalg.norm(p[0])
        flat = np.stack([p @ right, p @ np.cross(normal, right)], axis=1)
        flat /= 2 * np.linalg.norm(flat, axis=1).max()
        pieces.append(np.array([x, y]) + (flat + 0.5) * np.array([w, h]))
    return np.concatenate(pieces)


def _corner_normals(points: Floats, start: NDArray[np.int64], corner: Ints, group: Ints) -> Floats:
    """Return (C, 3) unit normals, averaged over the corners of a vertex in one smoothing group."""
    tris, owner = [], []
    sizes = np.diff(start)
    for face in range(len(sizes)):
        ring = np.arange(start[face], start[face + 1])
        tris += [(ring[0], ring[k], ring[k + 1]) for k in range(1, sizes[face] - 1)]
        owner += [face] * (sizes[face] - 2)
    face_of_corner = np.repeat(np.arange(len(sizes)), sizes)
    key = corner.astype(np.int64) * (int(group.max()) + 1) + group[face_of_corner]
    _, number = np.unique(key, return_inverse=True)
    # vertex_normals averages over shared numbers: give every (vertex, group) one of its own.
    place = np.empty((int(number.max()) + 1, 3))
    place[number] = points[corner]
    normals = vertex_normals(place, number[np.array(tris)].astype(np.int32))
    return normals[number]
