"""Polygons to triangles for tens of millions of faces, by the rules of `triangulate`.

Triangles pass through, quads are cut along the diagonal from their first corner (along the other
where that one runs outside); the few larger polygons go through `triangulate` itself.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Ints
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.triangulate import triangulate


def cut_polygons(
    positions: NDArray[np.floating[Any]],
    face_start: NDArray[np.int64],
    corner_vertex: Ints,
    corner_value: Ints | None = None,
) -> tuple[Ints, Ints | None]:
    """Return (T, 3) int32 vertex indices in face order, and the (T,) face of each.

    The face list is None when every face is a triangle (then triangle t is face t). With
    `corner_value`, (C,) int32, the triangles are made of those numbers instead of the vertices'.
    """
    sizes = np.diff(face_start)
    value = corner_vertex if corner_value is None else corner_value
    if len(sizes) and sizes.min() == 3 and sizes.max() == 3:
        return value.reshape(-1, 3), None
    count = int(np.maximum(sizes - 2, 0).sum())
    triangles = np.empty((count, 3), np.int32)
    face = np.empty(count, np.int32)
    _cut_small(positions, face_start, corner_vertex, value, triangles, face)
    large = np.flatnonzero(sizes > 4)
    if len(large):
        _cut_large(positions, face_start, corner_vertex, value, large, triangles, face)
    return triangles, face


@njit(nogil=True, cache=True)
def _cut_small(
    positions: NDArray[Any],
    face_start: NDArray[np.int64],
    corner_vertex: NDArray[np.int32],
    value: NDArray[np.int32],
    triangles: NDArray[np.int32],
    face: NDArray[np.int32],
) -> None:
    t = 0
    p = np.empty((4, 3))
    for f in range(len(face_start) - 1):
        begin = face_start[f]
        size = face_start[f + 1] - begin
        if size == 3:
            for k in range(3):
                triangles[t, k] = value[begin + k]
            face[t] = f
            t += 1
        elif size == 4:
            for k in range(4):
                for axis in range(3):
                    p[k, axis] = positions[corner_vertex[begin + k], axis]
            first = _opposed(p, 0, 1, 2, 0, 2, 3) and not _opposed(p, 0, 1, 3, 1, 2, 3)
            cut = ((0, 1, 3), (1, 2, 3)) if first else ((0, 1, 2), (0, 2, 3))
            for half in cut:
                triangles[t, 0] = value[begin + half[0]]
                triangles[t, 1] = value[begin + half[1]]
                triangles[t, 2] = value[begin + half[2]]
                face[t] = f
                t += 1
        elif size > 4:
            for _ in range(size - 2):
                face[t] = f
                t += 1


@njit(nogil=True, cache=True)
def _opposed(p: NDArray[Any], a: int, b: int, c: int, d: int, e: int, f: int) -> bool:
    """Tell whether two halves of a quad look opposite ways."""
    dot = 0.0
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        first = (p[b, i] - p[a, i]) * (p[c, j] - p[a, j]) - (p[b, j] - p[a, j]) * (
            p[c, i] - p[a, i]
        )
        second = (p[e, i] - p[d, i]) * (p[f, j] - p[d, j]) - (p[e, j] - p[d, j]) * (
            p[f, i] - p[d, i]
        )
        dot += first * second
    return dot < 0


def _cut_large(
    positions: NDArray[np.floating[Any]],
    face_start: NDArray[np.int64],
    corner_vertex: Ints,
    value: Ints,
    large: NDArray[np.int64],
    triangles: Ints,
    face: Ints,
) -> None:
    sizes = np.diff(face_start)[large]
    start = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    corner = np.repeat(face_start[:-1][large] - start[:-1], sizes) + np.arange(start[-1])
    used, local = np.unique(corner_vertex[corner], return_inverse=True)
    sub = Mesh(
        positions=positions[used].astype(np.float64),
        face_start=start,
        corner_vertex=local.astype(np.int32),
        face_part=np.zeros(len(large), np.int32),
    )
    cut = triangulate(sub)
    slot = np.searchsorted(face, large)
    within = np.arange(len(cut.face)) - np.searchsorted(cut.face, cut.face)
    triangles[slot[cut.face] + within] = value[corner][cut.corners]
