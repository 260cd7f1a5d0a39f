"""UV islands that are wrong as a whole: their picture lies beside them, or is tilted all over.

The whole island agrees with the map read some texels aside, by one shift, and not where it is. A
place whose rays leaned slides within its island; a map that was shifted takes all islands along.
An island that was baked for other tangent frames is turned by one rotation all over.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, uniform_filter

from cagecheck.arrays.types import Floats
from cagecheck.locating.compare import Fault, TileView, is_known
from cagecheck.locating.conventions import AGREEMENT_DEGREES, FLAT_WEIGHT
from cagecheck.loops import njit

# Islands are moved by hand and by packing; farther than this share of the map they are looked for
# in vain, since chance agreement grows with every place that is tried.
REACH_SHARE = 0.05
# Smaller islands hold too little detail to be told by it, and where less than this share of an
# island is faulty it lies where it should.
LEAST_TEXELS, LEAST_FAULTY = 300, 0.15
# So many texels of an island are asked, and so many islands, the largest first.
ASKED, MOST_ISLANDS = 600, 12
# The moved picture must agree so well, and better by so much than the one in place.
LEAST_FIT, LEAST_GAIN = 0.5, 0.25
# An island is turned when it is by so much, and then agrees nearly everywhere.
LEAST_TURN, TURN_FIT = 3.0, 0.8
# Slides that are alike to a texel or so, over a tenth of the area, are one slide.
ALIKE_TEXELS, ALIKE_SHARE = 1.5, 0.1
ONE_COLOUR = 2 / 127.5
_AGREEING = np.radians(AGREEMENT_DEGREES)
# The search is coarse on pictures thinned to this edge, then fine.
COARSE_SIZE = 512


def moved_islands(
    covered: NDArray[np.bool_],
    fault: NDArray[np.uint8],
    wanted: NDArray[np.float32],
    stored: NDArray[np.float32],
) -> tuple[NDArray[np.bool_], NDArray[np.float32]]:
    """Return (H, W) bool, texels of moved islands, and (H, W, 2) float32 by how much (right, down).

    wanted, stored : (H, W, 3) unit normals as the map should hold them and as it does.
    """
    size = covered.shape[0]
    moved, shift = np.zeros(covered.shape, bool), np.zeros((*covered.shape, 2), np.float32)
    for number, labels in asked_islands(covered, fault):
        island = labels == number
        found = _shift_of(island, wanted, stored, max(round(REACH_SHARE * size), 2))
        if found is not None:
            moved |= island
            shift[island] = found
    return moved, shift


def slid_alike(
    moved: NDArray[np.bool_],
    shift: NDArray[np.float32],
    slid: NDArray[np.bool_],
    slide: NDArray[np.float32],
) -> bool:
    """Tell whether islands around slid by the same shift as those that moved: then none moved.

    slid : (H, W) bool, texels of other islands that slid, by `slide`.
    """
    if not moved.any() or not slid.any():
        return False
    own = np.median(shift[moved], axis=0)
    alike = np.abs(slide[slid] - own).max(axis=1) <= ALIKE_TEXELS
    return bool(alike.sum() >= ALIKE_SHARE * moved.sum())


def asked_islands(
    covered: NDArray[np.bool_], fault: NDArray[np.uint8]
) -> list[tuple[int, NDArray[np.int32]]]:
    """Return the islands that much is wrong on, the largest first, as numbers in one labelling."""
    labels, count = label(covered, np.ones((3, 3), np.int8))
    whole = np.bincount(labels.ravel(), minlength=count + 1)
    whole[0] = 0  # off the low poly
    wrong = covered & (fault != Fault.CLEAN)
    faulty = np.bincount(labels[wrong], minlength=count + 1)
    asked = np.flatnonzero((whole >= LEAST_TEXELS) & (faulty >= LEAST_FAULTY * whole))
    order = asked[np.argsort(-whole[asked], kind="stable")][:MOST_ISLANDS]
    return [(int(number), labels) for number in order]


def _shift_of(
    island: NDArray[np.bool_],
    wanted: NDArray[np.float32],
    stored: NDArray[np.float32],
    reach: int,
) -> tuple[int, int] | None:
    """Return the shift (right, down) that brings an island's picture under it, or None."""
    size = island.shape[0]
    y, x = np.nonzero(island & is_known(wanted))
    some = slice(None, None, max(len(y) // ASKED, 1))
    y, x = y[some], x[some]
    if len(y) == 0:
        return None
    thin = max(size // COARSE_SIZE, 1)

    own = wanted[y, x].astype(np.float64)

    def fit(picture: NDArray[np.float32], right: int, down: int) -> float:
        return float(_agreement_at(picture, y + down, x + right, own))

    def best(
        picture: NDArray[np.float32], middle: tuple[int, int], far: int, pace: int
    ) -> tuple[float, int, int]:
        steps = range(-far, far + 1, pace)
        tried = [
            (fit(picture, middle[0] + dx, middle[1] + dy), -abs(dx) - abs(dy), dx, dy)
            for dy in steps
            for dx in steps
        ]
        value, _, dx, dy = max(tried)
        return value, middle[0] + dx, middle[1] + dy

    blurred = stored if thin == 1 else uniform_filter(stored, (thin, thin, 1))
    pace = 2 * thin
    _, right, down = best(blurred, (0, 0), reach // pace * pace, pace)
    value, right, down = best(stored, (right, down), pace, 1)
    if (right, down) == (0, 0) or value < max(LEAST_FIT, fit(stored, 0, 0) + LEAST_GAIN):
        return None
    return right, down


def turned_islands(
    covered: NDArray[np.bool_],
    fault: NDArray[np.uint8],
    wanted: NDArray[np.float32],
    stored: NDArray[np.float32],
    painted: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Return (H, W) bool, texels of islands whose normals are all turned by one rotation.

    painted : (H, W) bool, places of one colour, which is a turn of whatever belongs there.

    The rotation is the one of least squares (Kabsch, Acta Crystallographica A32, 1976).
    """
    out = np.zeros(covered.shape, bool)
    for number, labels in asked_islands(covered, fault):
        island = labels == number
        y, x = np.nonzero(
            island
            & is_known(wanted)
            & np.isin(fault, (Fault.UNEXPLAINED, Fault.SKEW, Fault.SEAM, Fault.CLEAN))
        )
        varied = ~painted[y, x]
        y, x = y[varied], x[varied]
        some = slice(None, None, max(len(y) // ASKED, 1))
        own = wanted[y[some], x[some]].astype(np.float64)
        shown = stored[y[some], x[some]].astype(np.float64)
        # One colour is a turn of any other.
        if len(own) < LEAST_TEXELS or shown.std(axis=0).max() < ONE_COLOUR:
            continue
        turn = rotation_between(own, shown)
        degrees = np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1)))
        fit = _agreement(shown, np.ascontiguousarray(own @ turn.T))
        if degrees >= LEAST_TURN and fit >= max(TURN_FIT, _agreement(shown, own) + LEAST_GAIN):
            out |= island
    return out


def rotation_between(a: Floats, b: Floats) -> Floats:
    """Return the (3, 3) rotation R for which R a is nearest to b, row by row."""
    u, _, v = np.linalg.svd(b.T @ a)
    mirrored = np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ v))])
    out: Floats = u @ mirrored @ v
    return out


@njit(cache=True, nogil=True)
def _agreement_at(
    picture: NDArray[np.float32], y: NDArray[np.int64], x: NDArray[np.int64], wanted: Floats
) -> float:
    """Return the agreement of a picture's texels, nothing beyond its edge, with unit vectors."""
    shown = np.zeros((len(y), 3))
    for k in range(len(y)):
        if 0 <= y[k] < picture.shape[0] and 0 <= x[k] < picture.shape[1]:
            for axis in range(3):
                shown[k, axis] = picture[y[k], x[k], axis]
    return float(_agreement(shown, wanted))


@njit(cache=True, nogil=True)
def _agreement(shown: Floats, wanted: Floats) -> float:
    """Return the agreement of `cagecheck.locating.conventions` between unit vectors."""
    total = weights = 0.0
    for k in range(len(shown)):
        # Squared chords stand for squared angles, which are alike where agreement is not nil.
        chord = 0.0
        for axis in range(3):
            chord += (shown[k, axis] - wanted[k, axis]) ** 2
        weight = FLAT_WEIGHT + np.sqrt(wanted[k, 0] ** 2 + wanted[k, 1] ** 2)
        total += weight * np.exp(-chord / _AGREEING**2)
        weights += weight
    return total / weights


def wants_islands(view: TileView, fault: NDArray[np.uint8]) -> bool:
    """Tell whether there are islands to ask."""
    return bool(asked_islands(view.triangle >= 0, fault))
