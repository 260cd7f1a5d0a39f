"""Normals and areas of a high poly's triangles, without copies of their corners.

A high poly has tens of millions of triangles; these loops read its positions where they are, in
float32 or float64, and reckon in float64.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Surface


def hit_normals(surface: Surface, face: Ints) -> Floats:
    """Return (M, 3) unit normals of the triangles `face` (M,); zero where one has no area."""
    out = np.empty((len(face), 3))
    _normals(surface.positions, surface.triangles, face, out)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def triangle_areas(positions: NDArray[Any], triangles: NDArray[Any], out: Floats) -> None:
    """Fill `out` (T,) with the areas of all triangles, square units."""
    for t in range(len(triangles)):
        x, y, z = _doubled_area(positions, triangles, t)
        out[t] = 0.5 * np.sqrt(x * x + y * y + z * z)


@njit(cache=True, nogil=True, makes_arrays=False)
def _normals(positions: NDArray[Any], triangles: NDArray[Any], face: Ints, out: Floats) -> None:
    for m in range(len(face)):
        out[m, 0], out[m, 1], out[m, 2] = unit_normal(positions, triangles, face[m])


@njit(cache=True, nogil=True, inline="always")
def unit_normal(
    positions: NDArray[Any], triangles: NDArray[Any], t: int
) -> tuple[float, float, float]:
    """Return the unit normal of a triangle, zero where it has no area."""
    x, y, z = _doubled_area(positions, triangles, t)
    length = np.sqrt(x * x + y * y + z * z)
    scale = 1.0 / length if length > 0.0 else 0.0
    return x * scale, y * scale, z * scale


@njit(cache=True, nogil=True, inline="always")
def _doubled_area(
    positions: NDArray[Any], triangles: NDArray[Any], t: int
) -> tuple[float, float, float]:
    """Return the cross product of two edges: along the normal, twice the area long."""
    a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
    ax = np.float64(positions[a, 0])
    ay = np.float64(positions[a, 1])
    az = np.float64(positions[a, 2])
    ux, uy, uz = positions[b, 0] - ax, positions[b, 1] - ay, positions[b, 2] - az
    vx, vy, vz = positions[c, 0] - ax, positions[c, 1] - ay, positions[c, 2] - az
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
