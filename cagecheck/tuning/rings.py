"""Triangles around others: what is near enough to be changed by what they do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.meshes.lowpoly import LowPoly

Mask = NDArray[np.bool_]

# Samples this many edges around those that changed are cast with them: neighbours settle doubtful
# targets.
NEIGHBOUR_RINGS = 2


def triangles_around(low: LowPoly, triangles: Mask, rings: int) -> Mask:
    """Return (T,) bool: marked triangles and those that a corner joins to them, so many times."""
    for _ in range(rings):
        corner = np.zeros(low.position_count, bool)
        corner[low.welded[triangles]] = True
        triangles = np.asarray(corner[low.welded].any(axis=1))
    return triangles
