"""Points on the low poly to send rays from: inside triangles, along edges, at vertices."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import BLOCK, in_blocks
from cagecheck.arrays.hashing import mix
from cagecheck.arrays.morton import coherent_order
from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import InputError, takes
from cagecheck.loops import njit
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.words.numbers import count_text

# Digits in base 4 of a point's number: more than 63 bits have.
_MOST_DIGITS = 32


class PointKind(IntEnum):
    """Where on the low poly a point lies."""

    INTERIOR = 0
    EDGE = 1
    VERTEX = 2
    TEXEL = 3


@dataclass(frozen=True, eq=False)
class SurfacePoints:
    """N points on the triangles of a low poly.

    Attributes
    ----------
    triangle : (N,) int32
        The low-poly triangle.
    barycentric : (N, 3) float64
        Sums to 1.
    area : (N,) float64
        World area that the point stands for; 0 for edge and vertex points, which only watch the
        corridors there.
    kind : (N,) uint8
        A `PointKind`.
    spacing : (N,) float64
        Typical world distance to the next point.
    """

    triangle: Ints
    barycentric: Floats
    area: Floats
    kind: NDArray[np.uint8]
    spacing: Floats

    def __repr__(self) -> str:
        return f"<SurfacePoints: {count_text(len(self))}>"

    def __len__(self) -> int:
        return len(self.triangle)

    def take(self, index: NDArray[np.integer] | NDArray[np.bool_]) -> SurfacePoints:
        """Return some of the points.

        Parameters
        ----------
        index : array of int, or (N,) bool
            The points.
        """
        return SurfacePoints(*taken([getattr(self, f.name) for f in fields(self)], index))

    def positions(self, low: LowPoly) -> Floats:
        """Return where the points are.

        Parameters
        ----------
        low : LowPoly
            The low poly that they are on.

        Returns
        -------
        (N, 3) float64
            World positions.
        """
        out: Floats = np.empty((len(self), 3))

        def place(begin: int, end: int) -> None:
            here = slice(begin, end)
            _place(
                low.positions, low.triangles, self.triangle[here], self.barycentric[here], out[here]
            )

        in_blocks(len(out), place)
        return out


def taken(
    arrays: list[NDArray[Any]], index: NDArray[np.integer] | NDArray[np.bool_]
) -> list[NDArray[Any]]:
    """Return some rows of each array, by their numbers or by a bool for each row."""
    rows = np.flatnonzero(index) if index.dtype == bool else index
    out = [np.empty((len(rows), *values.shape[1:]), values.dtype) for values in arrays]

    def take(begin: int, end: int) -> None:
        for values, some in zip(arrays, out, strict=True):
            # NumPy's `take` copies rows of three in a third of the time that an index needs.
            some[begin:end] = np.take(values, rows[begin:end], axis=0)

    in_blocks(len(rows), take)
    return out


def interpolate(values: Floats, corners: Ints, barycentric: Floats) -> Floats:
    """Return (N, k) values at barycentric points of triangles with vertex indices (N, 3)."""
    out: Floats = np.empty((len(corners), values.shape[1]), np.result_type(values, barycentric))
    _interpolate(values, corners, barycentric, out)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _interpolate(values: Floats, corners: Ints, barycentric: Floats, out: Floats) -> None:
    for i in range(len(out)):
        a, b, c = corners[i, 0], corners[i, 1], corners[i, 2]
        u, v, w = barycentric[i, 0], barycentric[i, 1], barycentric[i, 2]
        for k in range(out.shape[1]):
            out[i, k] = values[a, k] * u + values[b, k] * v + values[c, k] * w


@njit(cache=True, nogil=True, makes_arrays=False)
def _place(
    positions: Floats, triangles: Ints, triangle: Ints, barycentric: Floats, out: Floats
) -> None:
    """Write where points lie: what `interpolate` makes of the corners of their triangles."""
    for i in range(len(out)):
        a, b, c = triangles[triangle[i], 0], triangles[triangle[i], 1], triangles[triangle[i], 2]
        u, v, w = barycentric[i, 0], barycentric[i, 1], barycentric[i, 2]
        for k in range(3):
            out[i, k] = positions[a, k] * u + positions[b, k] * v + positions[c, k] * w


def join_points(sets: list[SurfacePoints]) -> SurfacePoints:
    """Return all points of several sets, in order."""
    return SurfacePoints(
        **{
            f.name: np.concatenate([getattr(s, f.name) for s in sets])
            for f in fields(SurfacePoints)
        }
    )


@takes(low=LowPoly)
def spacing_for_count(low: LowPoly, count: int) -> float:
    """Return the point spacing that gives about so many interior points.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    count : int
        The number of points wanted.

    Returns
    -------
    float
        World units.

    Raises
    ------
    InputError
        The low poly has no area.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> cagecheck.spacing_for_count(low, 100)
    0.1
    """
    area = float(low.area.sum())
    if area <= 0:
        raise InputError(
            "the low poly has no area.",
            file=low.mesh.source.path if low.mesh.source else None,
            cure="Check that its faces are not collapsed.",
        )
    return float(np.sqrt(area / max(count, 1)))


@takes(low=LowPoly)
def sample_points(
    low: LowPoly,
    spacing: float,
    *,
    seed: int = 0,
    edges: bool = True,
    triangles: NDArray[np.integer] | None = None,
) -> SurfacePoints:
    """Spread points over the low poly, in an order that keeps rays coherent.

    Every triangle with area gets points for its area (one per ``spacing**2``) and its length (a
    sliver gets one per ``2 * spacing`` of its longest edge), at least one.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    spacing : float
        World units, above 0.
    seed : int, optional
        Draws the digits' scrambling and the place in the last sub-triangle.
    edges : bool, optional
        Each welded edge gets a point per `spacing` besides, and each welded vertex one.
    triangles : (K,) int, optional
        Only these triangles (and their edges and vertices); all by default.

    Notes
    -----
    The points of a triangle follow the triangular van der Corput sequence [1]_ with digits
    scrambled and the place in the last sub-triangle drawn by `seed`.

    References
    ----------
    .. [1] K. Basu and A. B. Owen, "Low Discrepancy Constructions in the Triangle", SIAM J. Numer.
       Anal. 53(2), 2015.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> points = cagecheck.sample_points(low, 0.1)
    >>> float(points.area.sum().round(6))
    1.0
    """
    if not spacing > 0:
        raise InputError("the sample spacing must be above zero.", cure="Raise `density`.")
    chosen = np.arange(len(low.triangles)) if triangles is None else np.unique(triangles)
    chosen = chosen[low.area[chosen] > 0]
    points = _interior(low, chosen, spacing, seed)
    if edges:
        more = _along_edges(low, chosen, spacing, seed), _at_vertices(low, chosen, spacing)
        points = join_points([points, *more])
    return points.take(coherent_order(points.positions(low)))


def _interior(
    low: LowPoly, chosen: NDArray[np.integer], spacing: float, seed: int
) -> SurfacePoints:
    area = low.area[chosen]
    p = low.positions[low.triangles[chosen]]
    longest = np.linalg.norm(p - np.roll(p, -1, axis=1), axis=2).max(axis=1, initial=0.0)
    wanted = np.maximum(np.ceil(area / spacing**2), np.ceil(longest / (2 * spacing)))
    count = np.maximum(wanted, 1).astype(np.int64)
    start = np.concatenate([[0], np.cumsum(count)])
    triangle = np.repeat(chosen, count).astype(np.int32)
    barycentric = np.empty((len(triangle), 3))
    numbers = chosen.astype(np.int64)

    def place(begin: int, end: int) -> None:
        _triangular_van_der_corput(
            numbers[begin:end], start[begin : end + 1], seed, np.empty(_MOST_DIGITS, np.int64),
            barycentric,
        )  # fmt: skip

    in_blocks(len(chosen), place, max(BLOCK * len(chosen) // max(len(triangle), 1), 1))
    share = area / count
    return SurfacePoints(
        triangle,
        barycentric,
        np.repeat(share, count),
        np.full(len(triangle), PointKind.INTERIOR, np.uint8),
        np.repeat(np.sqrt(share), count),
    )


@njit(cache=True, nogil=True, makes_arrays=False)
def _triangular_van_der_corput(
    chosen: NDArray[np.int64],
    start: NDArray[np.int64],
    seed: int,
    scrambling: NDArray[np.int64],
    out: Floats,
) -> None:
    for k in range(len(chosen)):
        count = start[k + 1] - start[k]
        levels = 0
        while 4**levels < count:
            levels += 1
        for level in range(levels):
            drawn = mix(np.uint64(seed), np.uint64(chosen[k]), np.uint64(level))
            scrambling[level] = np.int64(drawn & np.uint64(3))
        for i in range(count):
            # Barycentric coordinates of the current sub-triangle's centre, and its half size
            # with sign: digit 0 is the middle sub-triangle, which points the other way.
            a, b, c = 1.0 / 3, 1.0 / 3, 1.0 / 3
            size, digits = 1.0, i
            for level in range(levels):
                digit = (digits & 3) ^ scrambling[level]
                digits >>= 2
                size *= 0.5
                if digit == 0:
                    size = -size
                elif digit == 1:
                    a, b, c = a + size * 2 / 3, b - size / 3, c - size / 3
                elif digit == 2:
                    a, b, c = a - size / 3, b + size * 2 / 3, c - size / 3
                else:
                    a, b, c = a - size / 3, b - size / 3, c + size * 2 / 3
            # A seeded place inside the last sub-triangle keeps area shares free of bias.
            draw = mix(np.uint64(seed) + np.uint64(1), np.uint64(chosen[k]), np.uint64(i))
            u = np.float64(draw >> np.uint64(32)) / 2.0**32
            v = np.float64(draw & np.uint64(0xFFFFFFFF)) / 2.0**32
            if u + v > 1.0:
                u, v = 1.0 - u, 1.0 - v
            out[start[k] + i, 0] = a + size * (u - 1.0 / 3)
            out[start[k] + i, 1] = b + size * (v - 1.0 / 3)
            out[start[k] + i, 2] = c + size * (1.0 / 3 - u + 1.0 / 3 - v)


def _along_edges(
    low: LowPoly, chosen: NDArray[np.integer], spacing: float, seed: int
) -> SurfacePoints:
    welded = low.welded[chosen]
    half_edge = np.sort(triangle_edges(welded).first)
    local, corner = half_edge // 3, half_edge % 3
    p = low.positions[low.triangles[chosen[local]]]
    rows = np.arange(len(local))
    length = np.linalg.norm(p[rows, corner] - p[rows, (corner + 1) % 3], axis=1)
    count = np.maximum(np.ceil(length / spacing), 1).astype(np.int64)
    begin = np.concatenate([[0], np.cumsum(count)])[:-1]
    owner = np.repeat(rows, count)
    step = np.arange(len(owner)) - begin[owner]
    jitter = np.random.default_rng([seed, 1]).uniform(0.05, 0.95, len(owner))
    s = (step + jitter) / count[owner]
    barycentric = np.zeros((len(owner), 3))
    barycentric[np.arange(len(owner)), corner[owner]] = 1 - s
    barycentric[np.arange(len(owner)), (corner[owner] + 1) % 3] = s
    return SurfacePoints(
        chosen[local[owner]].astype(np.int32),
        barycentric,
        np.zeros(len(owner)),
        np.full(len(owner), PointKind.EDGE, np.uint8),
        np.repeat(length / count, count),
    )


def _at_vertices(low: LowPoly, chosen: NDArray[np.integer], spacing: float) -> SurfacePoints:
    _, first = np.unique(low.welded[chosen], return_index=True)
    barycentric = np.zeros((len(first), 3))
    barycentric[np.arange(len(first)), first % 3] = 1.0
    return SurfacePoints(
        chosen[first // 3].astype(np.int32),
        barycentric,
        np.zeros(len(first)),
        np.full(len(first), PointKind.VERTEX, np.uint8),
        np.full(len(first), spacing),
    )
