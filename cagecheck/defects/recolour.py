"""Every defect at another cage distance, from the layer table alone.

Scaling a cage's displacement by a factor keeps every ray on its line, so what would be recorded,
and all that follows from it, can be read off the table. `tests/defects/test_recolour.py` holds this
loop against `cagecheck.defects.classify` on fresh predictions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from cagecheck.defects.kinds import CLEAN, PRECEDENCE, Defect, Thresholds
from cagecheck.rays.layers import NO_LAYER

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
_RANK_CLEAN = len(PRECEDENCE)


@dataclass(frozen=True, eq=False)
class Table:
    """The arrays that the defects at any distance follow from.

    N samples, L crossings, K heat-map vertices; see `write_samples` and `view_arrays` of
    `cagecheck.predicting` for each array.
    """

    start: NDArray[np.floating[Any]]
    first: NDArray[np.int64]
    t: NDArray[np.floating[Any]]
    front: NDArray[np.bool_]
    own: NDArray[np.bool_]
    lean: NDArray[np.floating[Any]]
    target: NDArray[np.int64]
    slant: NDArray[np.floating[Any]]
    skew_scale: NDArray[np.floating[Any]]
    fold_from: NDArray[np.floating[Any]]
    split_slope: NDArray[np.floating[Any]]
    vertex_of_sample: NDArray[np.int32]
    heat_sample: NDArray[np.int32]
    area: NDArray[np.floating[Any]]

    def __len__(self) -> int:
        return len(self.start)


@dataclass(frozen=True, eq=False)
class Recoloured:
    """The samples at one distance.

    flags : (N,) uint16; main : (N,) uint8; recorded : (N,) int64 crossing or `NO_LAYER`;
    shown : (K,) int32, the worst sample near every heat-map vertex; area : (256,) float64, the
    area of the samples with each main defect, world units squared.
    """

    flags: NDArray[np.uint16]
    main: NDArray[np.uint8]
    recorded: NDArray[np.int64]
    shown: NDArray[np.int32]
    area: NDArray[np.float64]


class Recolourer:
    """Reclassifies all samples for a factor on the cage's distance, into arrays kept for reuse."""

    def __init__(self, table: Table, depth: float, thresholds: Thresholds) -> None:
        self.table = table
        self.depth = depth
        self.limits = thresholds
        n = len(table)
        self._flags = np.empty(n, np.uint16)
        self._main = np.empty(n, np.uint8)
        self._recorded = np.empty(n, np.int64)
        self._shown = np.empty(len(table.heat_sample), np.int32)
        # A cage that lies on the low poly has no distance to scale: the factor is then itself
        # the distance along every ray, in world units.
        self.touching = not bool(np.any(table.start != 0))

    def at(self, factor: float) -> Recoloured:
        """Return the samples with every start at `factor` times the cage's own.

        The arrays are overwritten by the next call.
        """
        table, limits = self.table, self.limits
        _classify(
            table.start, float(factor), self.touching, table.first, table.t, table.front,
            table.own, table.lean, table.target, table.slant, table.skew_scale, table.fold_from,
            table.split_slope, self.depth, limits.skew_degrees, limits.steep_degrees,
            limits.split_texels, self._flags, self._main, self._recorded,
        )  # fmt: skip
        area = np.zeros(256)
        _worst_of_vertices(
            self._main, table.vertex_of_sample, table.heat_sample, rank_table(), table.area,
            self._shown, area,
        )  # fmt: skip
        return Recoloured(self._flags, self._main, self._recorded, self._shown, area)


def rank_table() -> NDArray[np.uint8]:
    """Return (256,) the rank of every main defect, 0 the worst."""
    rank = np.full(256, _RANK_CLEAN, np.uint8)
    for k, defect in enumerate(PRECEDENCE):
        rank[defect] = k
    return rank


@njit(cache=True, nogil=True, parallel=True)
def _classify(
    start: Any, factor: float, touching: bool, first: Any, t: Any, front: Any, own: Any,
    lean: Any, target: Any, slant: Any, skew_scale: Any, fold_from: Any, split_slope: Any,
    depth: float, skew_degrees: float, steep_degrees: float, split_texels: float,
    out_flags: Any, out_main: Any, out_recorded: Any,
) -> None:  # fmt: skip
    for i in prange(len(start)):
        begin = factor if touching else factor * start[i]
        layer = NO_LAYER
        for k in range(first[i + 1] - 1, first[i] - 1, -1):
            if t[k] <= begin:
                if t[k] >= -depth:
                    layer = k
                break
        aim = target[i]
        flags = _layer_flags(layer, aim, begin, depth, t, front, own)
        if layer != NO_LAYER and layer == aim:
            slide = abs(t[layer]) * np.sin(np.radians(np.float64(slant[i])))
            if slant[i] > skew_degrees and slide * skew_scale[i] > 1:
                flags |= _SKEW
            if front[aim] and lean[layer] > steep_degrees:
                flags |= _STEEP
        if not touching and factor > 0 and factor > fold_from[i]:
            flags |= _FOLD
        if split_slope[i] != 0:
            height = t[layer] if layer != NO_LAYER else begin
            if split_slope[i] * height > split_texels:
                flags |= _SPLIT
        out_flags[i] = flags
        out_recorded[i] = layer
        out_main[i] = CLEAN
        for d in _ORDER:
            if flags & (np.uint16(1) << np.uint16(d)):
                out_main[i] = d
                break


@njit(cache=True, nogil=True, inline="always")
def _layer_flags(
    layer: int, aim: int, begin: float, depth: float, t: Any, front: Any, own: Any
) -> Any:
    """Return the flags that compare the recorded crossing with the target."""
    flags = np.uint16(0)
    hit, found = layer != NO_LAYER, aim != NO_LAYER
    too_tight = found and t[aim] > begin
    above = hit and found and not too_tight and layer > aim
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


@njit(cache=True, nogil=True)
def _worst_of_vertices(
    main: Any, vertex_of_sample: Any, heat_sample: Any, rank: Any, area: Any, shown: Any,
    area_of_main: Any,
) -> None:  # fmt: skip
    """Show at every vertex the worst sample nearest to it, else the one it showed before."""
    for v in range(len(shown)):
        shown[v] = -1
    for s in range(len(main)):
        area_of_main[main[s]] += area[s]
        v = vertex_of_sample[s]
        if shown[v] < 0 or rank[main[s]] < rank[main[shown[v]]]:
            shown[v] = s
    for v in range(len(shown)):
        if shown[v] < 0:
            shown[v] = heat_sample[v]
