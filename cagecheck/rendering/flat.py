"""Surface in colours of its own, lit flat as the model of the report page is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.normals import normalised
from cagecheck.rendering.view import Sight

# From the eye, a little aside and above, and how bright the darkest side is.
TO_LIGHT, LEAST_LIGHT = (0.25, 0.4, 1.0), 0.5


def flat_lit(
    sight: Sight, normals: Floats, colours: Floats, paper: tuple[int, int, int]
) -> NDArray[np.uint8]:
    """Return what a view sees, (H, W, 3) uint8.

    normals : (T, 3) of the triangles, of any length; colours : (T, 3) sRGB levels of the triangles,
    or (T, 3, 3) of their corners; paper : what lies behind the model.
    """
    view, across = sight.view, sight.across
    own = colours[sight.triangle]
    if own.ndim == 3:
        own = np.einsum("nk,nkc->nc", sight.barycentric, own)
    fine = np.full((view.height * across * view.width * across, 3), paper, np.float64)
    fine[sight.ray] = own * _light(sight, normals)[:, None]
    blocks = fine.reshape(view.height, across, view.width, across, 3)
    out: NDArray[np.uint8] = np.floor(blocks.mean(axis=(1, 3)) + 0.5).astype(np.uint8)
    return out


def _light(sight: Sight, normals: Floats) -> Floats:
    """Return (N,) how bright each ray's triangle is, whichever side is seen."""
    normal = normalised(normals[sight.triangle]) @ sight.view.axes().T
    toward = np.array(TO_LIGHT) / np.linalg.norm(TO_LIGHT)
    cosine = np.where(sight.behind, -1.0, 1.0) * (normal @ toward)
    out: Floats = LEAST_LIGHT + (1 - LEAST_LIGHT) * np.maximum(cosine, 0.0)
    return out
