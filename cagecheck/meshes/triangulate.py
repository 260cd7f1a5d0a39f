"""Polygons to triangles, with a map back to faces and corners."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.meshes.mesh import Floats, Ints, Mesh

QuadSplit = Literal["first", "short"]


@dataclass(frozen=True, eq=False)
class Triangulation:
    """Triangles of a `Mesh`.

    Attributes
    ----------
    corners : (T, 3) int32, index into the mesh's corners.
    face : (T,) int32, the polygon that each triangle came from. Triangles are in face order.
    """

    corners: Ints
    face: Ints


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
    for face in np.flatnonzero(sizes > 4):
        corners = _cut_polygon(mesh, int(face))
        pieces.append((corners, np.full(len(corners), face)))
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


def _cut_polygon(mesh: Mesh, face: int) -> Ints:
    """Fan a convex polygon, clip the ears of any other in its own plane."""
    begin, end = int(mesh.face_start[face]), int(mesh.face_start[face + 1])
    n = end - begin
    points = mesh.positions[mesh.corner_vertex[begin:end]]
    points = points - points[0]
    normal = np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)
    length = np.linalg.norm(normal)
    fan = np.stack([np.zeros(n - 2, int), np.arange(1, n - 1), np.arange(2, n)], axis=1)
    if length == 0:
        return (fan + begin).astype(np.int32)
    axis = np.argmin(np.abs(normal))
    x = np.cross(np.eye(3)[axis], normal)
    x /= np.linalg.norm(x)
    flat = np.stack([points @ x, points @ np.cross(normal / length, x)], axis=1)
    if np.all(_turns(flat) >= 0) and np.all(_signed(flat, fan) >= 0):
        return (fan + begin).astype(np.int32)
    return (_clip_ears(flat) + begin).astype(np.int32)


def _turns(flat: Floats) -> Floats:
    before = flat - np.roll(flat, 1, axis=0)
    after = np.roll(flat, -1, axis=0) - flat
    out: Floats = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return out


def _signed(flat: Floats, triangles: NDArray[np.int64]) -> Floats:
    a, b, c = (flat[triangles[:, k]] for k in range(3))
    out: Floats = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (
        c[:, 0] - a[:, 0]
    )
    return out


def _clip_ears(flat: Floats) -> NDArray[np.int64]:
    """Ear clipping (Meisters 1975) of one simple counter-clockwise polygon, (n - 2, 3)."""
    left = list(range(len(flat)))
    out: list[tuple[int, int, int]] = []
    while len(left) > 3:
        best = None
        for k in range(len(left)):
            ear = (left[k - 1], left[k], left[(k + 1) % len(left)])
            size = float(_signed(flat, np.array([ear]))[0])
            if size <= 0:
                continue
            others = [i for i in left if i not in ear]
            if others and _any_inside(flat, ear, np.array(others)):
                continue
            best = k
            out.append(ear)
            break
        if best is None:  # degenerate or self-crossing: a fan is as good as anything
            out.extend((left[0], left[k], left[k + 1]) for k in range(1, len(left) - 1))
            return np.array(out)
        del left[best]
    out.append((left[0], left[1], left[2]))
    return np.array(out)


def _any_inside(flat: Floats, ear: tuple[int, int, int], others: NDArray[np.int64]) -> bool:
    sides = [
        _signed(flat, np.stack([np.full(len(others), a), np.full(len(others), b), others], axis=1))
        for a, b in ((ear[0], ear[1]), (ear[1], ear[2]), (ear[2], ear[0]))
    ]
    return bool(np.any((sides[0] >= 0) & (sides[1] >= 0) & (sides[2] >= 0)))
