"""Points in an order in which neighbours in space are neighbours in memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats


def coherent_order(positions: Floats) -> NDArray[np.int64]:
    """Return the order of (N, 3) points along a Morton (Z) curve; ties keep their order.

    Source of the curve: Morton, "A computer oriented geodetic data base", IBM, 1966.
    """
    if len(positions) == 0:
        return np.zeros(0, np.int64)
    low, high = positions.min(axis=0), positions.max(axis=0)
    extent = float((high - low).max()) or 1.0
    cells = ((positions - low) * ((2**21 - 1) / extent)).astype(np.uint64)
    code = _spread(cells[:, 0]) | _spread(cells[:, 1]) << np.uint64(1)
    code |= _spread(cells[:, 2]) << np.uint64(2)
    return np.argsort(code, kind="stable")


def _spread(x: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Put two zero bits between the low 21 bits."""
    for shift, mask in (
        (32, 0x1F00000000FFFF),
        (16, 0x1F0000FF0000FF),
        (8, 0x100F00F00F00F00F),
        (4, 0x10C30C30C30C30C3),
        (2, 0x1249249249249249),
    ):
        x = (x | x << np.uint64(shift)) & np.uint64(mask)
    return x
