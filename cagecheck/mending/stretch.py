"""How much a move stretches or squeezes the faces of a cloth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats


def stretch_of(triangles: NDArray[np.int64], before: Floats, after: Floats) -> Floats:
    """Return (T,) the largest change of length in any direction of a face, as a share of it.

    0.1 is a tenth longer, -0.1 a tenth shorter; of the two the larger counts. Lengths of a face
    change between the singular values of its own map (Sander, Snyder, Gortler, Hoppe, "Texture
    Mapping Progressive Meshes", SIGGRAPH 2001, section 3).
    """
    old, new = before[triangles], after[triangles]
    e, f = old[:, 1] - old[:, 0], old[:, 2] - old[:, 0]
    length = np.linalg.norm(e, axis=1)
    safe = np.where(length > 0, length, 1.0)
    along = np.einsum("ij,ij->i", e, f) / safe
    height = np.linalg.norm(np.cross(e, f), axis=1) / safe
    usable = (length > 0) & (height > 1e-6 * length)
    height = np.where(usable, height, 1.0)
    u = (new[:, 1] - new[:, 0]) / safe[:, None]
    v = (new[:, 2] - new[:, 0] - along[:, None] * u) / height[:, None]
    a, b, c = (np.einsum("ij,ij->i", x, y) for x, y in ((u, u), (u, v), (v, v)))
    root = np.sqrt(np.maximum((a - c) ** 2 + 4 * b**2, 0.0))
    most = np.sqrt(np.maximum((a + c + root) / 2, 0.0)) - 1
    least = np.sqrt(np.maximum((a + c - root) / 2, 0.0)) - 1
    out = np.where(most >= -least, most, least)
    # A face that did not move is not stretched, whatever its shape.
    still = (old == new).all(axis=(1, 2))
    return np.where(usable & ~still, out, 0.0)


def per_place(triangles: NDArray[np.int64], values: Floats, count: int) -> Floats:
    """Return (count,) of each place the value of its faces that is largest in size."""
    out = np.zeros(count)
    order = np.argsort(np.abs(values), kind="stable")
    for k in range(3):
        corner = triangles[order, k]
        current = np.zeros(count)
        current[corner] = values[order]
        out = np.where(np.abs(current) > np.abs(out), current, out)
    return out
