"""On which side of a plane a point lies, without rounding errors.

The sign of a determinant of differences is that of its rounded value wherever this is larger than
a bound on the rounding; elsewhere the determinant is summed exactly, as a list of floats that do
not overlap (Shewchuk, "Adaptive Precision Floating-Point Arithmetic and Fast Robust Geometric
Predicates", Discrete & Computational Geometry 18(3), 1997: two-sum, two-product, grow-expansion and
the bound for orient3d). Right for all coordinates whose products neither over- nor underflow.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from cagecheck.arrays.vectors import Vector
from cagecheck.loops import njit

_EPSILON = float(np.finfo(np.float64).eps) / 2
_BOUND = (7.0 + 56.0 * _EPSILON) * _EPSILON
# Dekker's splitter for 53 bits.
_SPLITTER = float(2**27 + 1)
# Six triple products of differences, each of two floats: 6 * 2**3 products, each of 4 floats.
_MOST_TERMS = 192


@njit(cache=True, nogil=True)
def side(a: Vector, b: Vector, c: Vector, d: Vector) -> int:
    """Return 1, 0 or -1: the sign of (a - d) x (b - d) . (c - d).

    1 where d lies on the side from which the triangle (a, b, c) turns clockwise.
    """
    ax, ay, az = a[0] - d[0], a[1] - d[1], a[2] - d[2]
    bx, by, bz = b[0] - d[0], b[1] - d[1], b[2] - d[2]
    cx, cy, cz = c[0] - d[0], c[1] - d[1], c[2] - d[2]
    bc, cb = bx * cy, cx * by
    ca, ac = cx * ay, ax * cy
    ab, ba = ax * by, bx * ay
    value = az * (bc - cb) + bz * (ca - ac) + cz * (ab - ba)
    most = (
        (abs(bc) + abs(cb)) * abs(az)
        + (abs(ca) + abs(ac)) * abs(bz)
        + (abs(ab) + abs(ba)) * abs(cz)
    )
    if value > _BOUND * most:
        return 1
    if -value > _BOUND * most:
        return -1
    if most == 0.0:
        return 0
    return _exact_side(a, b, c, d)


@njit(cache=True, nogil=True)
def _exact_side(a: Vector, b: Vector, c: Vector, d: Vector) -> int:
    # Differences as pairs of floats: rows a, b, c; columns x, y, z.
    pair = np.empty((3, 3, 2))
    for k in range(3):
        pair[0, k, 0], pair[0, k, 1] = _two_sum(a[k], -d[k])
        pair[1, k, 0], pair[1, k, 1] = _two_sum(b[k], -d[k])
        pair[2, k, 0], pair[2, k, 1] = _two_sum(c[k], -d[k])
    parts = np.empty(_MOST_TERMS)
    count = 0
    for k in range(3):
        one, other = (k + 1) % 3, (k + 2) % 3
        count = _add_products(parts, count, pair[0, k], pair[1, one], pair[2, other], 1.0)
        count = _add_products(parts, count, pair[0, k], pair[1, other], pair[2, one], -1.0)
    if count == 0:
        return 0
    return 1 if parts[count - 1] > 0.0 else -1


@njit(cache=True, nogil=True)
def _add_products(parts: Any, count: int, x: Any, y: Any, z: Any, sign: float) -> int:
    for i in range(2):
        for j in range(2):
            high, low = _two_product(x[i], y[j])
            for k in range(2):
                for factor in (high, low):
                    if factor != 0.0 and z[k] != 0.0:
                        large, small = _two_product(factor, sign * z[k])
                        count = _grow(parts, count, small)
                        count = _grow(parts, count, large)
    return count


@njit(cache=True, nogil=True)
def _grow(parts: Any, count: int, value: float) -> int:
    """Add a float to an ascending list of floats that do not overlap; zeros are left out."""
    kept = 0
    for i in range(count):
        value, rest = _two_sum(value, parts[i])
        if rest != 0.0:
            parts[kept] = rest
            kept += 1
    if value != 0.0:
        parts[kept] = value
        kept += 1
    return kept


@njit(cache=True, nogil=True)
def _two_sum(a: float, b: float) -> Any:
    total = a + b
    part = total - a
    return total, (a - (total - part)) + (b - part)


@njit(cache=True, nogil=True)
def _two_product(a: float, b: float) -> Any:
    product = a * b
    wide = _SPLITTER * a
    a_high = wide - (wide - a)
    a_low = a - a_high
    wide = _SPLITTER * b
    b_high = wide - (wide - b)
    b_low = b - b_high
    rest = product - a_high * b_high - a_low * b_high - a_high * b_low
    return product, a_low * b_low - rest
