"""From places in space to the low-poly points whose rays run through them.

The rays through one low triangle fill a prism with slanted sides. A place q of it has prism
coordinates: barycentrics w and height h with q = sum_v w_v (p_v + h D_v), where the ray at w runs
along sum_v w_v D_v. They are found by Newton's method on these three equations; a step over an edge
goes on in the neighbouring triangle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.meshes.edges import edge_pairs
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Along, Cage, touching_distance
from cagecheck.rays.points import PointKind, SurfacePoints

# Positions, triangles, push, neighbour, displacement, normals, whether rays follow the normals, and
# the displacement below which they do so all the same.
PrismArrays = tuple[Floats, Ints, Floats, NDArray[np.int32], Floats, Floats, bool, float]

NO_NEIGHBOUR = -1
NEWTON_STEPS = 16
# Triangles that a search may pass through.
HOPS = 8
# Steps within one triangle before the search may leave it.
_SETTLING = 2
# Barycentrics are kept this near to the triangle: rays of points far outside mean nothing.
_FARTHEST = 0.5
_INSIDE = 1e-9
# Newton's steps end where they move barycentrics by less than this.
_STILL = 1e-14
# Places located by one thread at a time.
_TASK = 1 << 14
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

    def arrays(self) -> PrismArrays:
        """Return what compiled loops take."""
        low, cage = self.low, self.cage
        return (
            np.ascontiguousarray(low.positions, np.float64), low.triangles, self.push,
            self.neighbour, np.ascontiguousarray(cage.displacement),
            np.ascontiguousarray(cage.normals), self.along == "normals", touching_distance(low),
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Located:
    """Prism coordinates of N places.

    triangle : (N,) int32; barycentric : (N, 3) float64, inside the triangle;
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


def locate(prisms: Prisms, place: Floats, hint: NDArray[np.int32]) -> Located:
    """Return the prism coordinates of (N, 3) places, beginning in the triangles of `hint`."""
    n = len(place)
    out = Located(
        hint.astype(np.int32), np.empty((n, 3)), np.empty(n), np.empty(n), np.empty(n)
    )  # fmt: skip
    place, loops = np.ascontiguousarray(place, np.float64), prisms.arrays()

    def work(begin: int, end: int) -> None:
        here = slice(begin, end)
        _locate(
            loops, place[here], out.triangle[here], out.barycentric[here], out.t[here],
            out.start[here], out.missed[here],
        )  # fmt: skip

    in_blocks(n, work, _TASK)
    return out


@njit(cache=True, nogil=True)
def _locate(
    prisms: PrismArrays,
    place: Floats,
    triangle: NDArray[np.int32],
    barycentric: Floats,
    t: Floats,
    start: Floats,
    missed: Floats,
) -> None:
    """Fill in the prism coordinates of every place, beginning in `triangle`."""
    for i in range(len(triangle)):
        f, w = coordinates(prisms, place[i, 0], place[i, 1], place[i, 2], int(triangle[i]), True)
        triangle[i] = f
        barycentric[i, 0], barycentric[i, 1], barycentric[i, 2] = w
        t[i], start[i], missed[i] = along_ray(prisms, place[i, 0], place[i, 1], place[i, 2], f, w)


@njit(cache=True, nogil=True)
def coordinates(
    prisms: PrismArrays, x: float, y: float, z: float, f: int, hop: bool
) -> tuple[int, tuple[float, float, float]]:
    """Return the triangle and the barycentrics of a place, beginning in triangle `f`.

    hop : go on in the neighbouring triangle beyond an edge, and keep the barycentrics inside; else
    they may leave the triangle by half its size.
    """
    positions, triangles, push, neighbour = prisms[0], prisms[1], prisms[2], prisms[3]
    w1 = w2 = 1.0 / 3.0
    h = 0.0
    hops = since = 0
    for _ in range(NEWTON_STEPS + HOPS):
        a, b, c = triangles[f, 0], triangles[f, 1], triangles[f, 2]
        w0 = 1.0 - w1 - w2
        px = positions[a, 0] + h * push[f, 0, 0]
        py = positions[a, 1] + h * push[f, 0, 1]
        pz = positions[a, 2] + h * push[f, 0, 2]
        e1 = (
            positions[b, 0] + h * push[f, 1, 0] - px,
            positions[b, 1] + h * push[f, 1, 1] - py,
            positions[b, 2] + h * push[f, 1, 2] - pz,
        )
        e2 = (
            positions[c, 0] + h * push[f, 2, 0] - px,
            positions[c, 1] + h * push[f, 2, 1] - py,
            positions[c, 2] + h * push[f, 2, 2] - pz,
        )
        along = (
            w0 * push[f, 0, 0] + w1 * push[f, 1, 0] + w2 * push[f, 2, 0],
            w0 * push[f, 0, 1] + w1 * push[f, 1, 1] + w2 * push[f, 2, 1],
            w0 * push[f, 0, 2] + w1 * push[f, 1, 2] + w2 * push[f, 2, 2],
        )
        miss = (
            x - px - w1 * e1[0] - w2 * e2[0],
            y - py - w1 * e1[1] - w2 * e2[1],
            z - pz - w1 * e1[2] - w2 * e2[2],
        )
        det = _det(e1, e2, along)
        if det == 0.0:
            break
        step1, step2 = _det(miss, e2, along) / det, _det(e1, miss, along) / det
        w1 += step1
        w2 += step2
        h += _det(e1, e2, miss) / det
        since += 1
        w0 = 1.0 - w1 - w2
        least = min(w0, w1, w2)
        if hop and since > _SETTLING and least < -_INSIDE and hops < HOPS:
            side = 0 if w0 == least else (1 if w1 == least else 2)
            if neighbour[f, side] != NO_NEIGHBOUR:
                f = neighbour[f, side]
                hops += 1
                since = 0
                w1 = w2 = 1.0 / 3.0
                continue
        if since > _SETTLING and max(abs(step1), abs(step2)) <= _STILL:
            break
    slack = 0.0 if hop else _FARTHEST
    w0 = 1.0 - w1 - w2
    # Not a number: the prism is flat here.
    v0 = max(w0 + slack, 0.0) if w0 == w0 else slack + 1.0 / 3.0
    v1 = max(w1 + slack, 0.0) if w1 == w1 else slack + 1.0 / 3.0
    v2 = max(w2 + slack, 0.0) if w2 == w2 else slack + 1.0 / 3.0
    grow = (1.0 + 3.0 * slack) / (v0 + v1 + v2)
    return f, (v0 * grow - slack, v1 * grow - slack, v2 * grow - slack)


@njit(cache=True, nogil=True)
def along_ray(
    prisms: PrismArrays, x: float, y: float, z: float, f: int, w: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Return how far out a place lies along the ray at barycentrics w, its start and by how much
    it misses the place; the ray is that of `rays_through`."""
    positions, triangles = prisms[0], prisms[1]
    displacement, normals, follow, touching = prisms[4], prisms[5], prisms[6], prisms[7]
    ox = oy = oz = dx = dy = dz = nx = ny = nz = 0.0
    for k in range(3):
        v = triangles[f, k]
        ox += w[k] * positions[v, 0]
        oy += w[k] * positions[v, 1]
        oz += w[k] * positions[v, 2]
        dx += w[k] * displacement[f, k, 0]
        dy += w[k] * displacement[f, k, 1]
        dz += w[k] * displacement[f, k, 2]
        nx += w[k] * normals[f, k, 0]
        ny += w[k] * normals[f, k, 1]
        nz += w[k] * normals[f, k, 2]
    length, size = np.sqrt(dx * dx + dy * dy + dz * dz), np.sqrt(nx * nx + ny * ny + nz * nz)
    inverse = 1.0 / size if size > 0.0 else 1.0
    ux, uy, uz = nx * inverse, ny * inverse, nz * inverse
    start = 0.0
    if follow:
        start = dx * ux + dy * uy + dz * uz
    elif length > touching:
        start = -length if dx * nx + dy * ny + dz * nz < 0.0 else length
        ux, uy, uz = dx / start, dy / start, dz / start
    ax, ay, az = x - ox, y - oy, z - oz
    t = ax * ux + ay * uy + az * uz
    mx, my, mz = ax - t * ux, ay - t * uy, az - t * uz
    return t, start, np.sqrt(mx * mx + my * my + mz * mz)


@njit(cache=True, nogil=True)
def _det(
    a: tuple[float, float, float], b: tuple[float, float, float], c: tuple[float, float, float]
) -> float:
    return (
        a[0] * (b[1] * c[2] - b[2] * c[1])
        + a[1] * (b[2] * c[0] - b[0] * c[2])
        + a[2] * (b[0] * c[1] - b[1] * c[0])
    )
