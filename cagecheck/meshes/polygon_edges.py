"""The edges of a low poly's polygons."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.meshes.lowpoly import LowPoly


def polygon_edges(low: LowPoly) -> NDArray[np.int32]:
    """Return (E, 2) int32 vertex pairs of the file's polygons, each edge once."""
    mesh = low.mesh
    following = np.arange(1, len(mesh.corner_vertex) + 1)
    sizes = np.diff(mesh.face_start)
    last = mesh.face_start[1:][sizes > 0] - 1
    following[last] = mesh.face_start[:-1][sizes > 0]
    pairs = np.stack([mesh.corner_vertex, mesh.corner_vertex[following]], axis=1)
    out: NDArray[np.int32] = np.unique(np.sort(pairs, axis=1), axis=0).astype(np.int32)
    return out
