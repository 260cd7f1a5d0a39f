"""How far do islands bleed into the empty texels around them?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.maps.pad import nearest_covered

# An empty texel is bare when it shows the background although the island's border does not, by
# more than this (shares of the channel's range): 10 of 255.
VISIBLE_STEP = 10 / 255
# Padding is too thin when more than this share of the texels that need it is bare.
BARE_SHARE = 0.2


@dataclass(frozen=True, eq=False)
class Padding:
    """The padding of one tile.

    needed : texels; width : texels that are reached all round, at most `needed`; bare : (H, W) bool
    empty texels within `needed` that show the background; starved : (K,) int64 ascending flat
    indices of island texels beside bare ones, missing : (K,) int64 how many each; background : (3,)
    the background's value.
    """

    needed: int
    width: float
    bare: NDArray[np.bool_]
    starved: NDArray[np.int64]
    missing: NDArray[np.int64]
    background: NDArray[np.float32]

    @property
    def too_thin(self) -> bool:
        """Tell whether the padding falls short of what is needed."""
        return self.width < self.needed


def check_padding(
    values: NDArray[np.float32], covered: NDArray[np.bool_], needed: int, threads: int = 1
) -> Padding:
    """Measure the padding of a map (H, W, 3, values from 0 to 1) around the covered texels."""
    nearest = nearest_covered(covered, needed, threads)
    background = background_of(values, covered)
    ring = (nearest >= 0) & ~covered
    y, x = np.nonzero(ring)
    source = nearest[y, x]
    border = values.reshape(-1, 3)[source]
    stands_out = np.abs(border - background).max(axis=1) > VISIBLE_STEP
    # Padding that was blurred into the background counts as what it is nearer to.
    to_background = np.abs(values[y, x] - background).max(axis=1)
    shows_background = to_background < np.abs(values[y, x] - border).max(axis=1)
    bare = np.zeros(covered.shape, bool)
    bare[y, x] = stands_out & shows_background
    distance = np.hypot(y - source // covered.shape[1], x - source % covered.shape[1])
    width = 0.0
    for texels in range(1, needed + 1):
        here = stands_out & (distance > texels - 1) & (distance <= texels)
        if here.any() and np.mean(shows_background[here]) > BARE_SHARE:
            break
        width = float(texels)
    starved, missing = np.unique(nearest[bare].astype(np.int64), return_counts=True)
    return Padding(needed, width, bare, starved, missing, background)


def background_of(values: NDArray[np.float32], covered: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the commonest value of the empty texels (a flat normal where there are none)."""
    empty = values[~covered]
    if len(empty) == 0:
        return np.array([128 / 255, 128 / 255, 1.0], np.float32)
    coarse = np.rint(empty * 255).astype(np.int64)
    key = (coarse[:, 0] << 16) | (coarse[:, 1] << 8) | coarse[:, 2]
    kinds, count = np.unique(key, return_counts=True)
    winner = key == kinds[np.argmax(count)]
    return np.median(empty[winner], axis=0).astype(np.float32)
