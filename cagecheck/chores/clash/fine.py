"""Triangles cut finely, with every place that their pieces share worked out once.

Each cut is in four at the edges' middles. Which places a piece's corners are, and which two an
edge's middle lies between, is the same for all triangles cut equally often: a pattern per depth.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.rows import distinct_points
from cagecheck.arrays.types import Floats

# Triangles are cut until their edges are this share of the scene's diagonal, within these bounds.
FINEST = 1 / 400
MOST_CUTS = 5
MOST_PIECES = 400_000

Numbers = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Fine:
    """Pieces of T triangles.

    Attributes
    ----------
    places : (D, 3) float64, where pieces have corners, neighbours mostly together.
    corners : (F, 3) int64, the places of each piece; pieces that were cut less often come first.
    at : (M,) int64 places, and owner : (M,) int64 triangles that have a piece's corner there.
    """

    places: Floats
    corners: Numbers
    at: Numbers
    owner: Numbers


@dataclass(frozen=True, eq=False)
class _Pattern:
    """A triangle cut in four so many times.

    middles : one (K, 2) per cut, the places that each new one lies between; corners : (4^n, 3).
    """

    middles: tuple[Numbers, ...]
    corners: Numbers
    places: int


def cut_finely(triangles: Floats) -> Fine:
    """Cut (T, 3, 3) triangles in four until their edges are short."""
    depth = _cuts(triangles)
    points, corners, at = [np.zeros((0, 3))], [np.zeros((0, 3), np.int64)], [np.zeros(0, np.int64)]
    base = 0
    for cuts in range(int(depth.max(initial=-1)) + 1):
        mine = np.flatnonzero(depth == cuts)
        pattern = _pattern(cuts)
        points.append(_places(triangles[mine], pattern).reshape(-1, 3))
        starts = base + pattern.places * np.arange(len(mine))
        corners.append((starts[:, None, None] + pattern.corners).reshape(-1, 3))
        at.append(np.repeat(mine, pattern.places))
        base += pattern.places * len(mine)
    first, number = distinct_points(np.concatenate(points))
    return Fine(
        np.concatenate(points)[first],
        number[np.concatenate(corners)],
        number,
        np.concatenate(at),
    )


def _cuts(triangles: Floats) -> Numbers:
    """Return (T,) how often each triangle is cut; together they stay within the bounds."""
    sides = triangles - np.roll(triangles, -1, axis=1)
    longest = np.sqrt(np.einsum("ijk,ijk->ij", sides, sides).max(axis=1, initial=0))
    out = np.zeros(len(triangles), np.int64)
    room = MOST_PIECES
    for cuts in range(MOST_CUTS):
        large = (out == cuts) & (longest * 0.5**cuts > FINEST)
        if 4 ** (cuts + 1) * int(large.sum()) > room:
            break
        room -= 4**cuts * int(((out == cuts) & ~large).sum())
        out[large] += 1
    return out


def _places(triangles: Floats, pattern: _Pattern) -> Floats:
    """Return (T, P, 3) the places of a pattern on (T, 3, 3) triangles."""
    out = np.empty((len(triangles), pattern.places, 3))
    out[:, :3] = triangles
    done = 3
    for middles in pattern.middles:
        out[:, done : done + len(middles)] = (out[:, middles[:, 0]] + out[:, middles[:, 1]]) / 2
        done += len(middles)
    return out


@cache
def _pattern(cuts: int) -> _Pattern:
    """Cut a triangle whose corners are places 0, 1 and 2; of four pieces the middle one is last."""
    if cuts == 0:
        return _Pattern((), np.array([[0, 1, 2]]), 3)
    coarse = _pattern(cuts - 1)
    ends = np.sort(np.stack([coarse.corners, np.roll(coarse.corners, -1, axis=1)], axis=2), axis=2)
    middles, number = np.unique(ends.reshape(-1, 2), axis=0, return_inverse=True)
    a, b, c = coarse.corners.T
    ab, bc, ca = (coarse.places + number).reshape(-1, 3).T
    pieces = np.stack([[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]])
    corners = np.moveaxis(pieces, 2, 0).reshape(-1, 3)
    return _Pattern((*coarse.middles, middles), corners, coarse.places + len(middles))
