"""Was a map enlarged from a smaller one, or blurred?

The expected picture is shrunk and enlarged again; where that changes it most, a map that was
enlarged lies nearer to the enlarged picture than to the sharp one. A supersampled bake does not:
a box of one texel is a tenth as wide as what halving and doubling does.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter

from cagecheck.locating.compare import Fault, TileView, is_known
from cagecheck.locating.conventions import ROUNDING_DEGREES, ConventionFault
from cagecheck.locating.enlarging import block_means, enlarged_at, softened
from cagecheck.meshes.normals import normalised
from cagecheck.words.numbers import decimals

# Times by which a map may have been enlarged.
FACTORS = (2, 4, 8)
# Only texels with the strongest change by enlarging are asked, and only when that change is well
# above what 8-bit rounding hides.
ASKED_SHARE, MOST_ASKED = 0.1, 30_000
LEAST_CHANGE = 1.5 * np.radians(ROUNDING_DEGREES)
# The enlarged picture must fit this much better than the sharp one.
NEARER = 0.6
LEAST_TEXELS = 300
# The widest filter that is common in baking is a tent over 3 x 3 texels, of variance 0.5 along
# each axis (mip levels, denoising); scaling to a share s and back with tents has (1 / 3) / s^2.
TENT_VARIANCE, SCALING_VARIANCE = 0.5, 1 / 3
WIDEST_BAKE, MOST_BEND = 1.1 * TENT_VARIANCE, 20.0
# Blocks of equal texels tell a map that was enlarged by repeating.
REPEATED_SHARE = 0.9
BLOCK_ROWS = 256
# Of tiles with more texels than this so many are looked at, in bands of rows: all of a 1024 map,
# and half of a 2048 map's rows.
MOST_ROWS, MOST_TEXELS, BAND = 1024, 1024 * 2048, 64


def softness_fault(
    view: TileView, fault: NDArray[np.uint8], values: NDArray[np.float32]
) -> tuple[ConventionFault, int] | None:
    """Return the fault of a map that was scaled up, and how many times; or None.

    values : (H, W, 3) the map's values, turned upright.
    """
    some = looked_at(view, fault)
    times = _repeated(values[some.rows], some)
    if times > 1:
        small = view.size // times
        fault_found = ConventionFault(
            "rescaled",
            f"every texel is repeated {times} times: the map was enlarged from about "
            f"{small} x {small}",
            "bake at the full size",
        )
        return fault_found, times
    best, factor = 1.0, 1
    for times in FACTORS:
        ratio = _nearness(some, times)
        if ratio < NEARER and ratio < 0.9 * best:
            best, factor = ratio, times
    if factor == 1:
        spread = blur_variance(some.shown, some.expected, some.clean)
        if spread is None or spread < WIDEST_BAKE or not _is_soft(some):
            return None
        share = (SCALING_VARIANCE / spread) ** 0.5
        fault_found = ConventionFault(
            "rescaled",
            f"the map is softer than a bake of {view.size} x {view.size} texels: it was scaled to "
            f"about {decimals(share, 1)} of its size and back, or blurred",
            "bake at the full size, and do not scale or filter the map",
        )
        return fault_found, 1
    if not _is_soft(some):
        return None
    small = view.size // factor
    fault_found = ConventionFault(
        "rescaled",
        f"the map is softer than a bake of {view.size} x {view.size} texels: it was enlarged from "
        f"about {small} x {small}, or blurred",
        "bake at the full size, and do not filter the map",
    )
    return fault_found, factor


def scaled_fault(
    view: TileView, fault: NDArray[np.uint8], frequency: float | None
) -> tuple[ConventionFault, int] | None:
    """Return the fault of a map over which a lattice runs; None where there is none.

    frequency : cycles a texel. Scaling to a share s of the size leaves a lattice of s cycles a
    texel, which looks like one of 1 - s; how soft the map is tells the two apart.
    """
    if frequency is None:
        return None
    some = looked_at(view, fault)
    spread = blur_variance(some.shown, some.expected, some.clean)
    middle = SCALING_VARIANCE / 0.5**2
    share = frequency if spread is not None and spread > middle else 1 - frequency
    fault_found = ConventionFault(
        "rescaled",
        f"the picture was scaled to about {decimals(share, 2)} of its size and back: a lattice of "
        "that size runs all over it, which no surface has",
        "bake at the full size, and do not scale the map",
    )
    return fault_found, 1


def _is_soft(some: Bands) -> bool:
    """Tell whether as few texels bend beside their neighbours as in a filtered picture.

    A map of a surface that lay elsewhere agrees with the expected one where that happens to be
    flat, which looks like a blur; but it is as sharp.
    """
    whole = minimum_filter(some.inside.astype(np.uint8), 3, mode="constant") > 0
    sharp, filtered, shown = (
        np.linalg.norm((soft - p)[whole], axis=1)
        for p, soft in (
            (some.expected, some.soft),
            (some.soft, softened(some.soft)),
            (some.shown, softened(some.shown)),
        )
    )
    bent = sharp[sharp > LEAST_CHANGE / 2]
    if len(bent) == 0:
        return False
    middle = float(np.median(bent))
    # Of all texels: those that agree, or that should bend, are no fair choice of what moved.
    as_sharp, as_filtered, as_shown = (
        int((bend > middle).sum()) for bend in (sharp, filtered, shown)
    )
    return 2 * as_shown < as_sharp + as_filtered


def blur_variance(
    shown: NDArray[np.float32], expected: NDArray[np.float32], use: NDArray[np.bool_]
) -> float | None:
    """Return the variance (texels squared) of the blur between two pictures; None if untold.

    What a tent over 3 x 3 texels changes is laid on what the map differs by. A tent, of variance
    a half, gives that exactly, however fine the detail; other blurs nearly.
    """
    whole = minimum_filter(use.astype(np.uint8), 3, mode="constant") > 0
    soft = softened(expected)
    own = expected[whole].astype(np.float64)
    bend = soft[whole] - own
    # What lies along the normal is lost when vectors are made unit length again.
    bend -= (bend * own).sum(axis=1, keepdims=True) * own
    off = shown[whole] - own
    size = np.linalg.norm(bend, axis=1)
    # Edges of the surface itself say more about filtering than about scaling.
    tells = (size > LEAST_CHANGE / 2) & (size < np.radians(MOST_BEND))
    if tells.sum() < LEAST_TEXELS:
        return None
    share = (off[tells] * bend[tells]).sum() / (bend[tells] ** 2).sum()
    return float(share) * TENT_VARIANCE


@dataclass(frozen=True, eq=False)
class Bands:
    """Bands of rows of a tile, one below the other; all rows of a small one.

    rows : which they are; shown, expected : (R, W, 3); inside : (R, W) bool, on the low poly with
    something expected; clean : of these, nothing wrong. The rim of a band is neither, so that no
    filter mixes two bands.
    """

    rows: NDArray[np.int64]
    shown: NDArray[np.float32]
    expected: NDArray[np.float32]
    inside: NDArray[np.bool_]
    clean: NDArray[np.bool_]

    @cached_property
    def soft(self) -> NDArray[np.float32]:
        """(R, W, 3) what is expected after the widest filter of baking."""
        return softened(self.expected)


def looked_at(view: TileView, fault: NDArray[np.uint8]) -> Bands:
    """Return what of a tile is looked at for its sharpness: of a large one evenly spread bands."""
    rows = np.arange(view.size)
    cut = view.size > MOST_ROWS
    count = max(min(MOST_ROWS, MOST_TEXELS // view.size) // BAND, 1)
    if cut:
        # Whole blocks of texels stay together.
        first = np.arange(count) * (view.size // count) // BAND * BAND
        rows = (first[:, None] + np.arange(BAND)).ravel()
    shown, expected = view.shown[rows], view.expected[rows]
    inside = (view.triangle[rows] >= 0) & is_known(expected)
    if cut:
        inside[::BAND] = inside[BAND - 1 :: BAND] = False
    return Bands(rows, shown, expected, inside, inside & (fault[rows] == Fault.CLEAN))


def _nearness(some: Bands, times: int) -> float:
    """Return how far the map is from the enlarged picture, as a share of how far from the sharp.

    1 where nothing can be told.
    """
    if some.inside.shape[1] // times < 8:
        return 1.0
    small, share = block_means(some.expected, some.inside, (times, times))
    y, x = np.nonzero(some.clean)
    step = max(len(y) // (MOST_ASKED * 10), 1)
    y, x = y[::step], x[::step]
    enlarged, known = enlarged_at(small, share == 1, y, x, (times, times))
    sharp, shown = some.expected[y, x].astype(np.float64), some.shown[y, x].astype(np.float64)
    change = np.linalg.norm(enlarged - sharp, axis=1)
    # Edges of the surface itself change most, but say more about filtering than about scaling.
    known &= change < np.radians(20)
    if known.sum() < LEAST_TEXELS / ASKED_SHARE:
        return 1.0
    asked = known & (change >= np.quantile(change[known], 1 - ASKED_SHARE))
    if np.median(change[asked]) < LEAST_CHANGE:
        return 1.0
    soft = normalised(some.soft[y, x].astype(np.float64))
    to_enlarged, to_sharp, to_soft = (
        float(np.median(np.linalg.norm(shown - other, axis=1)[asked]))
        for other in (enlarged, sharp, soft)
    )
    # Of detail as fine as texels any filter leaves little: it is what baking itself does to it.
    if to_soft <= to_enlarged:
        return 1.0
    return to_enlarged / to_sharp if to_sharp > 0 else 1.0


def _repeated(values: NDArray[np.float32], some: Bands) -> int:
    """Return how many times texels are repeated in both directions (1: not at all)."""
    height, width = some.inside.shape
    for times in (8, 4, 2):
        rows, columns = height // times * times, width // times * times
        if min(rows, columns) < 8 * times:
            continue
        cells = (rows // times, times, columns // times, times)
        # Some rows of blocks say as much as all of them.
        pick = slice(None, None, max(rows // times // BLOCK_ROWS, 1))
        blocks = values[:rows, :columns].reshape(*cells, 3)[pick]
        equal = (blocks == blocks[:, :1, :, :1]).all(axis=(1, 3, 4))
        full = some.inside[:rows, :columns].reshape(cells)[pick].all(axis=(1, 3))
        if not full.any() or equal[full].mean() <= REPEATED_SHARE:
            # Flat places repeat in any map, so fewer repeats than wanted decide at once.
            continue
        expected = some.expected[:rows, :columns].reshape(*cells, 3)[pick]
        changes = np.abs(expected - expected[:, :1, :, :1]).max(axis=(1, 3, 4)) > 0.02
        use = full & changes
        if use.sum() > LEAST_TEXELS / 10 and equal[use].mean() > REPEATED_SHARE:
            return times
    return 1
