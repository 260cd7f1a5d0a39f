"""Places of one colour where the high poly has various normals: painted over, or filled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from cagecheck.locating.compare import Fault

# Smaller places are what compression, padding and flat detail leave.
LEAST_PAINTED = 60
# Colours are told apart by 8-bit steps; what belongs must vary by more than one colour does.
STEP, VARIED = 127.5, 4 / 127.5
# Kinds that a place of one colour may have been taken for.
OPEN = (Fault.UNEXPLAINED, Fault.SKEW, Fault.NOISE, Fault.SEAM)


def painted_over(
    fault: NDArray[np.uint8], wanted: NDArray[np.float32], stored: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Tell (H, W) which faulty texels lie in a place of one colour where various ones belong.

    wanted, stored : (H, W, 3) unit normals as the map should hold them and as it does.
    """
    out = np.zeros(fault.shape, bool)
    y, x = np.nonzero(np.isin(fault, OPEN))
    if len(y) < LEAST_PAINTED:
        return out
    codes = np.rint((stored[y, x] + 1) * STEP).astype(np.int64)
    colour = (codes[:, 0] << 16) | (codes[:, 1] << 8) | codes[:, 2]
    _, kind, count = np.unique(colour, return_inverse=True, return_counts=True)
    for number in np.flatnonzero(count >= LEAST_PAINTED):
        mine = kind == number
        mask = np.zeros(fault.shape, bool)
        mask[y[mine], x[mine]] = True
        # In the smallest box around it, so that many colours of a large map cost little.
        top, left = y[mine].min(), x[mine].min()
        box = slice(top, y[mine].max() + 1), slice(left, x[mine].max() + 1)
        names, _ = label(mask[box], np.ones((3, 3), np.int8))
        size = np.bincount(names.ravel())
        size[0] = 0
        for place in np.flatnonzero(size >= LEAST_PAINTED):
            here = names == place
            if wanted[box][here].std(axis=0).max() > VARIED:
                out[box] |= here
    return out
