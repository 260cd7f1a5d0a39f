"""Every defect at another cage distance, from the layer table alone.

Scaling a cage's displacement by a factor keeps every ray on its line, so what would be recorded,
and all that follows from it, can be read off the table (`cagecheck.defects.rule`).
`tests/defects/test_recolour.py` holds this against fresh predictions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.kinds import CLEAN, PRECEDENCE, Thresholds
from cagecheck.defects.rule import Known, flags_at, is_folded, judge, main_of, room_for
from cagecheck.loops import njit
from cagecheck.rays.layers import NO_LAYER, recorded_of

_RANK_CLEAN = len(PRECEDENCE)
# More than any rank: nothing lies at this vertex.
_NO_RANK = 255


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
        self._judged = room_for(len(table))
        self._shown = np.empty(len(table.heat_sample), np.int32)
        found = table.target != NO_LAYER
        target_lean = np.full(len(table), np.nan, table.lean.dtype)
        target_lean[found] = table.lean[table.target[found]]
        self._known = Known(
            table.start, table.first, table.t, table.front, table.own, table.target, target_lean,
            table.slant, table.skew_scale, table.fold_from, table.split_slope,
        )  # fmt: skip
        # A cage that lies on the low poly has no distance to scale: the factor is then itself
        # the distance along every ray, in world units.
        self.touching = not bool(np.any(table.start != 0))

    def at(self, factor: float) -> Recoloured:
        """Return the samples with every start at `factor` times the cage's own.

        The arrays are overwritten by the next call.
        """
        table, now = self.table, self._judged
        judge(
            self._known, self.limits, self.depth, now, factor=float(factor), touching=self.touching
        )
        area = np.zeros(256)
        _worst_of_vertices(
            now.main, table.vertex_of_sample, table.heat_sample, rank_table(), table.area,
            self._shown, area,
        )  # fmt: skip
        return Recoloured(now.flags, now.main, now.recorded, self._shown, area)

    def at_all(self, factors: NDArray[np.float64]) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
        """Return what `at` shows at many factors (S,), in one pass over the samples.

        The main defect that every heat-map vertex shows, (S, K); and the areas, (S, 256).
        """
        table, k, limits = self.table, self._known, self.limits
        worst = np.full((len(table.heat_sample), len(factors)), _NO_RANK, np.uint8)
        area = np.zeros((256, len(factors)))
        _worst_at_all(
            k.start, k.first, k.t, k.front, k.own, k.target, k.target_lean, k.slant, k.skew_scale,
            k.fold_from, k.split_slope, factors, self.touching, self.depth, limits.skew_degrees,
            limits.steep_degrees, limits.split_texels, table.vertex_of_sample, table.heat_sample,
            rank_table(), table.area, worst, area,
        )  # fmt: skip
        return _main_of_rank()[worst].T, area.T


def most_factor(reach: float, start: NDArray[np.floating[Any]]) -> float:
    """Return the factor up to which the layer table knows what is recorded.

    reach : how far out the table goes, world units; start : (N,) where rays start. For a cage that
    lies on the low poly it is the farthest distance itself.
    """
    longest = float(start.max(initial=0.0))
    return reach if longest <= 0 else max(reach / longest, 1.0)


def rank_table() -> NDArray[np.uint8]:
    """Return (256,) the rank of every main defect, 0 the worst."""
    rank = np.full(256, _RANK_CLEAN, np.uint8)
    for k, defect in enumerate(PRECEDENCE):
        rank[defect] = k
    return rank


def _main_of_rank() -> NDArray[np.uint8]:
    """Return (256,) the main defect of every rank, see `rank_table`."""
    return np.array([*PRECEDENCE, *[CLEAN] * (256 - _RANK_CLEAN)], np.uint8)


@njit(cache=True, nogil=True)
def _worst_at_all(
    start: Any, first: Any, t: Any, front: Any, own: Any, target: Any, target_lean: Any, slant: Any,
    skew_scale: Any, fold_from: Any, split_slope: Any, factors: Any, touching: bool, depth: float,
    skew_degrees: float, steep_degrees: float, split_texels: float, vertex_of_sample: Any,
    heat_sample: Any, rank: Any, area: Any, worst: Any, area_of_main: Any,
) -> None:  # fmt: skip
    """Write the least rank at every vertex and factor, and each main defect's area.

    factors : (S,) ascending. worst : (K, S) the least rank of the samples nearest to a vertex, else
    that of the sample which it showed before. area_of_main : (256, S).
    """
    samples, stops = len(start), len(factors)
    worsts, areas = worst.reshape(-1), area_of_main.reshape(-1)
    for row in range(samples + len(heat_sample)):
        # First all samples, then those that stand in at vertices which have none of their own.
        alone = row - samples
        if alone >= 0 and worst[alone, 0] != _NO_RANK:
            continue
        i = row if alone < 0 else heat_sample[alone]
        v = vertex_of_sample[i] if alone < 0 else alone
        aim = target[i]
        begin = 0
        while begin < stops:
            at = factors[begin] if touching else factors[begin] * start[i]
            layer = recorded_of(first, t, i, at, depth)
            tight = aim != NO_LAYER and t[aim] > at
            folded = is_folded(factors[begin], touching, fold_from[i])
            main = main_of(
                flags_at(
                    i,
                    layer,
                    at,
                    folded,
                    t,
                    front,
                    own,
                    target,
                    target_lean,
                    slant,
                    skew_scale,
                    split_slope,
                    depth,
                    skew_degrees,
                    steep_degrees,
                    split_texels,
                )
            )
            # The rule asks for no more than these, but for the wedge over a ray that misses. As the
            # cage moves one way each changes one way: halving finds how long all stay as they are.
            end = begin + 1
            beyond = end if layer == NO_LAYER and split_slope[i] != 0 else stops
            while end < beyond:
                middle = (end + beyond) // 2
                far = factors[middle] if touching else factors[middle] * start[i]
                if (
                    recorded_of(first, t, i, far, depth) == layer
                    and (aim != NO_LAYER and t[aim] > far) == tight
                    and is_folded(factors[middle], touching, fold_from[i]) == folded
                ):
                    end = middle + 1
                else:
                    beyond = middle
            mine, here = np.uint64(v) * np.uint64(stops), rank[main]
            for k in range(mine + np.uint64(begin), mine + np.uint64(end)):
                worsts[k] = min(worsts[k], here)
            if alone < 0:
                mine = np.uint64(main) * np.uint64(stops)
                for k in range(mine + np.uint64(begin), mine + np.uint64(end)):
                    areas[k] += area[i]
            begin = end


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
