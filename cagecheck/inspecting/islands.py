"""UV islands: triangles joined across edges where the UVs of both sides agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.edges import edge_pairs, next_corner
from cagecheck.meshes.lowpoly import LowPoly

# UVs of two corners this near are one: text files keep six decimals, float32 seven digits.
SAME_UV = 2e-6


@dataclass(frozen=True, eq=False)
class Islands:
    """The UV islands of a low poly.

    Half-edge ``3 t + k`` runs from corner k to corner k + 1 of triangle t.

    Attributes
    ----------
    of_triangle : (T,) int32, island of every triangle, -1 where a UV is missing or the triangle
        has no area (it joins its neighbours, but is no part of the map).
    count : number of islands.
    left, right : (E,) int64, the half-edges on both sides of every inner edge of the surface.
    is_seam : (E,) bool, the UVs of the two sides differ.
    border : (B,) int64, half-edges on the outline of an island: seams and open borders.
    map_id : (T,) int32, triangles that are baked into one set of maps share a number.
    """

    of_triangle: Ints
    count: int
    left: NDArray[np.int64]
    right: NDArray[np.int64]
    is_seam: NDArray[np.bool_]
    border: NDArray[np.int64]
    map_id: Ints

    def first_triangle(self) -> Ints:
        """Return (count,) the first triangle of every island."""
        out = np.zeros(self.count, np.int32)
        known = np.flatnonzero(self.of_triangle >= 0)[::-1]
        out[self.of_triangle[known]] = known
        return out


def find_islands(low: LowPoly, *, one_map: bool = False) -> Islands:
    """Group the triangles of a low poly with UVs into islands.

    Without `one_map` every material has maps of its own, so that islands of different materials
    never share a texel.
    """
    assert low.uv is not None, "islands need UVs"
    _, left, right = edge_pairs(low.welded)
    has_uv = np.asarray(np.isfinite(low.uv).all(axis=(1, 2)))
    is_seam = _uv_differ(low, left, right)
    usable = has_uv[left // 3] & has_uv[right // 3]
    joins = ~is_seam & usable
    n = len(low.triangles)
    a, b = left[joins] // 3, right[joins] // 3
    graph = coo_array((np.ones(len(a), np.int8), (a, b)), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    of_triangle = np.full(n, -1, np.int32)
    mapped = has_uv & (low.area > 0)
    numbers, index = np.unique(label[mapped], return_inverse=True)
    of_triangle[mapped] = index
    outline = np.repeat(mapped, 3)
    outline[left[joins]] = False
    outline[right[joins]] = False
    material = low.mesh.face_material
    map_id = np.zeros(n, np.int32)
    if material is not None and not one_map:
        map_id = (material[low.cut.face] + 1).astype(np.int32)
    return Islands(
        of_triangle=of_triangle,
        count=len(numbers),
        left=left,
        right=right,
        is_seam=is_seam & usable,
        border=np.flatnonzero(outline),
        map_id=map_id,
    )


def _uv_differ(
    low: LowPoly, left: NDArray[np.int64], right: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Say for each pair of half-edges whether the UVs differ at either shared end."""
    assert low.uv is not None
    position = low.welded.ravel()
    uv = low.uv.reshape(-1, 2)
    left_end, right_end = next_corner(left), next_corner(right)
    opposed = position[left] == position[right_end]
    # A neighbour wound against this one runs the shared edge the same way.
    meets_start = np.where(opposed, right_end, right)
    meets_end = np.where(opposed, right, right_end)
    with np.errstate(invalid="ignore"):
        apart = np.maximum(
            np.abs(uv[left] - uv[meets_start]).max(axis=1),
            np.abs(uv[left_end] - uv[meets_end]).max(axis=1),
        )
    return ~(apart <= SAME_UV)


def segment_ends(low: LowPoly, half_edge: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return the UVs at both ends of half-edges, (N, 2) each."""
    assert low.uv is not None
    uv = low.uv.reshape(-1, 2)
    return uv[half_edge], uv[next_corner(half_edge)]


def island_boxes(low: LowPoly, islands: Islands) -> tuple[Floats, Floats]:
    """Return the (count, 2) lowest and highest UV of every island."""
    assert low.uv is not None
    known = np.flatnonzero(islands.of_triangle >= 0)
    order = known[np.argsort(islands.of_triangle[known], kind="stable")]
    _, start = np.unique(islands.of_triangle[order], return_index=True)
    uv = low.uv[order]
    if len(order) == 0:
        return np.zeros((0, 2)), np.zeros((0, 2))
    return (
        np.minimum.reduceat(uv.min(axis=1), start, axis=0),
        np.maximum.reduceat(uv.max(axis=1), start, axis=0),
    )
