"""Where the surfaces of two parts meet, and where they pass through each other there.

Triangles that reach beyond both sides of each other's planes and meet cross plainly. What only
touches crosses where the surfaces around it do: see `contacts`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.contacts import find_contacts
from cagecheck.chores.clash.solids import Solid, crossing_segments, straddling
from cagecheck.meshes.meeting import near_pairs, which_meet


@dataclass(frozen=True, eq=False)
class Crossings:
    """Triangles of two parts that meet.

    Attributes
    ----------
    pairs : (P, 2) int64, triangles of either part that meet, sorted; touching counts.
    crosses : (P,) bool, those where the surfaces pass through each other.
    line : (L, 2, 3) float64, lines in which they do.
    line_pair : (L,) int64, the pair that each is of.
    joined : (K, 2) int64, pairs that cross in one line or area, though they share no triangle.
    """

    pairs: NDArray[np.int64]
    crosses: NDArray[np.bool_]
    line: Floats
    line_pair: NDArray[np.int64]
    joined: NDArray[np.int64]

    def only_crossing(self) -> Crossings:
        """Return these without the pairs that only touch."""
        number = np.cumsum(self.crosses) - 1
        kept = self.pairs[self.crosses]
        return Crossings(
            kept,
            np.ones(len(kept), bool),
            self.line,
            number[self.line_pair],
            number[self.joined],
        )


def find_crossings(one: Solid, other: Solid, margin: float) -> Crossings:
    """Find where two parts meet; what reaches less than the margin through only touches."""
    near = near_pairs(one.boxes, other.boxes, margin)
    meeting = near[
        which_meet((one.positions, one.triangles), (other.positions, other.triangles), near)
    ]
    plain = meeting[straddling(one, other, meeting, margin)]
    contacts = find_contacts(one, other, near, plain, margin)
    pairs = np.unique(np.concatenate([meeting, contacts.pairs]), axis=0)
    crossing = np.concatenate([plain, contacts.pairs[contacts.crosses]])
    crosses = np.zeros(len(pairs), bool)
    crosses[_rows_of(crossing, pairs)] = True
    line = np.concatenate([crossing_segments(one, other, plain), contacts.line])
    line_rows = np.concatenate([plain, contacts.pairs[contacts.line_pair]])
    line_pair = _rows_of(line_rows, pairs)
    joined = _rows_of(contacts.pairs[contacts.joined.ravel()], pairs).reshape(-1, 2)
    joined = np.concatenate([joined, line_pair[_meeting_ends(line, margin)]])
    return Crossings(pairs, crosses, line, line_pair, joined)


def _meeting_ends(line: Floats, margin: float) -> NDArray[np.int64]:
    """Return (K, 2) lines that have an end in common, within the margin."""
    if len(line) == 0:
        return np.zeros((0, 2), np.int64)
    ends = cKDTree(line.reshape(-1, 3)).query_pairs(margin, output_type="ndarray") // 2
    return np.asarray(ends, np.int64)


def _rows_of(rows: NDArray[np.int64], pairs: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return (N,) where each row (N, 2) stands among the sorted pairs."""
    key = np.array([int(pairs[:, 1].max(initial=0)) + 1, 1])
    return np.searchsorted(pairs @ key, rows @ key)
