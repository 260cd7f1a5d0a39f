"""Several frames, mended so that the mend does not flicker.

Two ways. ``one``: one displacement in directions that turn with the surface, which serves all
frames. ``smooth``: every frame its own, drawn to the mean of its neighbours' and held to its own
rows. Displacements of different frames are compared in the rest pose's directions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.mending.cloth import Cloth
from cagecheck.mending.mend_cloth import Left, mend_cloth
from cagecheck.mending.pose import Start
from cagecheck.mending.settings import FrameWay
from cagecheck.progress import Progress, silent

# A frame is drawn to its neighbours' mean this many times as strongly as to where it was, in so
# many sweeps over all frames (common practice, no source; flicker is measured and reported).
_DRAW, _SWEEPS = 4.0, 2


@dataclass(frozen=True, eq=False)
class Moves:
    """Per frame the displacement (P, 3) in its own directions and what is left; see `Mending`."""

    moves: tuple[Floats, ...]
    left: tuple[tuple[Left, ...], ...]
    way: FrameWay | None
    flicker: float


def mend_frames(
    cloth: Cloth,
    starts: Sequence[Start],
    gap: float,
    blend: float | None,
    way: FrameWay,
    progress: Progress = silent,
) -> Moves:
    """Mend a cloth in all frames."""
    if len(starts) == 1:
        moved = mend_cloth(cloth, starts, gap, blend, progress=progress)
        return Moves((moved.move,), (moved.left,), None, 0.0)
    if way == "one":
        return _one(cloth, starts, gap, blend, progress)
    if way == "smooth":
        return _smooth(cloth, starts, gap, blend, progress)
    one = _one(cloth, starts, gap, blend, progress)
    smooth = _smooth(cloth, starts, gap, blend, progress)
    return min((one, smooth), key=lambda m: (_depth_left(starts, m), _work(m)))


def _depth_left(starts: Sequence[Start], moves: Moves) -> float:
    """Return the sum over frames of the depth of what was left."""
    return sum(start.depth for start, left in zip(starts, moves.left, strict=True) if left)


def _work(moves: Moves) -> float:
    return sum(float((move**2).sum()) for move in moves.moves)


def _one(
    cloth: Cloth, starts: Sequence[Start], gap: float, blend: float | None, progress: Progress
) -> Moves:
    moved = mend_cloth(cloth, starts, gap, blend, progress=progress)
    moves = tuple(start.pose.here(moved.move) for start in starts)
    left = tuple(tuple(one for one in moved.left if one.frame == k) for k in range(len(starts)))
    return Moves(moves, left, "one", 0.0)


def _smooth(
    cloth: Cloth, starts: Sequence[Start], gap: float, blend: float | None, progress: Progress
) -> Moves:
    also = np.logical_or.reduce([start.clashing for start in starts])
    found = [mend_cloth(cloth, [start], gap, blend, progress=progress) for start in starts]
    # Every frame's own result is what stands; the sweeps draw them together.
    for _ in range(_SWEEPS):
        before = [one.move for one in found]
        for k, start in enumerate(starts):
            beside = before[max(k - 1, 0)] + before[min(k + 1, len(starts) - 1)]
            pull = (_DRAW * cloth.areas, 0.5 * beside)
            drawn = mend_cloth(cloth, [start], gap, blend, pull, also, progress)
            if len(drawn.left) <= len(found[k].left):
                found[k] = drawn
    moves = tuple(s.pose.here(one.move) for s, one in zip(starts, found, strict=True))
    flicker = flicker_of([one.move for one in found])
    return Moves(moves, tuple(one.left for one in found), "smooth", flicker)


def flicker_of(moves: Sequence[Floats]) -> float:
    """Return how far a place is at most from the middle of its neighbours in time."""
    return max(
        (
            float(np.linalg.norm(b - 0.5 * (a + c), axis=1).max(initial=0.0))
            for a, b, c in zip(moves, moves[1:], moves[2:], strict=False)
        ),
        default=0.0,
    )
