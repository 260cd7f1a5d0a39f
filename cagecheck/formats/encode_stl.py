"""Triangles as binary STL."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.formats.stl import FACET, HEADER_BYTES

_BLOCK = 1 << 20
_TITLE = b"binary STL"


def stl_of_triangles(
    positions: NDArray[Any], triangles: NDArray[Any]
) -> Iterator[bytes | NDArray[Any]]:
    """Yield a binary STL file. STL has no parts and no shared vertices."""
    yield _TITLE.ljust(HEADER_BYTES - 4, b" ") + np.uint32(len(triangles)).tobytes()
    for begin in range(0, len(triangles), _BLOCK):
        corners = positions[triangles[begin : begin + _BLOCK]]
        block = np.zeros(len(corners), FACET)
        block["corners"] = corners
        block["normal"] = facet_normals(corners)
        yield block


def facet_normals(corners: NDArray[Any]) -> NDArray[np.float32]:
    """Return the (n, 3) unit normals of (n, 3, 3) corners, zero where there is no area."""
    p = corners.astype(np.float64)
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    return np.divide(normal, length, out=np.zeros_like(normal), where=length > 0).astype(np.float32)
