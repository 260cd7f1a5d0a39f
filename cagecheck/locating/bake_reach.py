"""How deep and how far out a bake looked, from what its texels show and what they have lost.

A bake that looks too short loses whatever lies beyond its distance, all over the map, and nothing
within it. Padding fills much of what is lost with neighbours that look right or nearly so, hence
texels are asked by blocks: of the blocks that hold surface well beyond the distance nearly all are
faulty there. A hole spoils one place and leaves as deep ones elsewhere alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.locating.compare import Fault, TileView

# What may come of a surface that was not recorded: its fill, what padding made of it, what lay
# behind.
LOST = (Fault.MISSED, Fault.UNEXPLAINED, Fault.TOO_DEEP, Fault.SKEW, Fault.SEAM, Fault.NOISE)
# Blocks of so many texels are asked; larger maps are thinned to this edge.
BLOCK, LARGEST = 16, 1024
# Fewer faulty texels, or blocks, tell nothing; a block with so many texels far out is asked.
LEAST_FAULTY, LEAST_BLOCKS, LEAST_IN_BLOCK = 60, 6, 8
# The distance begins where all but this share of the faulty texels lie farther out.
STRAY = 0.05
# Of the blocks so many must be faulty; within the distance faults are rarer by this factor.
MOST_BLOCKS, RARER, WITHIN = 0.6, 0.1, 0.9
# What this share of the recorded texels stays within counts as recorded, the rest as stray.
MOST_RECORDED, LEAST_RECORDED = 0.99, 200


@dataclass(frozen=True, eq=False)
class Levels:
    """Some texels of a map: (N,) height of the surface that belongs, below the low poly in world
    units, above it as a share of the cage's distance; whether it is faulty; its block's number.
    """

    height: Floats
    faulty: NDArray[np.bool_]
    block: NDArray[np.int64]


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


def levels_of(view: TileView, fault: NDArray[np.uint8]) -> Levels:
    """Return the levels of a map, thinned where it is large."""
    step = max(-(-view.size // LARGEST), 1)
    thin = slice(step // 2, None, step), slice(step // 2, None, step)
    target, start, kinds = view.target[thin], view.start[thin], fault[thin]
    known = np.isfinite(target)
    y, x = np.nonzero(known)
    t = target[known].astype(np.float64)
    height = np.where(t > 0, t / np.maximum(start[known], 1e-30), t)
    asked = np.isin(kinds[known], (*LOST, Fault.CLEAN))
    across = view.size // (step * BLOCK) + 1
    block = (y // BLOCK) * across + x // BLOCK
    return Levels(height[asked], (kinds[known] != Fault.CLEAN)[asked], block[asked])


def bake_reach(levels: Sequence[Levels]) -> BakeReach:
    """Read the levels of all maps of a bake."""
    if not levels:
        return BakeReach()
    base = np.cumsum([0, *(int(v.block.max(initial=0)) + 1 for v in levels)])
    height, faulty = (np.concatenate([getattr(v, n) for v in levels]) for n in ("height", "faulty"))
    block = np.concatenate([v.block + b for v, b in zip(levels, base[:-1], strict=True)])
    found = []
    for side in (height < 0, height > 0):
        away, wrong = np.abs(height[side]), faulty[side]
        found.append((parting(away, wrong, block[side]), _most_of(away[~wrong])))
    (depth, deep), (share, high) = found
    return BakeReach(depth, share, deep, high)


def parting(away: Floats, faulty: NDArray[np.bool_], block: NDArray[np.int64]) -> float | None:
    """Return the distance beyond which a bake lost what there was; None where none is.

    away : (N,) distances; faulty, block : of the same texels.
    """
    if faulty.sum() < LEAST_FAULTY:
        return None
    own = float(np.quantile(away[faulty], STRAY))
    within, beyond = away < WITHIN * own, away >= own
    rate_within = faulty[within].mean() if within.any() else 0.0
    if rate_within > RARER * faulty[beyond].mean():
        return None
    # Well beyond: padding hides what lies little farther.
    far = away >= np.median(away[faulty])
    count = np.bincount(block[far], minlength=1)
    wrong = np.bincount(block[far & faulty], minlength=len(count))
    asked = count >= LEAST_IN_BLOCK
    if asked.sum() < LEAST_BLOCKS or np.mean(wrong[asked] > 0) < MOST_BLOCKS:
        return None
    return own


def _most_of(recorded: Floats) -> float | None:
    return float(np.quantile(recorded, MOST_RECORDED)) if len(recorded) >= LEAST_RECORDED else None
