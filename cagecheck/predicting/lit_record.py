"""The lit model on disk, for the viewer: ``lit.npz`` of a result folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.report.lit import Lit, lit_corners


def lit_arrays(low: LowPoly, lit: Lit) -> dict[str, NDArray[Any]]:
    """Return the arrays of ``lit.npz``.

    Corners of the low poly (K rows, one for corners that are alike): ``position`` (K, 3), ``uv``
    (K, 2) in the tile, ``normal`` (K, 3), ``tangent`` (K, 4) with the sign last, all float32;
    ``triangles`` (T, 3) rows of those, ``part`` and ``tile`` (T,).
    ``size`` texels along the edge of each map; ``keys``, ``titles`` and ``words`` of the sides;
    ``first`` the two that are shown first. ``map_KEY_TILE`` holds the bytes of a lossless WebP
    file: tangent-space normals, green up, padded.
    """
    corners = lit_corners(low)
    out: dict[str, NDArray[Any]] = {
        "position": corners.position.astype(np.float32),
        "uv": corners.uv.astype(np.float32),
        "normal": corners.normal.astype(np.float32),
        "tangent": corners.tangent.astype(np.float32),
        "triangles": corners.triangles,
        "part": corners.part.astype(np.int32),
        "tile": corners.tile.astype(np.int32),
        "size": np.array(lit.size),
        "keys": np.array([side.key for side in lit.sides]),
        "titles": np.array([side.title for side in lit.sides]),
        "words": np.array([side.words for side in lit.sides]),
        "first": np.array([lit.left, lit.right]),
    }
    for side in lit.sides:
        for tile, data in (side.files or {}).items():
            out[f"map_{side.key}_{tile}"] = np.frombuffer(data, np.uint8)
    return out


def write_lit_record(low: LowPoly, lit: Lit, path: Path) -> None:
    """Write ``lit.npz`` (uncompressed)."""
    arrays: dict[str, Any] = lit_arrays(low, lit)
    with path.open("wb") as stream:
        np.savez(stream, **arrays)
