"""Does a map hold as many steps as its bits could?

An 8-bit map that was saved with more bits keeps its steps: every gap between neighbouring values is
a whole number of 8-bit steps, as near as the file's own numbers can say it. A smooth surface baked
with more bits has gaps far smaller than that, and a few flat facets have gaps that are no whole
numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.locating.conventions import ConventionFault, Transfer, unbent
from cagecheck.locating.read_maps import BakedMap, as_shares
from cagecheck.loops import njit

STEPS = 255
# What a value from 0 to 1 may be off its 8-bit step: half of the step that the file's own numbers
# have below 1. Half floats have 11 bits of significand (IEEE 754, binary16), so they lie 2^-11
# apart there; what float32 rounds is far below what its sources do.
_ROUNDING = {"whole": 0.5 / 65535, "half float": 0.5 * 2.0**-11, "float": 1e-6}
# Gaps this wide or wider say nothing: codes of 8 bits are read as k / 255, k / 256 or
# (k - 128) / 127, whose steps differ by a 127th, and over so many steps by an eighth of one.
_WIDEST_GAP = 16
# Rounding must leave at least this much of a step open. With n gaps that fall as they like, each is
# that near a whole step with a chance of a half: 16 of them by accident once in 65,000 maps.
_WIDEST_TOLERANCE, LEAST_GAPS = 0.25, 16
# Evenly picked texels whose values are looked at: a step that a map uses shows among so many.
_LOOKED_AT = 2_000_000
# An 8-bit map is called coarse where its values, spread over a quarter of the range, mostly lie two
# or more steps apart.
_LEAST_SPAN, _EVEN_SHARE = 64, 0.8


def level_fault(baked: BakedMap, transfer: Transfer = "plain") -> ConventionFault | None:
    """Tell when a wide map holds no more than 8-bit steps, or an 8-bit one still fewer.

    transfer : the curve that bent the values, if one did: steps are even on one side of it.
    """
    flat = np.ascontiguousarray(baked.values).reshape(-1, 3)
    if baked.bits == 8:
        return _coarse(flat)
    some = flat[:: max(len(flat) // _LOOKED_AT, 1)]
    channels = [np.unique(some[:, k]) for k in range(3)]
    # Signed values are brought to shares by their least, so all channels go there together.
    shares = as_shares(np.concatenate(channels)).astype(np.float64)
    ends = np.cumsum([len(c) for c in channels])[:-1]
    curves: tuple[Transfer, ...] = ("plain", transfer)
    for curve in dict.fromkeys(curves):
        if _whole_steps(np.split(shares, ends), curve, _ROUNDING[baked.numbers]):
            return ConventionFault(
                "banding",
                f"the file has {baked.depth_words} a channel, but its values only 8-bit steps",
                "bake with 16 bits; converting an 8-bit map afterwards brings nothing back",
            )
    return None


def _whole_steps(channels: list[Floats], curve: Transfer, rounding: float) -> bool:
    """Tell whether ascending values of each channel lie whole 8-bit steps apart."""
    gaps, tolerances = [], []
    for shares in channels:
        steps = unbent(shares, curve) * STEPS
        off = (unbent(shares + rounding, curve) - unbent(shares - rounding, curve)) * STEPS / 2
        gaps.append(np.diff(steps))
        tolerances.append(off[1:] + off[:-1])
    gap, tolerance = np.concatenate(gaps), np.concatenate(tolerances)
    whole = np.rint(gap)
    tolerance += whole / 127  # see `_WIDEST_GAP`
    use = (gap < _WIDEST_GAP) & (tolerance < _WIDEST_TOLERANCE)
    fits = (np.abs(gap - whole) <= tolerance) & (whole >= 1)
    return int(use.sum()) >= LEAST_GAPS and bool(fits[use].all())


def _coarse(flat: NDArray[np.uint8]) -> ConventionFault | None:
    there = np.zeros((3, 256), np.bool_)
    _mark_used(flat, there)
    for k in range(3):
        used = np.flatnonzero(there[k])
        span = int(used[-1] - used[0]) + 1
        step = float(np.median(np.diff(used))) if len(used) > 4 else 1.0
        if span >= _LEAST_SPAN and step >= 2 and _evenly(used):
            steps = round(STEPS / step) + 1
            return ConventionFault(
                "banding", f"the map has only about {steps} steps a channel",
                "bake again with 8 or 16 bits, and do not save with reduced colours",
            )  # fmt: skip
    return None


@njit(cache=True, nogil=True)
def _mark_used(flat: NDArray[np.uint8], there: NDArray[np.bool_]) -> None:
    """Mark the values of each channel in `there` (3, 256)."""
    for i in range(len(flat)):
        for k in range(3):
            there[k, flat[i, k]] = True


def _evenly(used: NDArray[np.int64]) -> bool:
    steps = np.diff(used)
    return bool(np.mean(np.abs(steps - np.median(steps)) <= 1) > _EVEN_SHARE)
