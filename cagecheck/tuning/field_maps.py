"""Per-vertex fields as greyscale maps, one 16-bit PNG per UDIM tile, padded.

A texel's value is the field at its centre over a scale: 0 is 0, 65535 is the scale. Row 0 is the
top row, see `cagecheck.maps.texels`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from cagecheck.arrays.types import Floats
from cagecheck.maps.pad import padded
from cagecheck.maps.texels import texel_blocks
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.points import interpolate

TOP = 65535
# Islands carry their rim this far out, so that filtering and a shrunken map do not bleed.
PADDING = 16.0


def field_map(low: LowPoly, values: Floats, scale: float, tile: int, size: int) -> np.ndarray:
    """Return (size, size) uint16 of per-vertex `values` (V,) over `scale` on one tile."""
    image = np.zeros((size, size), np.uint16)
    covered = np.zeros((size, size), bool)
    column = values[:, None]
    for block in texel_blocks(low, size, tile):
        corners = low.triangles[block.points.triangle]
        value = interpolate(column, corners, block.points.barycentric)[:, 0]
        image[block.y, block.x] = np.clip(np.rint(value * (TOP / scale)), 0, TOP)
        covered[block.y, block.x] = True
    return padded(image, covered, PADDING)


def write_field_map(
    low: LowPoly, values: Floats, scale: float, tile: int, size: int, path: Path
) -> None:
    """Write one tile's map as a 16-bit greyscale PNG."""
    Image.fromarray(field_map(low, values, scale, tile, size)).save(path, format="PNG")
