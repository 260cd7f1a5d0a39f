"""Turning ray directions from a cage's own towards the face's normal."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.meshes.normals import normalised

# Beyond this angle to the face normal a corner's own plane says nothing about which way is out,
# and keeping its height over it would push it away without end.
MOST_LEAN_COSINE = 0.2


def turned(directions: Floats, face_normals: Floats, share: Floats) -> Floats:
    """Return (T, 3, 3) the directions of triangle corners, turned by a share (T, 3).

    They are as long as keeps each corner's height over its own triangle: what was covered stays
    covered, to first order.

    directions : (T, 3, 3) unit; face_normals : (T, 3) unit.
    """
    s = share[:, :, None]
    mixed = (1 - s) * directions + s * face_normals[:, None, :]
    direction = normalised(mixed.reshape(-1, 3)).reshape(mixed.shape)
    height = np.einsum("tvk,tk->tv", directions, face_normals)
    lean = np.einsum("tvk,tk->tv", direction, face_normals)
    steady = (height > MOST_LEAN_COSINE) & (lean > MOST_LEAN_COSINE)
    stretch = np.where(steady, height / np.where(steady, lean, 1.0), 1.0)
    out: Floats = np.where(s > 0, stretch[:, :, None] * direction, directions)
    return out
