"""Lengths and reasons of a tuning in words, the same on the page and on the terminal."""

from __future__ import annotations

import numpy as np

from cagecheck.lengths import length_words
from cagecheck.meshes.mesh import Floats
from cagecheck.tuning.tune import Tuning

# Lengths below this share of the margin are what rounding left of nothing.
NOTHING_SHARE = 1e-3
# An offset this near to the limit is held by it.
AT_LIMIT = 0.999


def nought(value: float, margin: float) -> float:
    """Return a length for a column of numbers: what only rounding left over is 0."""
    return 0.0 if abs(value) <= NOTHING_SHARE * margin else value


def plain_length(value: float, margin: float) -> str:
    """Return a length with four figures; what only rounding left over is 0."""
    return length_words(value, NOTHING_SHARE * margin)


def range_words(values: Floats, margin: float) -> str:
    """Say from where to where lengths go, and where their middle is."""
    if len(values) == 0:
        return "none"
    least, most, middle = (
        plain_length(float(f(values)), margin) for f in (np.min, np.max, np.median)
    )
    return f"{least} to {most}, median {middle}"


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
