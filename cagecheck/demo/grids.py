"""Grids of quads over parameter spaces: the same topology serves the low and the high poly.

A `Grid` says which quads there are and where their corners lie in the parameters (u, v) of a
shape; the shape turns parameters into positions. Vertices on seams are shared, so a grid without
a border stays watertight; corner UVs (`corner_chart`) know the seams.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints

TURN = 2 * np.pi
# Lines closer to a wanted line than this share of the spacing give way to it.
_CROWDED = 0.3


@dataclass(frozen=True, eq=False)
class Grid:
    """Quads (and polygons) in parameter space.

    Attributes
    ----------
    u, v : (V,) parameters of every vertex.
    quads : (Q, 4) int32 vertex numbers, counter-clockwise from outside.
    corner_chart : (Q, 4, 2) corner places in their chart's unit square.
    chart : (Q,) int32 chart number of every quad.
    rims : polygons that close openings (vertex numbers), one chart each, numbered after `chart`.
    """

    u: Floats
    v: Floats
    quads: Ints
    corner_chart: Floats
    chart: Ints
    rims: tuple[Ints, ...] = ()

    @property
    def chart_count(self) -> int:
        """Number of charts, polygons included."""
        return int(self.chart.max()) + 1 + len(self.rims)


def lines(start: float, end: float, count: int, wanted: tuple[float, ...] = ()) -> Floats:
    """Return `count` + 1 or more rising parameters from `start` to `end`, all `wanted` among them.

    Even lines that crowd a wanted one are dropped.
    """
    even = np.linspace(start, end, count + 1)
    inside = np.array(sorted(w for w in wanted if start < w < end))
    if len(inside) == 0:
        return even
    gap = np.abs(even[1:-1, None] - inside[None]).min(axis=1)
    kept = even[1:-1][gap > _CROWDED * (end - start) / count]
    return np.unique(np.concatenate([[start], kept, inside, [end]]))


def ring_lines(start: float, count: int, wanted: tuple[float, ...] = ()) -> Floats:
    """Return the 4 m + 1 angles of a closed ring from `start` to `start` + a turn."""
    turned = tuple(start + (w - start) % TURN for w in wanted)
    angles = lines(start, start + TURN, 4 * max(1, round(count / 4)), turned)
    while (len(angles) - 1) % 4:
        widest = int(np.argmax(np.diff(angles)))
        angles = np.insert(angles, widest + 1, angles[widest : widest + 2].mean())
    return angles


def ball_grid(angles: Floats, rows: Floats, poles: tuple[str, str] = ("disc", "disc")) -> Grid:
    """A tube along `rows` (v) and around `angles` (u), closed at both ends.

    `poles` says how: ``disc`` (a square grid bent to a disc, v running on to 0 or 1), ``rim``
    (one polygon) or ``open``. `angles` has 4 m + 1 entries, the last one turn after the first.
    """
    around = len(angles) - 1
    tube = np.arange(around * len(rows)).reshape(len(rows), around)
    u, v = [np.tile(angles[:-1], len(rows))], [np.repeat(rows, around)]
    closed = np.concatenate([tube, tube[:, :1]], axis=1)
    quads = [_cells(closed)]
    across = (angles - angles[0]) / TURN
    along = (rows - rows[0]) / (rows[-1] - rows[0])
    corner = [_cells(_pairs(across, along))]
    chart = [np.zeros(len(quads[0]), np.int32)]
    rims: list[Ints] = []
    for end, kind in enumerate(poles):
        ring = tube[-1] if end else tube[0]
        if kind == "rim":
            rims.append((ring[::-1] if end else ring).astype(np.int32))
        elif kind == "disc":
            first = sum(len(part) for part in u)
            index, cap_u, cap_v = _disc(angles, rows[-1] if end else rows[0], ring, first, end)
            u.append(cap_u)
            v.append(cap_v)
            unit = np.linspace(0, 1, len(index))
            quads.append(_outward(_spokes(_cells(index)), flip=bool(end)))
            corner.append(_outward(_spokes(_cells(_pairs(unit, unit))), flip=bool(end)))
            chart.append(np.full(len(quads[-1]), len(chart), np.int32))
    return Grid(
        np.concatenate(u),
        np.concatenate(v),
        np.concatenate(quads).astype(np.int32),
        np.concatenate(corner),
        np.concatenate(chart),
        tuple(rims),
    )


def ring_grid(angles: Floats, rows: Floats) -> Grid:
    """A closed ring: u around the section's `rows`, both periodic, last entries a period on."""
    around, along = len(angles) - 1, len(rows) - 1
    index = np.arange(around * along).reshape(along, around)
    index = np.concatenate([index, index[:1]])
    index = np.concatenate([index, index[:, :1]], axis=1)
    corner = _pairs((angles - angles[0]) / TURN, (rows - rows[0]) / (rows[-1] - rows[0]))
    quads = _cells(index).astype(np.int32)
    return Grid(
        np.tile(angles[:-1], along),
        np.repeat(rows[:-1], around),
        quads,
        _cells(corner),
        np.zeros(len(quads), np.int32),
    )


def cube_grid(counts: tuple[int, int, int]) -> tuple[Grid, Floats]:
    """The six sides of a cube cut into `counts` cells along x, y and z.

    Returns the grid (u and v are not used, zero) and the (V, 3) places on the cube [-1, 1]^3.
    """
    n = np.array(counts)
    quads, corner, lattice = [], [], []
    chart: list[Ints] = []
    first = 0
    for axis in range(3):
        a, b = (axis + 1) % 3, (axis + 2) % 3
        for side in (0, 1):
            i, j = np.meshgrid(np.arange(n[a] + 1), np.arange(n[b] + 1), indexing="ij")
            place = np.zeros((*i.shape, 3), np.int64)
            place[..., a], place[..., b], place[..., axis] = i, j, side * n[axis]
            index = first + np.arange(i.size).reshape(i.shape)
            first += i.size
            lattice.append(place.reshape(-1, 3))
            quads.append(_outward(_cells(index), flip=not side))
            unit = np.stack([i / n[a], j / n[b]], axis=-1)
            corner.append(_outward(_cells(unit), flip=not side))
            chart.append(np.full(len(quads[-1]), len(chart), np.int32))
    places = np.concatenate(lattice)
    key = (places[:, 0] * (n[1] + 1) + places[:, 1]) * (n[2] + 1) + places[:, 2]
    _, one, number = np.unique(key, return_index=True, return_inverse=True)
    nothing = np.zeros(len(one))
    grid = Grid(
        nothing,
        nothing,
        number[np.concatenate(quads)].astype(np.int32),
        np.concatenate(corner),
        np.concatenate(chart),
    )
    return grid, places[one] / n * 2.0 - 1.0


def _pairs(across: Floats, along: Floats) -> Floats:
    x, y = np.meshgrid(across, along)
    return np.stack([x, y], axis=-1)


def _cells(index: NDArray[Any]) -> NDArray[Any]:
    """(R, C, …) to (cells, 4, …): the corners of every cell, around it."""
    corners = [index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]]
    stacked = np.stack(corners, axis=2)
    return stacked.reshape(-1, 4, *index.shape[2:])


def _spokes(cells: NDArray[Any]) -> NDArray[Any]:
    """Start the quads of a disc so that their first diagonals run towards its middle.

    The other way a quad at one of the square's corners would be cut into a triangle of three
    points on the rim, all but without area.
    """
    m = round(np.sqrt(len(cells)))
    i, j = np.divmod(np.arange(m * m), m)
    side = (2 * i - (m - 1)) * (2 * j - (m - 1))
    return np.where(
        side.reshape(-1, *[1] * (cells.ndim - 1)) < 0, np.roll(cells, -1, axis=1), cells
    )


def _outward(cells: NDArray[Any], flip: bool) -> NDArray[Any]:
    return cells[:, [0, 3, 2, 1]] if flip else cells


def _disc(
    angles: Floats, rim_v: float, ring: NDArray[np.int64], first: int, end: int
) -> tuple[NDArray[np.int64], Floats, Floats]:
    """An m x m grid bent to a disc whose border is `ring` (4 m vertices).

    Source: Shirley and Chiu, "A Low Distortion Map Between Disk and Square", Journal of Graphics
    Tools 2(3), 1997: squares become circles, the place along a side the angle.
    """
    around = len(ring)
    m = around // 4
    x, y = np.meshgrid(
        np.arange(m + 1) * 2.0 / m - 1, np.arange(m + 1) * 2.0 / m - 1, indexing="ij"
    )
    radius = np.maximum(np.abs(x), np.abs(y))
    safe = np.where(radius > 0, radius, 1)
    half = m / 2
    step = np.select(
        [x >= np.abs(y), y >= np.abs(x), -x >= np.abs(y)],
        [half * (1 + y / safe), m + half * (1 - x / safe), 2 * m + half * (1 - y / safe)],
        3 * m + half * (1 + x / safe),
    )
    border = radius > 1 - 1e-9
    index = np.zeros(x.shape, np.int64)
    index[border] = ring[np.rint(step[border]).astype(int) % around]
    index[~border] = first + np.arange((~border).sum())
    u = np.interp(step[~border], np.arange(around + 1), angles)
    v = radius[~border] * rim_v if not end else 1 - radius[~border] * (1 - rim_v)
    return index, u, v


def split_charts(grid: Grid, u_stops: Floats, v_stops: Floats) -> Grid:
    """Cut chart 0 into a table of charts at fractions `u_stops` and `v_stops` of its width.

    Both hold 0 and 1. Other charts and rims are renumbered after the new ones.
    """
    tube = grid.chart == 0
    middle = grid.corner_chart[tube].mean(axis=1)
    column = np.searchsorted(u_stops, middle[:, 0]) - 1
    row = np.searchsorted(v_stops, middle[:, 1]) - 1
    columns = len(u_stops) - 1
    chart = grid.chart + columns * (len(v_stops) - 1) - 1
    chart[tube] = row * columns + column
    corner = grid.corner_chart.copy()
    low = np.stack([u_stops[column], v_stops[row]], axis=1)[:, None]
    high = np.stack([u_stops[column + 1], v_stops[row + 1]], axis=1)[:, None]
    corner[tube] = (corner[tube] - low) / (high - low)
    return Grid(grid.u, grid.v, grid.quads, corner, chart.astype(np.int32), grid.rims)
