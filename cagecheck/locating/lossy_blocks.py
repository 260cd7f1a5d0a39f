"""Was a map compressed with loss? Such formats work in square blocks, each rounded by itself.

What the map differs by then jumps at the borders of blocks, every 8 texels (ITU-T T.81, the JPEG
standard, A.1.3) or every 4 (block formats of graphics hardware), and nowhere else by as much. What
a bake does wrong knows nothing of such a grid.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.locating.compare import WIDEST_TOLERANCE_DEGREES, TileView, is_known
from cagecheck.locating.conventions import ROUNDING_DEGREES, ConventionFault

BLOCK_SIZES = (8, 4)
# Larger maps than so many texels across are thinned to that where their median is taken.
THINNED = 1024
# Jumps at borders must be this many times those within blocks, along rows and along columns.
LEAST_RATIO = 1.2
# With so many pairs of texels at borders their mean is known to a few percent.
LEAST_PAIRS = 1000
# Differences this large are defects, whose borders lie anywhere.
MOST_DIFFERENCE = 2 * np.sin(np.radians(WIDEST_TOLERANCE_DEGREES) / 2)
# Losses scatter about as normal errors do: of those few are over four times the median.
TOLERANCE_MEDIANS = 4.0


def block_fault(view: TileView) -> tuple[ConventionFault, float] | None:
    """Return the fault of a map compressed in blocks and the tolerance (degrees) it asks; or None.

    The grid begins at the picture's corner; a turned picture of whole blocks has the same.
    """
    # A thousand texels across tell as much as all how far the map is off.
    thin = slice(None, None, max(view.size // THINNED, 1))
    some = view.angle[thin, thin]
    with np.errstate(invalid="ignore"):
        some = some[some < WIDEST_TOLERANCE_DEGREES]
    if len(some) == 0 or np.median(some) <= ROUNDING_DEGREES:
        return None
    known = (view.triangle >= 0) & is_known(view.expected)
    off = view.shown - view.expected
    known &= np.einsum("...i,...i->...", off, off) < MOST_DIFFERENCE**2
    if not known.any():
        return None
    median = float(np.nanmedian(view.angle[known]))
    for size in BLOCK_SIZES:
        if view.size % size == 0:
            ratios = [block_ratio(off, known, size), _down(off, known, size)]
            if min(ratios) >= LEAST_RATIO:
                fault = ConventionFault(
                    "lossy-blocks",
                    f"blocks of {size} x {size} texels show: the map was compressed with loss",
                    "save the map without loss (PNG, TIFF, TGA or EXR), or less compressed",
                )
                return fault, min(TOLERANCE_MEDIANS * median, WIDEST_TOLERANCE_DEGREES)
    return None


def block_ratio(off: NDArray[np.float32], known: NDArray[np.bool_], size: int) -> float:
    """Return how many times larger jumps along rows are at borders of blocks than within them.

    off : (H, W, 3) what the map differs by; known : (H, W) bool, where that means something. 0
    where too few texels tell.
    """
    both = known[:, 1:] & known[:, :-1]
    jump = np.linalg.norm(off[:, 1:] - off[:, :-1], axis=2) * both
    phase = np.arange(1, known.shape[1]) % size
    count = np.bincount(phase, both.sum(axis=0), minlength=size)
    total = np.bincount(phase, jump.sum(axis=0), minlength=size)
    if count[0] < LEAST_PAIRS or count[1:].sum() == 0 or total[1:].sum() == 0:
        return 0.0
    within = total[1:].sum() / count[1:].sum()
    mean = total / np.maximum(count, 1)
    return float(mean[0] / within) if mean[0] > mean[1:].max() else 0.0


def _down(off: NDArray[np.float32], known: NDArray[np.bool_], size: int) -> float:
    return block_ratio(np.swapaxes(off, 0, 1), known.T, size)
