"""Places of one colour where the high poly has various normals: painted over, or filled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.components import connected
from cagecheck.locating.compare import Fault

# Smaller places are what compression, padding and flat detail leave.
LEAST_PAINTED = 60
# Colours are told apart by 8-bit steps; what belongs must vary by more than one colour does.
STEP, VARIED = 127.5, 4 / 127.5
# Kinds that a place of one colour may have been taken for.
OPEN = (Fault.UNEXPLAINED, Fault.SKEW, Fault.NOISE, Fault.SEAM)


# The neighbours of a texel that come after it, row by row: (down, right).
LATER = ((0, 1), (1, -1), (1, 0), (1, 1))


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
    count, place = _places(fault.shape, y, x, stored[y, x])
    here = wanted[y, x].astype(np.float64)
    size = np.bincount(place, minlength=count)
    mean = [np.bincount(place, here[:, k], count) / size for k in range(3)]
    spread = [
        np.sqrt(np.bincount(place, (here[:, k] - mean[k][place]) ** 2, count) / size)
        for k in range(3)
    ]
    painted = (size >= LEAST_PAINTED) & (np.max(spread, axis=0) > VARIED)
    out[y, x] = painted[place]
    return out


def _places(
    shape: tuple[int, ...], y: NDArray[np.intp], x: NDArray[np.intp], stored: NDArray[np.float32]
) -> tuple[int, NDArray[np.int32]]:
    """Return how many places of one colour some texels fall into, and (N,) the place of each.

    y, x : (N,) the texels, row by row; stored : (N, 3) their unit normals.
    """
    codes = np.rint((stored + 1) * STEP).astype(np.int32)
    colour = (codes[:, 0] << 16) | (codes[:, 1] << 8) | codes[:, 2]
    # Which of them a texel is, with a rim that is none.
    row = np.full((shape[0] + 2, shape[1] + 2), -1, np.int32)
    row[y + 1, x + 1] = np.arange(len(y))
    links = []
    for down, right in LATER:
        other = row[y + 1 + down, x + 1 + right]
        alike = np.flatnonzero((other >= 0) & (colour[other] == colour))
        links.append((alike, other[alike]))
    first, second = (np.concatenate(side) for side in zip(*links, strict=True))
    return connected(len(y), first, second)
