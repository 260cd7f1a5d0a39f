"""The smallest boxes around what is chosen of a picture, so that not all of it is gone over."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

Box = tuple[slice, slice]
# Beside and across the corners.
SQUARE = np.ones((3, 3), bool)


def box_around(mask: NDArray[np.bool_], margin: int) -> Box:
    """Return the smallest box around the chosen texels with a margin; an empty one around none."""
    rows, columns = (np.flatnonzero(mask.any(axis=axis)) for axis in (1, 0))
    if len(rows) == 0:
        return slice(0, 0), slice(0, 0)
    return (
        slice(max(int(rows[0]) - margin, 0), int(rows[-1]) + margin + 1),
        slice(max(int(columns[0]) - margin, 0), int(columns[-1]) + margin + 1),
    )


def dilated(
    mask: NDArray[np.bool_], steps: int, structure: NDArray[np.bool_] | None = None
) -> NDArray[np.bool_]:
    """Return what `scipy.ndimage.binary_dilation` does, looking no farther than it reaches."""
    out = np.zeros(mask.shape, bool)
    box = box_around(mask, steps)
    if mask[box].size:
        out[box] = binary_dilation(mask[box], structure, iterations=steps)
    return out
