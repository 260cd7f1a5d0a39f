"""From places in space to the low-poly points whose rays run through them.

The rays through one low triangle fill a prism with slanted sides. A place q of it has prism
coordinates: barycentrics w and height h with q = sum_v w_v (p_v + h D_v), where the ray at w runs
along sum_v w_v D_v. They are found by Newton's method on these three equations; a step over an edge
goes on in the neighbouring triangle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.edges import edge_pairs
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Along, Cage, rays_through
from cagecheck.rays.points import PointKind, SurfacePoints

NO_NEIGHBOUR = -1
NEWTON_STEPS = 16
# Triangles that a search may pass through.
HOPS = 8
# Steps within one triangle before the search may leave it.
_SETTLING = 2
# Barycentrics are kept this near to the triangle: rays of points far outside mean nothing.
_FARTHEST = 0.5
_INSIDE = 1e-9
# Corners that stay on the low poly get this share of their normal, so that every ray has a line.
_LEAST_PUSH = 1e-9


@dataclass(frozen=True, eq=False)
class Prisms:
    """The prisms between a low poly and a cage.

    push : (T, 3, 3) what rays interpolate, never zero; neighbour : (T, 3) int32, the triangle
    across the edge opposite each corner, or -1.
    """

    low: LowPoly
    cage: Cage
    along: Along
    push: Floats
    neighbour: NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Located:
    """Prism coordinates of N places.

    triangle : (N,) int32; barycentric : (N, 3) float64, inside the triangle unless asked otherwise;
    t : (N,) float64 along the ray there; start : (N,) where that ray starts; missed : (N,) float64,
    how far it passes the place.
    """

    triangle: NDArray[np.int32]
    barycentric: Floats
    t: Floats
    start: Floats
    missed: Floats

    @property
    def room(self) -> Floats:
        """(N,) how far the place lies below the cage along its ray."""
        return self.start - self.t

    def take(self, index: NDArray[np.integer] | NDArray[np.bool_]) -> Located:
        """Return the places at `index`."""
        return Located(
            self.triangle[index], self.barycentric[index], self.t[index], self.start[index],
            self.missed[index],
        )  # fmt: skip


def prisms_of(low: LowPoly, cage: Cage, along: Along = "cage") -> Prisms:
    """Return the prisms of a low poly; triangles meet across edges that weld."""
    neighbour = np.full((len(low.triangles), 3), NO_NEIGHBOUR, np.int32)
    _, a, b = edge_pairs(low.welded)
    for one, other in ((a, b), (b, a)):
        # Half-edge k runs from corner k to k + 1: it is opposite corner k + 2.
        neighbour[one // 3, (one + 2) % 3] = other // 3
    push = cage.normals
    if along == "cage":
        size = float(np.abs(cage.displacement).max(initial=0.0)) or 1.0
        push = cage.displacement / size + _LEAST_PUSH * cage.normals
    return Prisms(low, cage, along, push, neighbour)


def points_at(triangle: NDArray[np.int32], barycentric: Floats) -> SurfacePoints:
    """Return points of no area at barycentrics of triangles."""
    n = len(triangle)
    return SurfacePoints(
        triangle, barycentric, np.zeros(n), np.full(n, PointKind.INTERIOR, np.uint8), np.zeros(n)
    )


def locate(prisms: Prisms, place: Floats, hint: NDArray[np.int32], *, hop: bool = True) -> Located:
    """Return the prism coordinates of (N, 3) places, beginning in the triangles of `hint`.

    hop : go on in the neighbouring triangle beyond an edge; else barycentrics may leave the
    triangle by half its size.
    """
    low = prisms.low
    triangle = hint.astype(np.int32).copy()
    barycentric = np.empty((len(triangle), 3))
    _invert(
        low.positions, low.triangles, prisms.push, prisms.neighbour,
        np.ascontiguousarray(place), hop, triangle, barycentric,
    )  # fmt: skip
    rays = rays_through(low, prisms.cage, points_at(triangle, barycentric), prisms.along)
    t = np.einsum("ij,ij->i", place - rays.origin, rays.direction)
    missed = np.linalg.norm(place - rays.origin - t[:, None] * rays.direction, axis=1)
    return Located(triangle, barycentric, t, rays.start, missed)


@njit(cache=True, nogil=True)
def _invert(
    positions: Floats,
    triangles: NDArray[np.int32],
    push: Floats,
    neighbour: NDArray[np.int32],
    place: Floats,
    hop: bool,
    triangle: NDArray[np.int32],
    barycentric: Floats,
) -> None:
    """Find triangle and barycentrics of every place, beginning in `triangle`, in place."""
    e1, e2, along, miss = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    for i in range(len(triangle)):
        w1 = w2 = 1.0 / 3.0
        h = 0.0
        hops = since = 0
        for _ in range(NEWTON_STEPS + HOPS):
            f = triangle[i]
            w0 = 1.0 - w1 - w2
            for k in range(3):
                p0 = positions[triangles[f, 0], k] + h * push[f, 0, k]
                e1[k] = positions[triangles[f, 1], k] + h * push[f, 1, k] - p0
                e2[k] = positions[triangles[f, 2], k] + h * push[f, 2, k] - p0
                along[k] = w0 * push[f, 0, k] + w1 * push[f, 1, k] + w2 * push[f, 2, k]
                miss[k] = place[i, k] - p0 - w1 * e1[k] - w2 * e2[k]
            det = _det(e1, e2, along)
            if det == 0.0:
                break
            w1 += _det(miss, e2, along) / det
            w2 += _det(e1, miss, along) / det
            h += _det(e1, e2, miss) / det
            since += 1
            w0 = 1.0 - w1 - w2
            least = min(w0, w1, w2)
            if hop and since > _SETTLING and least < -_INSIDE and hops < HOPS:
                side = 0 if w0 == least else (1 if w1 == least else 2)
                if neighbour[f, side] == NO_NEIGHBOUR:
                    continue
                triangle[i] = neighbour[f, side]
                hops += 1
                since = 0
                w1 = w2 = 1.0 / 3.0
        slack = 0.0 if hop else _FARTHEST
        total = 0.0
        barycentric[i, 0], barycentric[i, 1], barycentric[i, 2] = 1.0 - w1 - w2, w1, w2
        for k in range(3):
            value = barycentric[i, k]
            # Not a number: the prism is flat here.
            barycentric[i, k] = max(value + slack, 0.0) if value == value else slack + 1.0 / 3.0
            total += barycentric[i, k]
        for k in range(3):
            barycentric[i, k] = barycentric[i, k] * (1.0 + 3.0 * slack) / total - slack


@njit(cache=True, nogil=True, inline="always")
def _det(a: Floats, b: Floats, c: Floats) -> float:
    return (
        a[0] * (b[1] * c[2] - b[2] * c[1])
        + a[1] * (b[2] * c[0] - b[0] * c[2])
        + a[2] * (b[0] * c[1] - b[1] * c[0])
    )
