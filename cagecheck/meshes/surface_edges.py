"""Open and contradicting edges of a high poly's parts.

Edges are sorted as plain numbers, part by part: 24 bytes per triangle of the largest part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.weld_points import weld_points
from cagecheck.progress import Progress, silent

_NO_EDGE = np.uint64(0xFFFFFFFFFFFFFFFF)


@dataclass(frozen=True, eq=False)
class HighEdges:
    """Edges of one kind on a high poly.

    ends : (E, 2) int64, position numbers, equal for vertices at one place.
    start, end : (E, 3) float64 their places. triangle : (E,) int64, one that has the edge.
    """

    ends: NDArray[np.int64]
    start: Floats
    end: Floats
    triangle: NDArray[np.int64]


def high_edges(
    surface: Surface, without: NDArray[np.int64] | None = None, *, progress: Progress = silent
) -> tuple[HighEdges, HighEdges]:
    """Return the edges that only one triangle of a part has, and those that two run the same way.

    Vertices at one place (to float32, around the surface's own centre) count as one, so that
    triangle soups and split vertices are no holes. `without` : triangles that have no say; only
    what is open with them and without them is open, as some of them may fill gaps.
    """
    progress("edges of the high poly", 0, _count(surface))
    site = site_numbers(surface)
    part = surface.triangle_part
    in_order = bool(np.all(part[1:] >= part[:-1]))
    order = None if in_order else np.argsort(part, kind="stable")
    bounds = np.searchsorted(part if order is None else part[order], np.arange(_count(surface) + 1))
    found: tuple[list[NDArray[np.int64]], list[NDArray[np.int64]]] = ([], [])
    for k in range(_count(surface)):
        rows = np.arange(bounds[k], bounds[k + 1])
        rows = rows if order is None else order[rows]
        count = len(surface.positions)
        wanted_open = None
        if without is not None and (gone := np.isin(rows, without)).any():
            keys = _keys(surface.triangles, rows, site, count)
            wanted_open, _ = _open_and_same_way(np.sort(keys))
            rows = rows[~gone]
        keys = _keys(surface.triangles, rows, site, count)
        is_open, is_same = _open_and_same_way(np.sort(keys))
        if wanted_open is not None:
            is_open = np.intersect1d(is_open, wanted_open)
        for kind, wanted in zip(found, (is_open, is_same), strict=True):
            half = _where(keys, wanted) if len(wanted) else np.zeros(0, np.int64)
            kind.append(3 * rows[half // 3] + half % 3)
        progress("edges of the high poly", k + 1, _count(surface))
    open_edges, same_way = (_described(surface, site, np.concatenate(kind)) for kind in found)
    return open_edges, same_way


def _count(surface: Surface) -> int:
    return len(surface.part_names)


def site_numbers(surface: Surface) -> Ints:
    """Return (V,) int32 numbers of the vertices' places, equal for vertices at one place."""
    positions = surface.positions
    if len(positions) == 0:
        return np.zeros(0, np.int32)
    if positions.dtype != np.float32:
        centre = 0.5 * (positions.min(axis=0) + positions.max(axis=0))
        positions = (positions - centre).astype(np.float32)
    words = np.ascontiguousarray(positions).view(np.uint32)
    # Points are welded in threes, as corners of triangles: the last one fills up the last three.
    threes = np.concatenate([words, np.repeat(words[-1:], -len(words) % 3, axis=0)])
    return weld_points(threes.reshape(-1, 3, 3))[1].ravel()[: len(words)]


@njit(cache=True, nogil=True)
def _keys(triangles, rows, site, count):  # type: ignore[no-untyped-def]
    """Return (3 R,) an edge as one number, the last bit saying which way it runs."""
    out = np.empty(3 * len(rows), np.uint64)
    for n in range(len(rows)):
        for k in range(3):
            a = np.uint64(site[triangles[rows[n], k]])
            b = np.uint64(site[triangles[rows[n], (k + 1) % 3]])
            if a == b:
                out[3 * n + k] = _NO_EDGE
            elif a < b:
                out[3 * n + k] = (a * np.uint64(count) + b) * np.uint64(2)
            else:
                out[3 * n + k] = (b * np.uint64(count) + a) * np.uint64(2) + np.uint64(1)
    return out


@njit(cache=True, nogil=True)
def _open_and_same_way(ordered):  # type: ignore[no-untyped-def]
    """Return the keys used once, and those that two half-edges share with one direction."""
    single, same = [np.uint64(0) for _ in range(0)], [np.uint64(0) for _ in range(0)]
    n = len(ordered)
    i = 0
    while i < n and ordered[i] != _NO_EDGE:
        j = i + 1
        while j < n and ordered[j] >> np.uint64(1) == ordered[i] >> np.uint64(1):
            j += 1
        if j - i == 1:
            single.append(ordered[i])
        elif j - i == 2 and ordered[i] == ordered[i + 1]:
            same.append(ordered[i])
        i = j
    return np.array(single, np.uint64), np.array(same, np.uint64)


@njit(cache=True, nogil=True)
def _where(keys, wanted):  # type: ignore[no-untyped-def]
    """Return the first place of every wanted key (ascending, each present) among the keys."""
    out = np.full(len(wanted), -1, np.int64)
    for i in range(len(keys)):
        k = np.searchsorted(wanted, keys[i])
        if k < len(wanted) and wanted[k] == keys[i] and out[k] < 0:
            out[k] = i
    return out


def _described(surface: Surface, site: Ints, half: NDArray[np.int64]) -> HighEdges:
    a = surface.triangles.reshape(-1)[half]
    b = surface.triangles.reshape(-1)[3 * (half // 3) + (half + 1) % 3]
    return HighEdges(
        np.stack([site[a], site[b]], axis=1).astype(np.int64).reshape(-1, 2),
        surface.positions[a].astype(np.float64).reshape(-1, 3),
        surface.positions[b].astype(np.float64).reshape(-1, 3),
        half // 3,
    )
