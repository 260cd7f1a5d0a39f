"""Polygons to triangles, with a map back to faces and corners."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Mesh

QuadSplit = Literal["first", "short"]


@dataclass(frozen=True, eq=False)
class Triangulation:
    """Triangles of a `Mesh`.

    Attributes
    ----------
    corners : (T, 3) int32, index into the mesh's corners.
    face : (T,) int32, the polygon that each triangle came from. Triangles are in face order.
    solid : (T,) bool, triangles with area (see `set_aside`); None where that is not known.
    """

    corners: Ints
    face: Ints
    solid: NDArray[np.bool_] | None = None


def triangulate(mesh: Mesh, quads: QuadSplit = "first") -> Triangulation:
    """Cut every polygon into triangles.

    Quads are cut along the diagonal from their first corner (``first``) or along the shorter one
    (``short``); a quad whose chosen diagonal runs outside it is cut along the other. Larger
    polygons become a fan where they are convex and are ear-clipped where they are not. Faces
    with fewer than three corners give nothing.
    """
    sizes = np.diff(mesh.face_start)
    pieces: list[tuple[Ints, NDArray[np.int64]]] = []
    tris = np.flatnonzero(sizes == 3)
    pieces.append((_offsets(mesh, tris, np.array([[0, 1, 2]])), tris))
    fours = np.flatnonzero(sizes == 4)
    if len(fours):
        pieces.extend(_cut_quads(mesh, fours, quads))
    for size in np.unique(sizes[sizes > 4]):
        pieces.extend(_cut_polygons(mesh, np.flatnonzero(sizes == size), int(size)))
    corners = np.concatenate([p[0] for p in pieces])
    face = np.concatenate([p[1] for p in pieces])
    order = np.argsort(face, kind="stable")
    return Triangulation(
        np.ascontiguousarray(corners[order], dtype=np.int32), face[order].astype(np.int32)
    )


def newell_normals(mesh: Mesh) -> Floats:
    """Return (F, 3) face normals times twice the area, by Newell's method (any polygon).

    Source: Sutherland, Sproull, Schumacker, "A Characterization of Ten Hidden-Surface
    Algorithms", ACM Computing Surveys 6(1), 1974, which credits M. Newell.
    """
    if mesh.face_count == 0:
        return np.zeros((0, 3))
    points = mesh.positions[mesh.corner_vertex]
    following = np.arange(1, len(points) + 1)
    sizes = np.diff(mesh.face_start)
    filled = sizes > 0
    following[mesh.face_start[1:][filled] - 1] = mesh.face_start[:-1][filled]
    first = np.repeat(mesh.face_start[:-1], sizes)
    # Relative to the face's own first corner, so that far-away scenes keep their digits.
    local = points - points[first]
    cross = np.cross(local, points[following] - points[first])
    out = np.zeros((mesh.face_count, 3))
    np.add.at(out, mesh.corner_face, cross)
    return out


def _offsets(mesh: Mesh, faces: NDArray[np.int64], pattern: NDArray[np.int64]) -> Ints:
    start = mesh.face_start[:-1][faces]
    out: Ints = (start[:, None, None] + pattern[None]).reshape(-1, 3).astype(np.int32)
    return out


def _cut_quads(
    mesh: Mesh, faces: NDArray[np.int64], rule: QuadSplit
) -> list[tuple[Ints, NDArray[np.int64]]]:
    start = mesh.face_start[:-1][faces]
    p = mesh.positions[mesh.corner_vertex[start[:, None] + np.arange(4)]]

    def worst_side(cut: tuple[tuple[int, int, int], tuple[int, int, int]]) -> Floats:
        normals = [np.cross(p[:, b] - p[:, a], p[:, c] - p[:, a]) for a, b, c in cut]
        dots: Floats = np.einsum("ij,ij->i", normals[0], normals[1])
        return dots

    from_first = ((0, 1, 2), (0, 2, 3))
    from_second = ((0, 1, 3), (1, 2, 3))
    use_second = np.zeros(len(faces), bool)
    if rule == "short":
        d02 = np.linalg.norm(p[:, 2] - p[:, 0], axis=1)
        d13 = np.linalg.norm(p[:, 3] - p[:, 1], axis=1)
        use_second = d13 < d02
    # The two halves of a concave quad cut on the outside look opposite ways.
    bad_first, bad_second = worst_side(from_first) < 0, worst_side(from_second) < 0
    use_second = np.where(use_second, ~bad_second | bad_first, bad_first & ~bad_second)
    out = []
    for chosen, cut in ((~use_second, from_first), (use_second, from_second)):
        subset = faces[chosen]
        out.append((_offsets(mesh, subset, np.array(cut)), np.repeat(subset, 2)))
    return out


def _cut_polygons(
    mesh: Mesh, faces: NDArray[np.int64], n: int
) -> list[tuple[Ints, NDArray[np.int64]]]:
    """Cut polygons of `n` corners: a fan where convex, else ears, in each one's own plane."""
    start = mesh.face_start[:-1][faces]
    flat = _flattened(mesh.positions[mesh.corner_vertex[start[:, None] + np.arange(n)]])
    fan = np.stack([np.zeros(n - 2, int), np.arange(1, n - 1), np.arange(2, n)], axis=1)
    before, after = flat - np.roll(flat, 1, axis=1), np.roll(flat, -1, axis=1) - flat
    turns = before[..., 0] * after[..., 1] - before[..., 1] * after[..., 0]
    arms = flat[:, 1:] - flat[:, :1]
    areas = arms[:, :-1, 0] * arms[:, 1:, 1] - arms[:, :-1, 1] * arms[:, 1:, 0]
    # Turning left everywhere and sweeping once around: convex. (A star turns left everywhere too,
    # but its fan sweeps backwards somewhere.)
    convex = np.all(turns >= 0, axis=1) & np.all(areas >= 0, axis=1)
    out = [(_offsets(mesh, faces[convex], fan), np.repeat(faces[convex], n - 2))]
    for k in np.flatnonzero(~convex):
        corners = (_clip_ears(flat[k]) + start[k]).astype(np.int32)
        out.append((corners, np.full(len(corners), faces[k])))
    return out


def _flattened(points: Floats) -> Floats:
    """Project (N, n, 3) polygons into their own planes, counter-clockwise, (N, n, 2).

    A polygon without area (Newell normal zero) becomes all zeros.
    """
    points = points - points[:, :1]
    normal = np.cross(points, np.roll(points, -1, axis=1)).sum(axis=1)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    x = np.cross(np.eye(3)[np.argmin(np.abs(normal), axis=1)], normal)
    x_length = np.linalg.norm(x, axis=1, keepdims=True)
    x = np.divide(x, x_length, out=np.zeros_like(x), where=x_length > 0)
    y = np.cross(normal, x)
    return np.stack(
        [np.einsum("nij,nj->ni", points, x), np.einsum("nij,nj->ni", points, y)], axis=2
    )


@njit(cache=True, nogil=True)
def _turn(flat: Floats, a: int, b: int, c: int) -> float:  # pragma: no cover - compiled
    return (flat[b, 0] - flat[a, 0]) * (flat[c, 1] - flat[a, 1]) - (flat[b, 1] - flat[a, 1]) * (
        flat[c, 0] - flat[a, 0]
    )


@njit(cache=True, nogil=True)
def _is_ear(  # pragma: no cover - compiled
    flat: Floats, left: NDArray[np.int64], count: int, k: int
) -> bool:
    """Is the corner at place k of those left convex, with no other corner in its triangle?

    Corners that lie on one of the triangle's own corners do not count: polygons with a hole are
    written with a bridge that is walked twice. A corner that such a bridge shares is checked by
    the others on its loop.
    """
    a, b, c = left[(k - 1) % count], left[k], left[(k + 1) % count]
    if _turn(flat, a, b, c) <= 0:
        return False
    for m in range(count):
        p = left[m]
        same = False
        for q in (a, b, c):
            if flat[p, 0] == flat[q, 0] and flat[p, 1] == flat[q, 1]:
                same = True
        if same:  # the ear's own corners among them
            continue
        if _turn(flat, a, b, p) >= 0 and _turn(flat, b, c, p) >= 0 and _turn(flat, c, a, p) >= 0:
            return False
    return True


@njit(cache=True, nogil=True)
def _clip_ears(flat: Floats) -> NDArray[np.int64]:  # pragma: no cover - compiled
    """Ear clipping (Meisters 1975) of one simple counter-clockwise polygon, (n - 2, 3).

    What is left when no ear is found (a line, or a polygon that crosses itself) becomes a fan.
    """
    n = len(flat)
    left = np.arange(n)
    out = np.empty((n - 2, 3), np.int64)
    count, done = n, 0
    while count > 3:
        k = 0
        while k < count and not _is_ear(flat, left, count, k):
            k += 1
        if k == count:
            break
        out[done, 0] = left[(k - 1) % count]
        out[done, 1] = left[k]
        out[done, 2] = left[(k + 1) % count]
        done += 1
        left[k : count - 1] = left[k + 1 : count].copy()
        count -= 1
    for m in range(1, count - 1):
        out[done, 0], out[done, 1], out[done, 2] = left[0], left[m], left[m + 1]
        done += 1
    return out
