"""On which side of a closed part the triangles of another lie.

What does not meet the part's surface lies all inside or all outside, up to the next triangle that
does. So one point tells for a whole stretch, and only on triangles that meet it every point has to
be asked for.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.components import connected
from cagecheck.chores.clash.solids import Solid

OUTSIDE, INSIDE, UNTOLD = 0, 1, -1

Sides = NDArray[np.int8]


def triangle_sides(solid: Solid, into: Solid, meeting: NDArray[np.int64]) -> Sides:
    """Return (T,): `INSIDE`, `OUTSIDE`, or `UNTOLD` for the triangles that meet the other part.

    meeting : triangles of the first that do. Where the other is open, nothing is told.
    """
    count = len(solid.triangles)
    sides = np.full(count, UNTOLD, np.int8)
    if not into.is_closed:
        return sides
    meets = np.zeros(count, bool)
    meets[meeting] = True
    _, left, right = solid.edges.neighbours()
    left, right = left // 3, right // 3
    apart = ~(meets[left] | meets[right])
    pieces, piece = connected(count, left[apart], right[apart])
    first = np.full(pieces, count, np.int64)
    np.minimum.at(first, piece, np.arange(count))
    # A triangle that meets the other is a piece by itself, and is not asked about.
    asked = first[~meets[first]]
    inside = np.zeros(pieces, np.int8)
    inside[piece[asked]] = into.contains(solid.positions[solid.triangles[asked, 0]])
    sides[~meets] = inside[piece[~meets]]
    return sides


def corner_sides(solid: Solid, sides: Sides) -> Sides:
    """Return (V,) the side of every vertex, as far as a triangle at it tells."""
    out = np.full(len(solid.positions), UNTOLD, np.int8)
    known = sides != UNTOLD
    out[solid.triangles[known]] = sides[known, None]
    return out
