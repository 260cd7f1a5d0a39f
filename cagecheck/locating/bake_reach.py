"""How deep and how far out a bake looked, from what its texels recorded and what they lost.

Where one distance parts the two, that distance was the bake's own, and what lies beyond it was
lost for that reason. Where none does, surface was lost for another: a hole, a part left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.locating.compare import OffsetVotes

# Of what lies beyond the distance so much must be lost, and of what is lost so much lie beyond it.
PARTED = 0.8
# Fewer lost texels than this make no distance.
LEAST_LOST = 60
# What this share of the recorded texels stays within counts as recorded, the rest as stray.
MOST_RECORDED, LEAST_RECORDED = 0.99, 200


@dataclass(frozen=True)
class BakeReach:
    """How far a bake looked; None where nothing tells.

    depth : world units below the low poly; share : of the cage's own distance above it. Both part
    what was recorded from what was lost. recorded_depth, recorded_share : nearly all of the
    surface that was recorded lies within these.
    """

    depth: float | None = None
    share: float | None = None
    recorded_depth: float | None = None
    recorded_share: float | None = None


def bake_reach(votes: Sequence[OffsetVotes]) -> BakeReach:
    """Read the heights of all maps of a bake."""
    if not votes:
        return BakeReach()
    deep, lost, high, unreached = (
        np.concatenate([getattr(v, name) for v in votes])
        for name in ("deep", "lost", "high", "unreached")
    )
    return BakeReach(
        parting(deep, lost), parting(high, unreached), _most_of(deep), _most_of(high)
    )  # fmt: skip


def parting(recorded: Floats, lost: Floats) -> float | None:
    """Return the distance that parts recorded from lost ones; None where none does.

    Of all distances the one with most lost and least recorded ones beyond it is asked.
    """
    if len(lost) < LEAST_LOST:
        return None
    recorded, lost = np.sort(recorded), np.sort(lost)
    # Beyond a distance just below the k-th lost one lie all but k of them.
    still = len(lost) - np.arange(len(lost))
    seen = len(recorded) - np.searchsorted(recorded, lost)
    k = int(np.argmax(still - seen))
    beyond, stray = int(still[k]), int(seen[k])
    if beyond < PARTED * len(lost) or beyond < PARTED * (beyond + stray):
        return None
    within = recorded[: len(recorded) - stray]
    return float((lost[k] + (within[-1] if len(within) else 0.0)) / 2)


def _most_of(recorded: Floats) -> float | None:
    return float(np.quantile(recorded, MOST_RECORDED)) if len(recorded) >= LEAST_RECORDED else None
