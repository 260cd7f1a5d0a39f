"""Normals of the high poly: its file's own, smooth ones, or one per face.

The file's own shade as the sculpt was shown, hard edges included. Where the file gives none that
can be used (see `cagecheck.meshes.surface_normals`), smooth ones stand in.
A smooth normal is the angle-weighted mean of the triangles that meet at the position (Thuermer and
Wuethrich, Journal of Graphics Tools 3(1), 1998), so a file that repeats vertices at seams bakes the
same as one that does not. Parts that touch are not smoothed into each other. Other programs weigh
by area instead (Gouraud, IEEE Transactions on Computers C-20(6), 1971, with triangles of any size),
which differs by degrees where large triangles meet small ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.strips import STRIP, column, new_strip, put_column
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import (
    Vector,
    blend,
    cross,
    dot,
    flat_row,
    minus,
    moved,
    row,
    scaled,
    store,
    store_flat,
)
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Surface

HighNormals = Literal["file", "smooth", "area", "face"]
_NOTHING = (0.0, 0.0, 0.0)
# Triangles weighed before they are added up: what lies between stays in cache.
_AT_ONCE = 1 << 18


@dataclass(frozen=True, eq=False)
class HighShading:
    """What is needed to shade hits on a high poly.

    positions : (V, 3) float32 or float64; triangles : (T, 3) int32; normals : (R, 3) float32 unit
    normals, or an empty array for face normals; corner : (T, 3) int32, the row of `normals` of
    every triangle corner; used : which normals these are (``file`` where some are the file's own).
    """

    positions: NDArray[np.floating[Any]]
    triangles: Ints
    normals: NDArray[np.float32]
    corner: Ints
    used: HighNormals

    def at(self, face: Ints, point: Floats) -> Floats:
        """Return (N, 3) unit outward normals at (N, 3) finite points on triangles `face`.

        Rows whose face is below 0 are zero.
        """
        return self.along(face, point, point, np.zeros(len(face)))

    def along(self, face: Ints, origin: Floats, direction: Floats, t: Floats) -> Floats:
        """Return (N, 3) unit outward normals where rays meet triangles `face` at distance t."""
        out = np.empty((len(face), 3))
        _shade(
            self.positions, self.triangles, self.normals, self.corner, face,
            np.ascontiguousarray(origin), np.ascontiguousarray(direction), t, out,
        )  # fmt: skip
        return out


def high_shading(surface: Surface, normals: HighNormals = "file") -> HighShading:
    """Prepare the normals of a high poly; one pass over its triangles.

    ``file`` falls back to ``smooth``, corner by corner, where the file gives no usable normal;
    ``area`` is smooth with the weights of the triangles' areas.
    """
    triangles = np.ascontiguousarray(surface.triangles).view(np.int32)
    if normals == "face":
        none = np.zeros((0, 3), np.float32)
        return HighShading(surface.positions, triangles, none, triangles, "face")
    own = surface.normals if normals == "file" else None
    if own is not None:
        corner = triangles if own.corner is None else own.corner
        bare = (own.rows == 0).all(axis=1)
        if not bare.any() or not bare[corner].any():
            return HighShading(surface.positions, triangles, own.rows, corner, "file")
    by_area = normals == "area"
    smooth = _smooth_normals(surface.positions, triangles, surface.triangle_part, by_area)
    if own is None:
        used: HighNormals = "area" if by_area else "smooth"
        return HighShading(surface.positions, triangles, smooth, triangles, used)
    if own.corner is None:
        rows = np.where(bare[:, None], smooth, own.rows)
        return HighShading(surface.positions, triangles, rows, triangles, "file")
    rows = np.concatenate([own.rows, smooth])
    corner = np.where(bare[corner], triangles + np.int32(len(own.rows)), corner)
    return HighShading(surface.positions, triangles, rows, corner, "file")


@njit(cache=True, nogil=True)
def _mixed(bits: np.uint64) -> np.uint64:
    """SplitMix64's finaliser (Steele, Lea, Flood 2014)."""
    bits = (bits ^ (bits >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    bits = (bits ^ (bits >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return bits ^ (bits >> np.uint64(31))


@njit(cache=True, nogil=True)
def _leaders(
    positions: NDArray[Any], triangles: NDArray[np.int32], part: NDArray[np.int32]
) -> NDArray[np.int32]:
    """Return for every vertex the first vertex of the same position and part (hash table)."""
    count = len(positions)
    vertex_part = np.full(count, -1, np.int32)
    for f in range(len(triangles)):
        for k in range(3):
            vertex_part[triangles[f, k]] = part[f]
    room = 16
    while room < 2 * count:
        room *= 2
    table = np.full(room, -1, np.int32)
    leader = np.empty(count, np.int32)
    word = np.empty(3, np.float64)
    bits = word.view(np.uint64)
    for v in range(count):
        for k in range(3):
            word[k] = positions[v, k] + 0.0
        key = np.uint64(vertex_part[v] + 1)
        for k in range(3):
            key = _mixed(key * np.uint64(0x9E3779B97F4A7C15) + bits[k])
        slot = np.int64(key & np.uint64(room - 1))
        while True:
            w = table[slot]
            if w < 0:
                table[slot] = v
                leader[v] = v
                break
            if (
                vertex_part[w] == vertex_part[v]
                and positions[w, 0] == positions[v, 0]
                and positions[w, 1] == positions[v, 1]
                and positions[w, 2] == positions[v, 2]
            ):
                leader[v] = w
                break
            slot = (slot + 1) & (room - 1)
    return leader


def _smooth_normals(
    positions: NDArray[Any], triangles: NDArray[np.int32], part: NDArray[np.int32], by_area: bool
) -> NDArray[np.float32]:
    leader = _leaders(positions, triangles, part)
    total = np.zeros((len(positions), 3), np.float32)
    room = np.empty((min(_AT_ONCE, len(triangles)), 9), np.float32)
    for a in range(0, len(triangles), _AT_ONCE):
        few = triangles[a : a + _AT_ONCE]

        def weigh(begin: int, end: int, few: NDArray[np.int32] = few) -> None:
            _weigh(positions, few[begin:end], by_area, room[begin:end])

        in_blocks(len(few), weigh)
        # Sums of float32 depend on their order, so they are added up in that of the triangles.
        _add_up(few, leader, room, total)
    in_blocks(len(total), lambda begin, end: _to_units(total[begin:end]))
    _follow_leaders(leader, total)
    return total


@njit(cache=True, nogil=True, makes_arrays=False)
def _weigh(
    positions: NDArray[Any], triangles: NDArray[np.int32], by_area: bool, out: NDArray[np.float32]
) -> None:
    """Write what every triangle adds to the normals of its corners, three by three."""
    for f in range(len(triangles)):
        a, b, c = triangles[f, 0], triangles[f, 1], triangles[f, 2]
        pa, pb, pc = row(positions, a), row(positions, b), row(positions, c)
        ab, bc, ca = minus(pb, pa), minus(pc, pb), minus(pa, pc)
        n = cross(ab, bc)
        doubled = np.sqrt(dot(n, n))
        if doubled == 0.0:
            out[f] = 0.0
            continue
        at = 0
        for before, after in ((ca, ab), (ab, bc), (bc, ca)):
            weight = doubled if by_area else np.arctan2(doubled, -dot(before, after))
            for i in range(3):
                out[f, at + i] = np.float32(weight * n[i] / doubled)
            at += 3


@njit(cache=True, nogil=True, makes_arrays=False)
def _add_up(
    triangles: NDArray[np.int32],
    leader: NDArray[np.int32],
    weighed: NDArray[np.float32],
    total: NDArray[np.float32],
) -> None:
    for f in range(len(triangles)):
        for k in range(3):
            at = leader[triangles[f, k]]
            for i in range(3):
                total[at, i] += weighed[f, 3 * k + i]


@njit(cache=True, nogil=True, makes_arrays=False)
def _to_units(total: NDArray[np.float32]) -> None:
    for v in range(len(total)):
        x, y, z = total[v, 0], total[v, 1], total[v, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if length > 0:
            total[v, 0], total[v, 1], total[v, 2] = x / length, y / length, z / length


@njit(cache=True, nogil=True, makes_arrays=False)
def _follow_leaders(leader: NDArray[np.int32], total: NDArray[np.float32]) -> None:
    for v in range(len(total)):
        at = leader[v]
        if at != v:
            total[v, 0], total[v, 1], total[v, 2] = total[at, 0], total[at, 1], total[at, 2]


@njit(cache=True, nogil=True)
def _shade(
    positions: NDArray[Any],
    triangles: NDArray[np.int32],
    normals: NDArray[np.float32],
    corner: NDArray[np.int32],
    face: Ints,
    origin: Floats,
    direction: Floats,
    t: Floats,
    out: Floats,
) -> None:
    """Write the normals where rays meet triangles `face` at distance t, strip by strip."""
    if len(normals) == 0:
        _shade_flat(positions, triangles, face, out)
        return
    origins, directions, outs = origin.reshape(-1), direction.reshape(-1), out.reshape(-1)
    strip = new_strip(6)
    for first in range(0, len(face), STRIP):
        count = min(STRIP, len(face) - first)
        _fetch(positions, triangles, normals, corner, face, first, count, strip)
        _shade_strip(
            strip, origins, directions, t, np.uint64(first), np.uint64(count), outs
        )  # fmt: skip


@njit(cache=True, nogil=True)
def _shade_flat(
    positions: NDArray[Any], triangles: NDArray[np.int32], face: Ints, out: Floats
) -> None:
    for i in range(len(face)):
        if face[i] < 0:
            store(out, i, _NOTHING)
            continue
        _, u, v = _base_and_edges(positions, triangles, face[i])
        store(out, i, _unit(cross(u, v)))


@njit(cache=True, nogil=True)
def _fetch(
    positions: NDArray[Any],
    triangles: NDArray[np.int32],
    normals: NDArray[np.float32],
    corner: NDArray[np.int32],
    face: Ints,
    first: int,
    count: int,
    strip: Floats,
) -> None:
    """Put base, two edges and three normals of each ray's triangle into a strip, 0 for a miss."""
    for k in range(count):
        f = face[first + k]
        if f < 0:
            for which in range(6):
                put_column(strip, which, k, _NOTHING)
            continue
        base, u, v = _base_and_edges(positions, triangles, f)
        put_column(strip, 0, k, base)
        put_column(strip, 1, k, u)
        put_column(strip, 2, k, v)
        put_column(strip, 3, k, row(normals, corner[f, 0]))
        put_column(strip, 4, k, row(normals, corner[f, 1]))
        put_column(strip, 5, k, row(normals, corner[f, 2]))


@njit(cache=True, nogil=True)
def _base_and_edges(
    positions: NDArray[Any], triangles: NDArray[np.int32], f: int
) -> tuple[Vector, Vector, Vector]:
    base = row(positions, triangles[f, 0])
    u = minus(row(positions, triangles[f, 1]), base)
    return base, u, minus(row(positions, triangles[f, 2]), base)


@njit(cache=True, nogil=True, error_model="numpy")
def _shade_strip(
    strip: Floats,
    origin: Floats,
    direction: Floats,
    t: Floats,
    first: int | np.uint64,
    count: int | np.uint64,
    out: Floats,
) -> None:
    """Blend the normals of a strip's triangles: a wide loop (see `vectors`)."""
    for k in range(count):
        i = first + k
        base, u, v = column(strip, 0, k), column(strip, 1, k), column(strip, 2, k)
        point = moved(flat_row(origin, i), _known(t[i]), flat_row(direction, i))
        weights = _weights(minus(point, base), u, v, cross(u, v))
        a, b, c = column(strip, 3, k), column(strip, 4, k), column(strip, 5, k)
        store_flat(out, i, _unit(blend(a, b, c, weights)))


@njit(cache=True, nogil=True, forceinline=True)
def _known(t: float) -> float:
    """Return 0 for the NaN of a miss, which the zeros of its triangle would not silence."""
    return t if t == t else 0.0


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _unit(a: Vector) -> Vector:
    square = dot(a, a)
    return scaled(a, 1.0 / np.sqrt(square) if square > 0.0 else 0.0)


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _weights(q: Vector, u: Vector, v: Vector, normal: Vector) -> Vector:
    """Return the barycentric weights of base + q on the triangle base, base + u, base + v.

    A hit lies in its triangle up to rounding; weights outside would extrapolate.
    """
    square = dot(normal, normal)
    inverse = 1.0 / square if square > 0.0 else 0.0
    b = min(max(dot(cross(q, v), normal) * inverse, 0.0), 1.0)
    c = min(max(dot(cross(u, q), normal) * inverse, 0.0), 1.0 - b)
    return 1.0 - b - c, b, c
