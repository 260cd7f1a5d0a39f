"""Lengths and reasons of a tuning in words, the same on the page and on the terminal."""

from __future__ import annotations

import numpy as np

from cagecheck.tuning.tune import Tuning

# Lengths below this share of the margin are what rounding left of nothing.
NOTHING_SHARE = 1e-3
# An offset this near to the limit is held by it.
AT_LIMIT = 0.999


def plain_length(value: float, margin: float) -> str:
    """Return a length with four figures; what only rounding left over is 0."""
    return "0" if abs(value) < NOTHING_SHARE * margin else f"{value:.4g}"


def held_by_limit(tuning: Tuning) -> int:
    """Return how many wrong samples have their target above the start and a corner at the limit."""
    last, low = tuning.last, tuning.low
    corners = tuning.offset_out[low.triangles[last.points.triangle]]
    at_limit = (corners >= AT_LIMIT * tuning.limit).any(axis=1)
    return int(np.sum(last.short & at_limit))


def conflicting_words(tuning: Tuning) -> str:
    """Say why samples stay wrong that no offsets within the limit can serve, or nothing."""
    count = tuning.assurance.conflicting
    held = min(held_by_limit(tuning), count)
    rest = count - held
    out = []
    if held:
        limit = plain_length(tuning.limit, tuning.margin)
        out.append(
            f"{held:,} samples lie higher than the limit of {limit} lets the cage rise: the limit "
            "prevents their cure; raise --limit."
        )
    if rest:
        out.append(
            f"{rest:,} samples ask for offsets that exclude each other; no offset cures them."
        )
    return " ".join(out)
