"""The offset and depth that a bake was likely made with, from what its texels show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from cagecheck.locating.bake_reach import BakeReach
from cagecheck.locating.compare import VOTE_BINS
from cagecheck.locating.one_map import LocatedMap
from cagecheck.locating.variants import Variants

# With fewer texels that can tell, the estimate of the offset is chance.
LEAST_VOTERS = 60
# The estimate is the range of offsets that nearly as many texels agree with as with the best.
NEARLY_ALL = 0.98


@dataclass(frozen=True)
class OffsetGuess:
    """The offset that a bake was likely made with.

    least, most : world units for a uniform cage, else shares of the given cage's own distance
    (`unit` says which); agree : share of the telling texels that fit; voters : how many could tell.
    recorded_depth : surface as deep as this was recorded; lost_depth : the depth beyond which it
    was not, None where none parts the two.
    """

    least: float
    most: float
    unit: str
    agree: float
    voters: int
    recorded_depth: float
    lost_depth: float | None

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return dict(self.__dict__)


def guess_offset(
    variants: Variants, located: list[LocatedMap], reach: BakeReach
) -> OffsetGuess | None:
    """Read the votes of all maps; reach : how far the bake looked."""
    votes = [m.record.votes for m in located if m.record is not None]
    voters = sum(v.voters for v in votes)
    if voters < LEAST_VOTERS:
        return None
    agree = np.cumsum(sum(v.balance for v in votes))[: VOTE_BINS + 1]
    best = float(agree.max())
    top = int(np.argmax(agree))
    good = agree >= NEARLY_ALL * best
    first, last = top, top
    while first > 0 and good[first - 1]:
        first -= 1
    while last < VOTE_BINS and good[last + 1]:
        last += 1
    scale = votes[0].largest / VOTE_BINS
    unit = "share of the cage's own distance"
    if variants.uniform:
        scale *= variants.settings.offset or 0.0
        unit = "units"
    return OffsetGuess(
        least=first * scale,
        most=last * scale,
        unit=unit,
        agree=best / voters,
        voters=voters,
        recorded_depth=reach.recorded_depth or 0.0,
        lost_depth=reach.depth,
    )
