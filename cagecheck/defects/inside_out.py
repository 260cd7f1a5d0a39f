"""Which way the faces of a piece look: out of what they enclose, or into it."""

from __future__ import annotations

from enum import Enum

import numpy as np

from cagecheck.arrays.types import Floats

# The area vectors of a closed surface add up to nothing (divergence theorem), those of a flat sheet
# to its whole area. Up to this share of the area a piece counts as enclosing something: a body with
# openings for neck and wrists does, a bowl or a strap does not (common practice, no source).
MOST_OPEN = 0.25
# A ball encloses 0.094 of its area to the power 3/2. Below this share of that nothing is enclosed:
# sheets laid back to back, and rounding.
LEAST_ENCLOSED = 1e-4
_BALL = 1 / (6 * np.sqrt(np.pi))


class Facing(Enum):
    """Which way a piece's faces look."""

    OUTWARD = 1
    INWARD = -1
    UNCLEAR = 0


def facing_of(corners: Floats) -> Facing:
    """Return which way triangles (T, 3, 3) look, by the sign of the volume that they enclose.

    Unclear where they hardly enclose anything. The volume is that of the cones from their middle
    to each triangle; with area vectors that cancel it hardly depends on where that middle lies.
    """
    if len(corners) == 0:
        return Facing.UNCLEAR
    vector = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(vector, axis=1)
    whole = float(area.sum())
    if not whole > 0 or np.linalg.norm(vector.sum(axis=0)) > MOST_OPEN * whole:
        return Facing.UNCLEAR
    centres = corners.mean(axis=1)
    middle = (area[:, None] * centres).sum(axis=0) / whole
    volume = float(np.einsum("ij,ij->", centres - middle, vector)) / 3
    if abs(volume) < LEAST_ENCLOSED * _BALL * whole**1.5:
        return Facing.UNCLEAR
    return Facing.OUTWARD if volume > 0 else Facing.INWARD
