"""The layer table: every crossing of the high poly along every ray.

For any start distance d the table tells what a bake records, without casting again: the
outermost crossing with ``-depth <= t <= d``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.rows import rows_of_runs
from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.words.numbers import count_text

NO_LAYER = -1


@dataclass(frozen=True, eq=False)
class Layers:
    """Crossings of N rays, L in all, grouped by ray.

    Attributes
    ----------
    first : (N + 1,) int64
        The crossings of ray i are ``first[i]:first[i + 1]``.
    t : (L,) float64
        Signed distance from the ray's origin, world units, ascending within a ray.
    face : (L,) int32
        High-poly triangle.
    front : (L,) bool
        True where the triangle's front faces outward along the ray.
    depth, reach : (N,) float64
        The interval ``[-depth, reach]`` that was searched.
    """

    first: NDArray[np.int64]
    t: Floats
    face: Ints
    front: NDArray[np.bool_]
    depth: Floats
    reach: Floats

    def __repr__(self) -> str:
        return f"<Layers: {count_text(len(self.t))} crossings of {count_text(len(self))} rays>"

    def __len__(self) -> int:
        return len(self.first) - 1

    @property
    def ray(self) -> NDArray[np.int32]:
        """(L,) int32, the ray of every crossing."""
        return np.repeat(np.arange(len(self), dtype=np.int32), np.diff(self.first))

    def recorded(
        self, start: Floats | float, depth: Floats | float | None = None
    ) -> NDArray[np.int64]:
        """Return the crossing that a bake records.

        Parameters
        ----------
        start : (N,) float64 or float
            Where rays start, as a distance from their origin, world units.
        depth : (N,) float64 or float, optional
            How far below the low poly they look; the table's own depth by default, which is also
            the limit.

        Returns
        -------
        (N,) int64
            Index of the crossing, `NO_LAYER` for a miss.
        """
        n = len(self)
        starts = np.ascontiguousarray(np.broadcast_to(np.asarray(start, np.float64), (n,)))
        limit = self.depth if depth is None else np.minimum(depth, self.depth)
        limits = np.ascontiguousarray(np.broadcast_to(limit, (n,)))
        out = np.empty(n, np.int64)
        _recorded(self.first, self.t, starts, limits, out)
        return out

    def where(self, kept: NDArray[np.bool_]) -> Layers:
        """Return the table with only some of the crossings.

        Parameters
        ----------
        kept : (L,) bool
            The crossings to keep.
        """
        total = np.concatenate([np.zeros(1, np.int64), np.cumsum(kept)])
        return Layers(
            total[self.first],
            self.t[kept],
            self.face[kept],
            self.front[kept],
            self.depth,
            self.reach,
        )

    def take(self, index: NDArray[np.integer] | NDArray[np.bool_]) -> Layers:
        """Return the table of some rays only.

        Parameters
        ----------
        index : array of int, or (N,) bool
            The rays.
        """
        index = np.asarray(np.flatnonzero(index) if index.dtype == bool else index, np.int64)
        count = np.diff(self.first)[index]
        first = np.concatenate([[0], np.cumsum(count)])
        rows = rows_of_runs(self.first, index)
        return Layers(
            first,
            self.t[rows],
            self.face[rows],
            self.front[rows],
            self.depth[index],
            self.reach[index],
        )


@njit(cache=True, nogil=True, makes_arrays=False)
def _recorded(
    first: NDArray[np.int64], t: Floats, start: Floats, depth: Floats, out: NDArray[np.int64]
) -> None:
    for i in range(len(first) - 1):
        out[i] = recorded_of(first, t, i, start[i], depth[i])


@njit(cache=True, nogil=True, inline="always")
def recorded_of(
    first: NDArray[np.int64], t: NDArray[Any], i: int, start: float, depth: float
) -> int:
    """Return the outermost crossing of ray i with ``-depth <= t <= start``, or `NO_LAYER`."""
    layer = NO_LAYER
    for k in range(first[i + 1] - 1, first[i] - 1, -1):
        if t[k] <= start:
            if t[k] >= -depth:
                layer = k
            break
    return layer
