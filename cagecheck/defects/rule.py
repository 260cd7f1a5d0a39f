"""The rule: what a ray records from where it starts, and which defects that makes of a sample.

One loop says so for everyone, the prediction (`cagecheck.defects.classify`) and the viewer, where
the cage is at another distance from one picture to the next (`cagecheck.defects.recolour`). It
reads what is known of the samples at any distance, and the thresholds; `cagecheck.defects.kinds`
says the same in words.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import CLEAN, PRECEDENCE, Defect, Thresholds
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.layers import NO_LAYER, recorded_of

_TIGHT = np.uint16(Defect.MISS_TIGHT.flag)
_NOTHING = np.uint16(Defect.MISS_NOTHING.flag)
_DEEP = np.uint16(Defect.MISS_DEEP.flag)
_OWN = np.uint16(Defect.OVERSHOOT_OWN.flag)
_OTHER = np.uint16(Defect.OVERSHOOT_OTHER.flag)
_BACK = np.uint16(Defect.BACK_FACING.flag)
_SKEW = np.uint16(Defect.SKEW.flag)
_STEEP = np.uint16(Defect.STEEP.flag)
_FOLD = np.uint16(Defect.FOLD.flag)
_SPLIT = np.uint16(Defect.SPLIT.flag)
_ORDER = np.array([int(d) for d in PRECEDENCE], np.uint8)


@dataclass(frozen=True, eq=False)
class Known:
    """What is known of N samples and L crossings whatever the cage's distance is.

    Attributes
    ----------
    start : (N,) where rays start at the cage's own distance, world units.
    first, t, front : the layer table, see `Layers`.
    own : (L,) bool, the crossing is on a part paired with the sample's.
    target : (N,) int64, the crossing that belongs to the sample, or `NO_LAYER`.
    target_lean : (N,) degrees between shading normal and the target's normal.
    slant : (N,) degrees between ray and low-poly face normal.
    skew_scale : (N,) see `skew_scale`.
    fold_from : (N,) the factor on the cage's distance above which the shell folds.
    split_slope : (N,) see `cagecheck.defects.split.split_slope`.
    """

    start: NDArray[np.floating[Any]]
    first: NDArray[np.int64]
    t: NDArray[np.floating[Any]]
    front: NDArray[np.bool_]
    own: NDArray[np.bool_]
    target: NDArray[np.int64]
    target_lean: NDArray[np.floating[Any]]
    slant: NDArray[np.floating[Any]]
    skew_scale: NDArray[np.floating[Any]]
    fold_from: NDArray[np.floating[Any]]
    split_slope: NDArray[np.floating[Any]]

    def __len__(self) -> int:
        return len(self.start)


@dataclass(frozen=True, eq=False)
class Judged:
    """What the rule says of N samples.

    Attributes
    ----------
    recorded : (N,) int64 crossing or `NO_LAYER`.
    flags : (N,) uint16, bit ``1 << defect``.
    main : (N,) uint8, the main defect or `CLEAN`.
    """

    recorded: NDArray[np.int64]
    flags: NDArray[np.uint16]
    main: NDArray[np.uint8]


def room_for(count: int) -> Judged:
    """Return arrays for what `judge` says of so many samples."""
    return Judged(np.empty(count, np.int64), np.empty(count, np.uint16), np.empty(count, np.uint8))


def judge(
    known: Known,
    limits: Thresholds,
    depth: float,
    out: Judged,
    *,
    factor: float = 1.0,
    touching: bool = False,
) -> None:
    """Write what is recorded and what is wrong with the cage at `factor` times its distance.

    depth : how far below the low poly the bake looks, world units, at most the table's depth.
    touching : the cage lies on the low poly and has no distance to scale: the factor is then itself
        the distance along every ray, world units.
    """
    k = known

    def work(begin: int, end: int) -> None:
        _judge(
            begin, end, k.start, k.first, k.t, k.front, k.own, k.target, k.target_lean, k.slant,
            k.skew_scale, k.fold_from, k.split_slope, factor, touching, depth,
            limits.skew_degrees, limits.steep_degrees, limits.split_texels,
            out.recorded, out.flags, out.main,
        )  # fmt: skip

    in_blocks(len(known), work)


def skew_scale(
    low: LowPoly, triangle: NDArray[np.integer[Any]], texels: Floats, limits: Thresholds
) -> Floats:
    """Return (N,) factors: a slide (world units) times this is above 1 where it is a defect.

    texels : (N,) texels per world unit, 0 without UVs.
    """
    without = 1 / (limits.skew_share * part_sizes(low)[low.triangle_part])
    out = np.empty(len(texels))

    def scale(begin: int, end: int) -> None:
        _skew_scales(begin, end, triangle, texels, without, limits.skew_texels, out)

    in_blocks(len(out), scale)
    return out


@njit(cache=True, nogil=True, makes_arrays=False, error_model="numpy")
def _skew_scales(
    begin: int, end: int, triangle: Any, texels: Floats, without: Floats, skew_texels: float,
    out: Floats,
) -> None:  # fmt: skip
    for i in range(begin, end):
        out[i] = texels[i] / skew_texels if texels[i] > 0 else without[triangle[i]]


def part_sizes(low: LowPoly) -> Floats:
    """Return (parts,) the side of a square as large as each part, world units; 1 without area.

    With UVs that fill a tile, this long is as much as the map is wide. Unlike a bounding box's
    diagonal it does not depend on how the part is turned.
    """
    area = np.bincount(low.triangle_part, weights=low.area, minlength=len(low.part_names))
    out: Floats = np.where(area > 0, np.sqrt(area), 1.0)
    return out


@njit(cache=True, nogil=True, makes_arrays=False)
def _judge(
    begin: int, end: int, start: Any, first: Any, t: Any, front: Any, own: Any, target: Any,
    target_lean: Any, slant: Any, skew_scale: Any, fold_from: Any, split_slope: Any,
    factor: float, touching: bool, depth: float, skew_degrees: float, steep_degrees: float,
    split_texels: float, out_recorded: Any, out_flags: Any, out_main: Any,
) -> None:  # fmt: skip
    for i in range(begin, end):
        at = factor if touching else factor * start[i]
        layer = recorded_of(first, t, i, at, depth)
        flags = flags_at(
            i, layer, at, is_folded(factor, touching, fold_from[i]), t, front, own, target,
            target_lean, slant, skew_scale, split_slope, depth, skew_degrees, steep_degrees,
            split_texels,
        )  # fmt: skip
        out_recorded[i] = layer
        out_flags[i] = flags
        out_main[i] = main_of(flags)


@njit(cache=True, nogil=True, inline="always")
def is_folded(factor: float, touching: bool, fold_from: float) -> bool:
    """Tell whether the shell folds with the cage at `factor` times its distance."""
    return not touching and factor > 0 and factor > fold_from


@njit(cache=True, nogil=True, inline="always")
def flags_at(
    i: int, layer: int, at: float, folded: bool, t: Any, front: Any, own: Any, target: Any,
    target_lean: Any, slant: Any, skew_scale: Any, split_slope: Any, depth: float,
    skew_degrees: float, steep_degrees: float, split_texels: float,
) -> Any:  # fmt: skip
    """Return the flags of sample i where `layer` is recorded by a ray that starts at `at`."""
    aim = target[i]
    flags = _layer_flags(layer, aim, at, depth, t, front, own)
    if layer != NO_LAYER and layer == aim:
        if slant[i] > skew_degrees and slide_of(t[layer], slant[i]) * skew_scale[i] > 1:
            flags |= _SKEW
        if front[aim] and target_lean[i] > steep_degrees:
            flags |= _STEEP
    if folded:
        flags |= _FOLD
    if split_slope[i] != 0:
        height = t[layer] if layer != NO_LAYER else at
        if split_slope[i] * height > split_texels:
            flags |= _SPLIT
    return flags


@njit(cache=True, nogil=True, inline="always")
def main_of(flags: Any) -> Any:
    """Return the main defect of some flags, or `CLEAN`."""
    main = np.uint8(CLEAN)
    if flags != 0:
        for d in _ORDER:
            if flags & (np.uint16(1) << np.uint16(d)):
                main = d
                break
    return main


@njit(cache=True, nogil=True, inline="always")
def _layer_flags(
    layer: int, aim: int, at: float, depth: float, t: Any, front: Any, own: Any
) -> Any:
    """Return the flags that compare the recorded crossing with the target."""
    flags = np.uint16(0)
    hit, found = layer != NO_LAYER, aim != NO_LAYER
    too_tight = found and t[aim] > at
    above = hit and found and not too_tight and layer > aim
    # Without a target whatever is recorded is wrong: below the low poly the ray went through a
    # hole and saw the far side, above it the cage pokes into something.
    poking = hit and not found and t[layer] > 0
    if too_tight:
        flags |= _TIGHT
    if found and not too_tight and not above and t[aim] < -depth:
        flags |= _DEEP
    if not found and not poking:
        flags |= _NOTHING
    if above or poking:
        flags |= _OWN if own[layer] else _OTHER
    if hit and found and layer == aim and not front[layer]:
        flags |= _BACK
    return flags


@njit(cache=True, nogil=True, inline="always")
def slide_of(distance: float, slant: float) -> float:
    """Return how far from the sample a hit lies in the plane of the low-poly face, world units.

    Height times the tangent of the slant (degrees), with height = |distance| cos(slant).
    """
    return abs(distance) * np.sin(np.radians(np.float64(slant)))
