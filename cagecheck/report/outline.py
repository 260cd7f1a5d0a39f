"""The outline of a set of heat-map triangles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.loops import njit
from cagecheck.meshes.edges import edge_table
from cagecheck.meshes.normals import normalised

# Lattices of neighbouring low-poly triangles may differ in fineness, so their edges do not match
# one to one. A border edge is inside the outline when its middle lies on a border edge of another
# lattice (up to these shares of the longer edge) whose triangle is on the other side.
BESIDE, BEYOND = 0.1, 0.02
OPPOSITE_COSINE = -0.3


def outline(
    positions: NDArray[np.floating],
    triangles: NDArray[np.int32],
    chosen: NDArray[np.bool_],
    owner: NDArray[np.int32],
) -> NDArray[np.int32]:
    """Return (E, 2) int32 vertex pairs: the outline of chosen triangles (M,) bool.

    owner : (M,) int32, the low-poly triangle whose lattice each triangle is part of; lattices
        share no vertices.
    """
    inside = triangles[chosen]
    if len(inside) == 0:
        return np.zeros((0, 2), np.int32)
    from scipy.spatial import cKDTree  # a clean result does not wait for it to load

    pairs = np.concatenate([inside[:, [0, 1]], inside[:, [1, 2]], inside[:, [2, 0]]])
    whose = np.tile(owner[chosen], 3)
    third = np.concatenate([inside[:, 2], inside[:, 0], inside[:, 1]])
    table = edge_table(pairs[:, 0], pairs[:, 1])
    border = table.first[table.uses == 1]
    pairs, whose, third = pairs[border], whose[border], third[border]
    a, b = positions[pairs[:, 0]], positions[pairs[:, 1]]
    middle, length = (a + b) / 2, np.linalg.norm(b - a, axis=1)
    along = normalised(np.asarray(b - a, np.float64))
    inward = np.asarray(positions[third] - middle, np.float64)
    inward = normalised(inward - np.einsum("nj,nj->n", inward, along)[:, None] * along)
    k = min(12, len(pairs))
    near = cKDTree(middle).query(middle, k=k)[1].reshape(-1, k)
    longer = np.maximum(length[:, None], length[near])
    way = middle[:, None] - a[near]
    share = np.einsum("nkj,nkj->nk", way, along[near])
    aside = np.linalg.norm(way - share[..., None] * along[near], axis=2)
    on_it = (share >= -BEYOND * longer) & (share <= length[near] + BEYOND * longer)
    on_it &= aside <= BESIDE * longer
    opposite = np.einsum("nkj,nj->nk", inward[near], inward) < OPPOSITE_COSINE
    other = whose[near] != whose[:, None]
    joined = (other & opposite & on_it).any(axis=1)
    out: NDArray[np.int32] = pairs[~joined]
    return out


@njit(cache=True, nogil=True)
def worst_of_triangles(
    triangles: NDArray[np.int32],
    shown: NDArray[np.int32],
    main: NDArray[np.uint8],
    rank: NDArray[np.uint8],
    out: NDArray[np.uint8],
) -> None:
    """Fill (M,) uint8: the worst main defect among each triangle's three vertices."""
    for i in range(len(triangles)):
        worst = main[shown[triangles[i, 0]]]
        for k in range(1, 3):
            other = main[shown[triangles[i, k]]]
            if rank[other] < rank[worst]:
                worst = other
        out[i] = worst
