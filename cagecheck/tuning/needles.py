"""Needles of the low poly, and what of a cage's folds and crossings they account for.

The long edges of a needle lie nearer to each other than a cage is high. Where the normals at their
ends differ at all they change sides, and the cage folds there or passes through the triangles
beside, at nearly any distance: `scripts/bench_tune.py needles` has such a low poly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import Notice
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.tuning.folds import CageCrossings, ShellCheck
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import count_words

Mask = NDArray[np.bool_]

# A needle is less high than this share of its longest edge (common practice, no source).
NEEDLE_HEIGHT = 0.01


def needles(low: LowPoly) -> Mask:
    """Return (T,) bool: the triangle is a needle, or has no area at all."""
    corner = low.positions[low.triangles]
    edge = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2).max(axis=1)
    return np.asarray(2 * low.area <= NEEDLE_HEIGHT * edge**2)


def beside_needles(low: LowPoly) -> Mask:
    """Return (T,) bool: the triangle is a needle or has a corner with one."""
    at = np.zeros(low.position_count, bool)
    at[low.welded[needles(low)]] = True
    return np.asarray(at[low.welded].any(axis=1))


def crossings_at_needles(low: LowPoly, crossings: CageCrossings) -> int:
    """Return at how many places a cage passes through itself, within a part, at or beside one."""
    beside = beside_needles(low)
    at = beside[crossings.triangle] | beside[crossings.pierced]
    return int((crossings.same_part & at).sum())


def needle_notice(low: LowPoly, shell: ShellCheck, crossings: CageCrossings) -> tuple[Notice, ...]:
    """Say which share of folds and crossings is the low poly's own, where any is."""
    count = int(needles(low).sum())
    if count == 0:
        return ()
    at, folds = crossings_at_needles(low, crossings), int(shell.folded.sum())
    folded = int((shell.folded & beside_needles(low)).sum())
    if at == folded == 0:
        return ()
    every = count_words(int(crossings.same_part.sum()), "place")
    return (
        Notice(
            "needles",
            f"{count_words(count, 'triangle')} of the low poly's {count_text(len(low.triangles))} "
            f"{'is a needle' if count == 1 else 'are needles'}, less than a hundredth as high as "
            f"long. At or beside needles are {count_text(at)} of the {every} where the cage passes "
            f"through itself, and {count_text(folded)} of its {count_words(folds, 'fold')}.",
            "Merge vertices by distance, or reduce the low poly anew: at a needle cages cross "
            "themselves at nearly any distance.",
            count,
        ),
    )
