"""Pieces: one closed shell each, built coarsely for the low and finely for the high poly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.demo.grids import (
    Grid,
    ball_grid,
    cube_grid,
    lines,
    ring_grid,
    ring_lines,
    split_charts,
)
from cagecheck.demo.sculpt import Sculpt, Spots
from cagecheck.demo.shapes import Box, Hoop, Turned

Shape = Turned | Hoop | Box
LOW_SUFFIX, HIGH_SUFFIX = "_low", "_high"
SEAM = -np.pi / 2  # behind, where a seam shows least


@dataclass(frozen=True, eq=False)
class Piece:
    """One shell of a part.

    Attributes
    ----------
    part : the part's name without a suffix; the low part is ``part_low``.
    shape : the base surface that the high poly samples; `low_shape` that of the low (default the
        same), for instance with sharp edges where the high has round ones.
    in_high : False leaves it out of the high poly.
    detail : what comes behind ``part_high`` in the name of its high part, such as ``_bolts``.
    in_low : False leaves it out of the low poly (floating detail).
    around, along : quads of the low poly around and along (boxes: `counts`, three numbers).
    rows : v where the low poly's tube begins and ends, and of rings it must have.
    high_rows : v where the high poly's tube begins and ends (default the low poly's).
    poles : how the low poly closes the ends (see `ball_grid`).
    sculpt : heights over the base, or None.
    lines_u, lines_v : parameters that edges of the high poly must follow.
    hole, flipped : conditions (u, v) -> bool on quad centres: leave out, or wind the wrong way.
    hard : every chart is its own smoothing group (hard edges between charts).
    stops_u, stops_v : fractions at which the tube is cut into charts.
    inflate : how far the low poly is pushed out, to lie half inside and half outside.
    fineness : edge length of the high poly relative to other pieces.
    """

    part: str
    shape: Shape
    around: int = 12
    along: int = 4
    counts: tuple[int, int, int] = (2, 2, 2)
    rows: tuple[float, ...] = (0.2, 0.8)
    high_rows: tuple[float, float] | None = None
    poles: tuple[str, str] = ("disc", "disc")
    sculpt: Sculpt | None = None
    low_shape: Shape | None = None
    in_high: bool = True
    detail: str = ""
    in_low: bool = True
    lines_u: tuple[float, ...] = ()
    lines_v: tuple[float, ...] = ()
    hole: Callable[[Floats, Floats], NDArray[np.bool_]] | None = None
    flipped: Callable[[Floats, Floats], NDArray[np.bool_]] | None = None
    hard: bool = False
    stops_u: tuple[float, ...] = (0.0, 1.0)
    stops_v: tuple[float, ...] = (0.0, 1.0)
    inflate: float = 0.0012
    fineness: float = 1.0
    band_only: bool = field(default=False)

    @property
    def low_name(self) -> str:
        """The low part's name."""
        return self.part + LOW_SUFFIX

    @property
    def high_name(self) -> str:
        """The high part's name."""
        return self.part + HIGH_SUFFIX + self.detail


@dataclass(frozen=True, eq=False)
class Shell:
    """A built shell: positions (V, 3), the grid it came from, and its base normals (V, 3)."""

    grid: Grid
    positions: Floats
    normals: Floats
    quads: Ints


def low_shell(piece: Piece) -> Shell:
    """Build the low poly's shell of a piece."""
    shape = piece.low_shape or piece.shape
    if isinstance(shape, Box):
        grid, place = cube_grid(piece.counts)
        points = shape.points(place)
    else:
        rows = _low_rows(piece)
        angles = ring_lines(SEAM, piece.around)
        hoop = isinstance(shape, Hoop) and not piece.band_only
        if hoop:
            grid = ring_grid(angles, rows)
        else:
            poles = ("open", "open") if piece.band_only else piece.poles
            grid = ball_grid(angles, rows, poles)
        grid = split_charts(grid, np.array(piece.stops_u), np.array(piece.stops_v))
        points = shape.points(grid.u, grid.v)
    normals = vertex_normals(points, split_quads(grid.quads, grid.rims))
    return Shell(grid, points + piece.inflate * normals, normals, grid.quads)


def high_shell(piece: Piece, edge: float) -> Shell:
    """Build the high poly's shell of a piece with edges about `edge` long."""
    edge = edge * piece.fineness
    shape = piece.shape
    place, a, r = None, np.zeros(0), np.zeros(0)
    if isinstance(shape, Box):
        counts = tuple(max(3, round(2 * h / edge)) for h in shape.half)
        grid, place = cube_grid(counts)  # type: ignore[arg-type]
        points = shape.points(place)
    else:
        grid = _high_grid(piece, shape, edge)
        a, r = shape.profile.at(grid.v)
        points = shape.points(grid.u, grid.v)
    normals = vertex_normals(points, split_quads(grid.quads))
    if piece.sculpt is not None:
        spots = Spots(points, normals, grid.u, grid.v, a, r, place)
        points = points + normals * piece.sculpt(spots)[:, None]
    return Shell(grid, points, normals, _holes_and_flips(piece, grid))


def _low_rows(piece: Piece) -> Floats:
    first, last = piece.rows[0], piece.rows[-1]
    return lines(first, last, max(1, piece.along), piece.rows[1:-1])


def _high_grid(piece: Piece, shape: Turned | Hoop, edge: float) -> Grid:
    v = np.linspace(0, 1, 65)
    ring = np.linspace(0, 2 * np.pi, 65)
    widest = max(
        np.linalg.norm(np.diff(shape.points(ring, np.full(65, x)), axis=0), axis=1).sum()
        for x in v[::4]
    )
    angles = ring_lines(SEAM, max(8, round(widest / edge)), piece.lines_u)
    length = max(
        np.linalg.norm(np.diff(shape.points(np.full(65, x), v), axis=0), axis=1).sum()
        for x in ring[::8]
    )
    if isinstance(shape, Hoop):
        return ring_grid(angles, lines(0, 1, max(8, round(length / edge)), piece.lines_v))
    start, end = piece.high_rows or (piece.rows[0], piece.rows[-1])
    count = max(3, round(length * (end - start) / edge))
    return ball_grid(angles, lines(start, end, count, piece.lines_v))


def _holes_and_flips(piece: Piece, grid: Grid) -> Ints:
    quads = grid.quads
    if piece.hole is None and piece.flipped is None:
        return quads
    # A quad's middle by its first corner and the half step: seams wrap, so average unit vectors.
    u = np.angle(np.exp(1j * grid.u[quads]).mean(axis=1))
    v = grid.v[quads].mean(axis=1)
    if piece.flipped is not None:
        turned = piece.flipped(u, v)
        quads = np.where(turned[:, None], quads[:, ::-1], quads)
    if piece.hole is not None:
        quads = quads[~piece.hole(u, v)]
    return quads


def split_quads(quads: Ints, rims: tuple[Ints, ...] = ()) -> Ints:
    """Return (T, 3) the triangles of quads, and of polygons as fans."""
    fans = [np.stack([np.full(len(rim) - 2, rim[0]), rim[1:-1], rim[2:]], axis=1) for rim in rims]
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]], *fans]).astype(np.int32)


def vertex_normals(points: Floats, triangles: Ints) -> Floats:
    """Return (V, 3) unit normals, averaged by the area of the triangles around a vertex."""
    a, b, c = (points[triangles[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    out = np.empty_like(points)
    index = triangles.T.ravel()
    for k in range(3):
        out[:, k] = np.bincount(index, np.tile(cross[:, k], 3), minlength=len(points))
    length = np.linalg.norm(out, axis=1, keepdims=True)
    return np.divide(out, length, out=np.zeros_like(out), where=length > 0)
