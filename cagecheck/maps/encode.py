"""Normals in and out of tangent space, and in and out of the numbers of a map.

The frame at a point has the interpolated corner tangent T and normal N, not made unit length
again, and the bitangent ``B = sign * cross(N, T)``; a renderer shades with
``normalize(x T + y B + z N)`` (Mikkelsen 2008; see `cagecheck.maps.tangent`). Encoding is the exact
inverse of that. `BasisRule` names the other habits that maps are met with.

A component n in [-1, 1] becomes ``floor(127.5 (n + 1) + 0.5)`` in 8 bits and
``floor(32767.5 (n + 1) + 0.5)`` in 16, so a flat surface is (128, 128, 255) and
(32768, 32768, 65535). Maps in floating point hold ``(n + 1) / 2``. Reading takes 0 as -1 and the
largest value as +1 (glTF 2.0, 3.9.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import (
    Corners,
    Vector,
    blend,
    corners,
    cross,
    dot,
    flat_row,
    run_end,
    scaled,
    store_flat,
)
from cagecheck.loops import njit
from cagecheck.maps.tangent import TangentRule, corner_tangents
from cagecheck.meshes.lowpoly import LowPoly

Bits = Literal[8, 16, 32]
Green = Literal["up", "down"]
# For compiled loops: half of a map's largest number (0 for floating point), and the sign of green.
Code = tuple[float, float]

# A frame whose volume, against that of its edges at right angles, is all rounding has no inverse
# worth the name.
SMALLEST_VOLUME = 1e-9


@dataclass(frozen=True)
class BasisRule:
    """How the tangent frame at a point comes about.

    tangents : where corner tangents come from (see `corner_tangents`).
    bitangent : ``texel`` crosses the interpolated normal and tangent at every texel, ``corner``
        interpolates the corners' bitangents.
    unit : make N unit length and T perpendicular to it at every texel before use.
    """

    tangents: TangentRule = "mikktspace"
    bitangent: Literal["texel", "corner"] = "texel"
    unit: bool = False

    def describe(self) -> str:
        """Say the rule in words."""
        source = {
            "mikktspace": "MikkTSpace tangents",
            "averaged": "averaged tangents",
            "face": "one tangent per triangle",
        }[self.tangents]
        frame = {"texel": "bitangent per texel", "corner": "bitangent per corner"}[self.bitangent]
        return f"{source}, {frame}" + (", frames made orthonormal" if self.unit else "")


@dataclass(frozen=True)
class NormalNumbers:
    """The whole numbers that stand for normals in a map.

    bits : 8 or 16; green : where the second component points, ``down`` for its negative.
    """

    bits: Literal[8, 16] = 8
    green: Green = "up"

    @property
    def dtype(self) -> type[np.uint8] | type[np.uint16]:
        """The type of the map's values."""
        return np.uint8 if self.bits == 8 else np.uint16

    @property
    def code(self) -> Code:
        """What `coded` needs, and what green is multiplied by."""
        return (2**self.bits - 1) / 2, -1.0 if self.green == "down" else 1.0


@dataclass(frozen=True, eq=False)
class TangentBasis:
    """The tangent frames of a low poly, ready for use at points on its triangles.

    normals : (T, 3, 3); tangents : (T, 3, 4) with the sign last; rule : how frames are made.
    """

    normals: Floats
    tangents: Floats
    rule: BasisRule

    def encode(self, triangle: Ints, barycentric: Floats, normals: Floats) -> Floats:
        """Return (N, 3) unit tangent-space normals of (N, 3) world normals.

        A frame that has collapsed gives (0, 0, 1); a zero normal stays zero.
        """
        out = np.empty((len(triangle), 3))
        _encode(*self._arrays(), triangle, _rows(barycentric), _rows(normals), out)
        return out

    def decode(self, triangle: Ints, barycentric: Floats, normals: Floats) -> Floats:
        """Return (N, 3) unit world normals of (N, 3) tangent-space normals."""
        out = np.empty((len(triangle), 3))
        _decode(*self._arrays(), triangle, barycentric, _rows(normals), out)
        return out

    def _arrays(self) -> tuple[Floats, Floats, bool, bool]:
        return self.normals, self.tangents, self.rule.bitangent == "corner", self.rule.unit


def tangent_basis(low: LowPoly, rule: BasisRule | None = None) -> TangentBasis:
    """Return the frames of a low poly with UVs."""
    rule = rule or BasisRule()
    return TangentBasis(
        np.ascontiguousarray(low.shading_normals),
        np.ascontiguousarray(corner_tangents(low, rule.tangents)),
        rule,
    )


def quantised(normals: NDArray[Any], bits: Bits = 8) -> NDArray[Any]:
    """Return uint8, uint16 or float32 map values of normal components (see the module)."""
    if bits == 32:
        return (np.asarray(normals, np.float32) + np.float32(1)) / np.float32(2)
    top = 255 if bits == 8 else 65535
    value = np.floor((np.asarray(normals) + 1.0) * (top / 2) + 0.5)
    kind = np.uint8 if bits == 8 else np.uint16
    return np.clip(value, 0, top).astype(kind)


@njit(cache=True, nogil=True, forceinline=True)
def coded(component: float, half: float) -> np.int32:
    """Return the map value of one component: `quantised` of its float32, digit for digit.

    half : half of the map's largest number.
    """
    value = (np.float32(component) + np.float32(1)) * np.float32(half) + np.float32(0.5)
    return np.int32(min(max(value, np.float32(0)), np.float32(2 * half)))


def unquantised(values: NDArray[Any]) -> Floats:
    """Return the components in [-1, 1] of uint8 or uint16 map values; floats in [0, 1] too."""
    kind = np.asarray(values).dtype
    top = np.iinfo(kind).max if np.issubdtype(kind, np.integer) else 1
    return np.asarray(values, np.float64) * (2.0 / top) - 1.0


def _rows(vectors: Floats) -> Floats:
    return np.ascontiguousarray(vectors, np.float64)


@njit(cache=True, nogil=True)
def _frame(
    normals: Floats,
    tangents: Floats,
    per_corner: bool,
    unit: bool,
    f: int,
    w: Floats,
    frame: Floats,
) -> None:
    """Write T, B and N at a point into the rows of `frame`."""
    sign = 0.0
    for i in range(3):
        frame[0, i] = frame[1, i] = frame[2, i] = 0.0
    for k in range(3):
        sign += w[k] * tangents[f, k, 3]
        for i in range(3):
            frame[0, i] += w[k] * tangents[f, k, i]
            frame[2, i] += w[k] * normals[f, k, i]
    if unit:
        _orthonormalise(frame)
    turn = 1.0 if sign >= 0.0 else -1.0
    if not per_corner:
        _cross(frame[2], frame[0], turn, frame[1])
        return
    for k in range(3):
        n, t = normals[f, k], tangents[f, k]
        weight = w[k] * t[3]
        frame[1, 0] += weight * (n[1] * t[2] - n[2] * t[1])
        frame[1, 1] += weight * (n[2] * t[0] - n[0] * t[2])
        frame[1, 2] += weight * (n[0] * t[1] - n[1] * t[0])


@njit(cache=True, nogil=True)
def _cross(a: Floats, b: Floats, factor: float, out: Floats) -> None:
    out[0] = factor * (a[1] * b[2] - a[2] * b[1])
    out[1] = factor * (a[2] * b[0] - a[0] * b[2])
    out[2] = factor * (a[0] * b[1] - a[1] * b[0])


@njit(cache=True, nogil=True)
def _dot(a: Floats, b: Floats) -> float:
    return float(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


@njit(cache=True, nogil=True)
def _orthonormalise(frame: Floats) -> None:
    length = np.sqrt(_dot(frame[2], frame[2]))
    if length > 0:
        for i in range(3):
            frame[2, i] /= length
    along = _dot(frame[0], frame[2])
    for i in range(3):
        frame[0, i] -= along * frame[2, i]
    length = np.sqrt(_dot(frame[0], frame[0]))
    if length > 0:
        for i in range(3):
            frame[0, i] /= length


@njit(cache=True, nogil=True)
def _into(frame: Floats, normal: Floats, out: Floats) -> None:
    """Solve ``x T + y B + z N`` parallel to `normal` (Cramer's rule), unit length."""
    t, b, n = frame[0], frame[1], frame[2]
    det = (
        t[0] * (b[1] * n[2] - b[2] * n[1])
        + t[1] * (b[2] * n[0] - b[0] * n[2])
        + t[2] * (b[0] * n[1] - b[1] * n[0])
    )
    size = np.sqrt(_dot(t, t) * _dot(b, b) * _dot(n, n))
    if abs(det) <= SMALLEST_VOLUME * size or size == 0.0:
        flat = 1.0 if _dot(normal, normal) > 0 else 0.0
        out[0], out[1], out[2] = 0.0, 0.0, flat
        return
    turn = 1.0 if det > 0 else -1.0
    x = normal[0] * (b[1] * n[2] - b[2] * n[1])
    x += normal[1] * (b[2] * n[0] - b[0] * n[2])
    x += normal[2] * (b[0] * n[1] - b[1] * n[0])
    y = normal[0] * (n[1] * t[2] - n[2] * t[1])
    y += normal[1] * (n[2] * t[0] - n[0] * t[2])
    y += normal[2] * (n[0] * t[1] - n[1] * t[0])
    z = normal[0] * (t[1] * b[2] - t[2] * b[1])
    z += normal[1] * (t[2] * b[0] - t[0] * b[2])
    z += normal[2] * (t[0] * b[1] - t[1] * b[0])
    length = np.sqrt(x * x + y * y + z * z)
    scale = turn / length if length > 0 else 0.0
    out[0], out[1], out[2] = x * scale, y * scale, z * scale


@njit(cache=True, nogil=True)
def _encode(
    normals: Floats,
    tangents: Floats,
    per_corner: bool,
    unit: bool,
    triangle: Ints,
    barycentric: Floats,
    world: Floats,
    out: Floats,
) -> None:
    if per_corner or unit:
        frame = np.empty((3, 3))
        for i in range(len(triangle)):
            _frame(normals, tangents, per_corner, unit, triangle[i], barycentric[i], frame)
            _into(frame, world[i], out[i])
        return
    weights, worlds, outs = barycentric.reshape(-1), world.reshape(-1), out.reshape(-1)
    first = 0
    while first < len(triangle):
        end, f = run_end(triangle, first), triangle[first]
        t, n = corners(tangents, f), corners(normals, f)
        signs = (tangents[f, 0, 3], tangents[f, 1, 3], tangents[f, 2, 3])
        _encode_run(t, n, signs, weights, worlds, outs, np.uint64(first), np.uint64(end))
        first = end


@njit(cache=True, nogil=True)
def _encode_run(
    tangents: Corners,
    normals: Corners,
    signs: Vector,
    barycentric: Floats,
    world: Floats,
    out: Floats,
    first: int | np.uint64,
    end: int | np.uint64,
) -> None:
    """Encode points of one triangle in the standard frame: a wide loop (see `vectors`)."""
    for i in range(first, end):
        w = flat_row(barycentric, i)
        t, n = blend(*tangents, w), blend(*normals, w)
        store_flat(out, i, _into_standard(t, n, dot(w, signs), flat_row(world, i)))


@njit(cache=True, nogil=True, error_model="numpy", forceinline=True)
def _into_standard(t: Vector, n: Vector, sign: float, world: Vector) -> Vector:
    """Return the unit coordinates of a world normal in the standard frame ``[T B N]``.

    With ``B = s cross(N, T)`` the inverse needs no determinant beyond ``|cross(N, T)|^2``: along
    B project, in the plane of N and T solve with their Gram matrix.
    """
    b = cross(n, t)
    square, tt, nn, tn = dot(b, b), dot(t, t), dot(n, n), dot(t, n)
    if square <= SMALLEST_VOLUME * np.sqrt(tt * nn * square):
        return 0.0, 0.0, 1.0 if dot(world, world) > 0.0 else 0.0
    wt, wn, wb = dot(world, t), dot(world, n), dot(world, b)
    local = (nn * wt - tn * wn, wb if sign >= 0.0 else -wb, tt * wn - tn * wt)
    length = np.sqrt(dot(local, local))
    return scaled(local, 1.0 / length if length > 0.0 else 0.0)


@njit(cache=True, nogil=True)
def _decode(
    normals: Floats,
    tangents: Floats,
    per_corner: bool,
    unit: bool,
    triangle: Ints,
    barycentric: Floats,
    local: Floats,
    out: Floats,
) -> None:
    frame = np.empty((3, 3))
    for i in range(len(triangle)):
        _frame(normals, tangents, per_corner, unit, triangle[i], barycentric[i], frame)
        total = 0.0
        for k in range(3):
            v = local[i, 0] * frame[0, k] + local[i, 1] * frame[1, k] + local[i, 2] * frame[2, k]
            out[i, k] = v
            total += v * v
        if total > 0.0:
            scale = 1.0 / np.sqrt(total)
            for k in range(3):
                out[i, k] *= scale
