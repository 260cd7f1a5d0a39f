"""Three-component vectors as tuples, for compiled loops.

Compiled code keeps tuples in registers, where small arrays would go through memory. Functions take
a whole array and an index, since handing over a slice counts references for every element.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

Vector = tuple[float, float, float]


@njit(cache=True, nogil=True)
def row(values: NDArray[Any], i: int) -> Vector:
    """Return row `i` of an (N, 3) array in float64."""
    return np.float64(values[i, 0]), np.float64(values[i, 1]), np.float64(values[i, 2])


@njit(cache=True, nogil=True)
def mix_corners(values: NDArray[Any], f: int, weights: Vector) -> Vector:
    """Return the weighted sum of triangle f's three corners in a (T, 3, 3 or more) array."""
    a, b, c = weights
    return (
        a * values[f, 0, 0] + b * values[f, 1, 0] + c * values[f, 2, 0],
        a * values[f, 0, 1] + b * values[f, 1, 1] + c * values[f, 2, 1],
        a * values[f, 0, 2] + b * values[f, 1, 2] + c * values[f, 2, 2],
    )


@njit(cache=True, nogil=True)
def blend(a: Vector, b: Vector, c: Vector, weights: Vector) -> Vector:
    """Return the weighted sum of three vectors."""
    wa, wb, wc = weights
    return (
        wa * a[0] + wb * b[0] + wc * c[0],
        wa * a[1] + wb * b[1] + wc * c[1],
        wa * a[2] + wb * b[2] + wc * c[2],
    )


@njit(cache=True, nogil=True)
def minus(a: Vector, b: Vector) -> Vector:
    """Return a - b."""
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


@njit(cache=True, nogil=True)
def moved(a: Vector, t: float, b: Vector) -> Vector:
    """Return a + t b."""
    return a[0] + t * b[0], a[1] + t * b[1], a[2] + t * b[2]


@njit(cache=True, nogil=True)
def scaled(a: Vector, factor: float) -> Vector:
    """Return factor a."""
    return factor * a[0], factor * a[1], factor * a[2]


@njit(cache=True, nogil=True)
def dot(a: Vector, b: Vector) -> float:
    """Return the dot product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@njit(cache=True, nogil=True)
def cross(a: Vector, b: Vector) -> Vector:
    """Return the cross product."""
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


@njit(cache=True, nogil=True)
def store(out: NDArray[Any], i: int, a: Vector) -> None:
    """Write a vector into row `i` of an (N, 3) array."""
    out[i, 0], out[i, 1], out[i, 2] = a
