"""Connected pieces of triangles, and points scattered over pieces."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.meshes.facets import triangle_areas


def connected_pieces(corners: Ints, label: Ints) -> tuple[NDArray[np.int32], int]:
    """Number the pieces of triangles that hang together over corners and carry one label.

    corners : (T, 3) numbers of places. label : (T,) integers.

    Returns (T,) int32 from 0, label by label in order of first use, and how many pieces there are.
    """
    in_order = bool(np.all(label[1:] >= label[:-1]))
    order = np.arange(len(label)) if in_order else np.argsort(label, kind="stable")
    out = np.empty(len(corners), np.int32)
    return out, _join(corners, label, order, int(corners.max(initial=-1)) + 1, out)


@njit(cache=True, nogil=True)
def _join(
    corners: Ints,
    label: Ints,
    order: NDArray[np.int64],
    places: int,
    out: NDArray[np.int32],
) -> int:
    """Join the corners of every triangle (union-find with halved paths); number what is joined.

    A place gets a number of its own under every label: pieces of two parts may touch.
    """
    seen_under, number = np.full(places, -1, np.int64), np.empty(places, np.int64)
    above = np.empty(3 * len(corners), np.int64)
    first = np.empty(len(corners), np.int64)
    used = 0
    for t in order:
        for k in range(3):
            place = corners[t, k]
            if seen_under[place] != label[t]:
                seen_under[place], number[place], above[used] = label[t], used, used
                used += 1
        first[t] = number[corners[t, 0]]
        for k in range(1, 3):
            a, b = _top(above, first[t]), _top(above, number[corners[t, k]])
            above[max(a, b)] = min(a, b)
    piece = np.full(used, -1, np.int32)
    pieces = 0
    for t in order:
        top = _top(above, first[t])
        if piece[top] < 0:
            piece[top] = pieces
            pieces += 1
        out[t] = piece[top]
    return pieces


@njit(cache=True, nogil=True)
def _top(above: NDArray[np.int64], a: int) -> int:
    while above[a] != a:
        above[a] = above[above[a]]
        a = above[a]
    return a


def scattered(
    positions: NDArray[np.floating[Any]],
    triangles: NDArray[np.integer[Any]],
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
    order = None
    if (label[1:] < label[:-1]).any():  # most files hold one part after the other
        order = np.argsort(label, kind="stable")
        area, label = area[order], label[order]
    total = np.cumsum(area)
    bounds = np.searchsorted(label, np.arange(labels + 1))
    before = np.concatenate([[0.0], total])[bounds]
    size = np.diff(before)
    asked = np.flatnonzero(size > 0)
    share = (np.arange(each) + rng.uniform(size=(len(asked), each))) / each
    row = np.searchsorted(total, before[asked, None] + share * size[asked, None], side="right")
    row = np.clip(row, bounds[asked, None], bounds[asked + 1, None] - 1)
    face = row.ravel().astype(np.int32) if order is None else order[row.ravel()].astype(np.int32)
    root, w = np.sqrt(rng.uniform(size=len(face))), rng.uniform(size=len(face))
    weights = np.stack([1 - root, root * (1 - w), root * w], axis=1)
    corner = positions[triangles[face]].astype(np.float64)
    return asked, face, np.einsum("ij,ijk->ik", weights, corner)
