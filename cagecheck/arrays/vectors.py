"""Three-component vectors as tuples, for compiled loops.

Compiled code keeps tuples in registers, where small arrays would go through memory. Functions take
a whole array and an index, since handing over a slice counts references for every element.

Wide loops go further: the compiler works on several rows of an array at a time where it can see
which memory a loop touches. That takes `flat_row` and `store_flat` (an index that cannot count from
the end, rows of a known width), values of a triangle's corners that are fetched before the loop
(points come in runs on one triangle, see `run_end`), and functions with ``error_model="numpy"``
(a division that may raise leaves the loop) and ``forceinline=True``. Results are the same to the
last bit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.loops import njit

# Far more than cosines of unit vectors are wrong by.
COSINE_ROUNDING = 1e-9

Vector = tuple[float, float, float]
Corners = tuple[Vector, Vector, Vector]


@njit(cache=True, nogil=True, makes_arrays=False)
def row(values: NDArray[Any], i: int) -> Vector:
    """Return row `i` of an (N, 3) array in float64."""
    return np.float64(values[i, 0]), np.float64(values[i, 1]), np.float64(values[i, 2])


@njit(cache=True, nogil=True, makes_arrays=False)
def flat_row(values: Floats, i: int | np.uint64) -> Vector:
    """Return row `i` of an (N, 3) float64 array that was made flat."""
    k = np.uint64(3) * i
    return values[k], values[k + np.uint64(1)], values[k + np.uint64(2)]


@njit(cache=True, nogil=True, makes_arrays=False)
def store_flat(out: Floats, i: int | np.uint64, a: Vector) -> None:
    """Write a vector into row `i` of an (N, 3) array that was made flat."""
    k = np.uint64(3) * i
    out[k], out[k + np.uint64(1)], out[k + np.uint64(2)] = a


@njit(cache=True, nogil=True, makes_arrays=False)
def run_end(triangle: NDArray[np.int32], i: int) -> int:
    """Return where the run of equal triangles that begins at `i` ends."""
    end = i + 1
    while end < len(triangle) and triangle[end] == triangle[i]:
        end += 1
    return end


@njit(cache=True, nogil=True, makes_arrays=False)
def corners(values: NDArray[Any], f: int) -> Corners:
    """Return triangle f's three corners in a (T, 3, 3 or more) array."""
    return (
        (values[f, 0, 0], values[f, 0, 1], values[f, 0, 2]),
        (values[f, 1, 0], values[f, 1, 1], values[f, 1, 2]),
        (values[f, 2, 0], values[f, 2, 1], values[f, 2, 2]),
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
def einsum_dot(a: Vector, b: Vector) -> float:
    """Return the dot product, added up in the order in which numpy.einsum does on x86-64.

    For values that other files hold against einsum's, to the last bit.
    """
    return (a[0] * b[0] + a[2] * b[2]) + a[1] * b[1]


@njit(cache=True, nogil=True)
def unit(a: Vector) -> Vector:
    """Return a at length 1; nothing stays nothing."""
    length = np.sqrt(dot(a, a))
    return (a[0] / length, a[1] / length, a[2] / length) if length > 0.0 else (0.0, 0.0, 0.0)


@njit(cache=True, nogil=True)
def angle_degrees(a: Vector, b: Vector) -> float:
    """Return the angle between two unit vectors; 90 where one of them is nothing."""
    return np.degrees(np.arccos(min(max(einsum_dot(a, b), -1.0), 1.0)))


@njit(cache=True, nogil=True)
def cross(a: Vector, b: Vector) -> Vector:
    """Return the cross product."""
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


@njit(cache=True, nogil=True, makes_arrays=False)
def store(out: NDArray[Any], i: int, a: Vector) -> None:
    """Write a vector into row `i` of an (N, 3) array."""
    out[i, 0], out[i, 1], out[i, 2] = a
