"""Connected pieces of triangles, and points scattered over pieces."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.facets import triangle_areas


def connected_pieces(corners: Ints, label: Ints) -> tuple[NDArray[np.int32], int]:
    """Number the pieces of triangles that hang together over corners and carry one label.

    corners : (T, 3) numbers of places. label : (T,) integers.

    Returns (T,) int32 from 0 in order of first use, and how many pieces there are.
    """
    out = np.empty(len(corners), np.int32)
    if len(corners) == 0:
        return out, 0
    # Places are told apart by the label as well: pieces of two parts may touch.
    key = corners.astype(np.int64) * (int(label.max()) + 1) + label[:, None]
    _, place = np.unique(key, return_inverse=True)
    place = place.reshape(-1, 3)
    return out, _join(place, int(place.max()) + 1, out)


@njit(cache=True, nogil=True)
def _join(place: NDArray[np.int64], count: int, out: NDArray[np.int32]) -> int:
    """Join the corners of every triangle (union-find with halved paths); number what is joined."""
    above = np.arange(count)
    for t in range(len(place)):
        for k in range(1, 3):
            a, b = _top(above, place[t, 0]), _top(above, place[t, k])
            above[max(a, b)] = min(a, b)
    number = np.full(count, -1, np.int32)
    used = 0
    for t in range(len(place)):
        top = _top(above, place[t, 0])
        if number[top] < 0:
            number[top] = used
            used += 1
        out[t] = number[top]
    return used


@njit(cache=True, nogil=True)
def _top(above: NDArray[np.int64], a: int) -> int:
    while above[a] != a:
        above[a] = above[above[a]]
        a = above[a]
    return a


def scattered(
    positions: Floats,
    triangles: Ints,
    label: Ints,
    labels: int,
    each: int,
    rng: np.random.Generator,
) -> tuple[NDArray[np.int64], NDArray[np.int32], Floats]:
    """Scatter `each` points by area over the triangles of every label that has area.

    Returns (K,) those labels, (K * each,) the points' triangles and (K * each, 3) their places.
    """
    area = np.empty(len(triangles))
    triangle_areas(positions, triangles, area)
    order = np.argsort(label, kind="stable")
    total = np.cumsum(area[order])
    bounds = np.searchsorted(label[order], np.arange(labels + 1))
    before = np.concatenate([[0.0], total])[bounds]
    size = np.diff(before)
    asked = np.flatnonzero(size > 0)
    share = (np.arange(each) + rng.uniform(size=(len(asked), each))) / each
    row = np.searchsorted(total, before[asked, None] + share * size[asked, None], side="right")
    row = np.clip(row, bounds[asked, None], bounds[asked + 1, None] - 1)
    face = order[row.ravel()].astype(np.int32)
    root, w = np.sqrt(rng.uniform(size=len(face))), rng.uniform(size=len(face))
    weights = np.stack([1 - root, root * (1 - w), root * w], axis=1)
    corner = positions[triangles[face]].astype(np.float64)
    return asked, face, np.einsum("ij,ijk->ik", weights, corner)
