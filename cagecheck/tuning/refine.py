"""A low poly cut finer in some of its triangles, for fields that its own vertices cannot hold.

Long edges are halved until none is longer than wanted; a triangle that shares a halved edge is
cut too, so that pieces always meet in whole edges. The surface, its UVs and the rays stay the
same: every piece knows where its corners lie in the triangle that it came from.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.normals import normalised
from cagecheck.meshes.set_aside import SetAside
from cagecheck.meshes.triangulate import triangulate
from cagecheck.rays.points import PointKind, SurfacePoints

# Each round halves edges, so this many shorten them by a factor of a thousand.
MOST_ROUNDS = 10


@dataclass(frozen=True, eq=False)
class Refined:
    """A finer low poly, and its place in the one it was cut from.

    Attributes
    ----------
    low : the finer low poly; its vertices are its welded positions, the first of them (in order)
        those of the original.
    parent : (T',) int32, the triangle of the original.
    corner : (T', 3, 3) float64 barycentric coordinates, in the parent, of every corner.
    on_edge : (T', 3) bool, the side from corner k to k + 1 lies on a side of the parent.
    """

    low: LowPoly
    parent: Ints
    corner: Floats
    on_edge: NDArray[np.bool_]

    def to_parent(self, points: SurfacePoints) -> SurfacePoints:
        """Return points of the finer low poly as points of the original.

        Edge points on cuts, which are no edges of the original, become interior ones.
        """
        barycentric = np.einsum("ij,ijk->ik", points.barycentric, self.corner[points.triangle])
        barycentric = np.where(np.abs(barycentric) < 1e-14, 0.0, barycentric)
        kind = points.kind.copy()
        inside = (kind == PointKind.EDGE) & (barycentric > 0).all(axis=1)
        kind[inside] = PointKind.INTERIOR
        return replace(
            points,
            triangle=self.parent[points.triangle],
            barycentric=barycentric,
            kind=kind,
        )


def refine(low: LowPoly, wanted: Floats, most: int) -> Refined:
    """Cut triangles until their sides are no longer than wanted.

    Parameters
    ----------
    wanted : (T,) float64 world units, infinity for triangles that need no cut of their own.
    most : stop before there are more triangles than this.
    """
    triangle = low.welded.astype(np.int64)
    parent = np.arange(len(triangle))
    corner = np.broadcast_to(np.eye(3), (len(triangle), 3, 3)).copy()
    side = np.ones((len(triangle), 3), bool)
    place = low.places
    for _ in range(MOST_ROUNDS):
        marked, number, midpoint = _marked(triangle, place, wanted[parent])
        grown = len(triangle) + int(marked.sum())
        if not marked.any() or grown > most:
            break
        place = np.concatenate([place, midpoint])
        triangle, parent, corner, side = _cut(triangle, parent, corner, side, marked, number)
    return _assembled(low, triangle, parent, corner, side, place)


def _marked(
    triangle: NDArray[np.int64], place: Floats, wanted: Floats
) -> tuple[NDArray[np.bool_], NDArray[np.int64], Floats]:
    """Return (T, 3) which sides are halved, (T, 3) the number of each middle, and the middles."""
    a, b = triangle, np.roll(triangle, -1, axis=1)
    length = np.linalg.norm(place[b] - place[a], axis=2)
    table = triangle_edges(triangle)
    edge = table.edge.reshape(-1, 3)
    long = np.zeros(len(table), bool)
    long[edge[(length > wanted[:, None]) & (a != b)]] = True
    rank = np.cumsum(long) - 1 + len(place)
    midpoint = 0.5 * place[table.ends[long]].sum(axis=1)
    return long[edge], rank[edge], midpoint


def _cut(
    triangle: NDArray[np.int64],
    parent: NDArray[np.int64],
    corner: Floats,
    side: NDArray[np.bool_],
    marked: NDArray[np.bool_],
    number: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, NDArray[np.bool_]]:
    """Cut triangles at the middles of their marked sides, all at once by how many those are."""
    count = marked.sum(axis=1)
    # Turned so that a lone marked side is side 0, and a lone unmarked one side 2.
    turn = np.zeros(len(triangle), np.int64)
    turn[count == 1] = np.argmax(marked[count == 1], axis=1)
    turn[count == 2] = (np.argmin(marked[count == 2], axis=1) + 1) % 3
    order = (turn[:, None] + np.arange(3)) % 3
    row = np.arange(len(triangle))[:, None]
    middle = 0.5 * (corner + np.roll(corner, -1, axis=1))
    # Six nodes: three corners, then the middles of the sides that follow them.
    node = np.concatenate([triangle[row, order], number[row, order]], axis=1)
    where = np.concatenate([corner[row, order], middle[row, order]], axis=1)
    outer = side[row, order]
    out: list[tuple[NDArray[np.int64], NDArray[np.int64], Floats, NDArray[np.bool_]]] = []
    for cuts, pieces in _PIECES.items():
        rows = np.flatnonzero(count == cuts)
        for nodes, sides in pieces:
            at = list(nodes)
            # A side of a piece lies on the parent's where the side that it is part of does.
            border = np.stack(
                [outer[rows, k] if k >= 0 else np.zeros(len(rows), bool) for k in sides], axis=1
            )
            out.append((node[rows][:, at], parent[rows], where[rows][:, at], border))
    origin = np.concatenate(
        [np.flatnonzero(count == cuts) for cuts, pieces in _PIECES.items() for _ in pieces]
    )
    keep = np.argsort(origin, kind="stable")  # pieces stay beside each other
    a, b, c, d = (np.concatenate(x)[keep] for x in zip(*out, strict=True))
    return a, b, c, d


# By number of halved sides: the pieces' nodes, and for each of their sides which side of the
# whole it lies on (-1: inside).
_PIECES: dict[int, tuple[tuple[tuple[int, int, int], tuple[int, int, int]], ...]] = {
    0: (((0, 1, 2), (0, 1, 2)),),
    1: (((0, 3, 2), (0, -1, 2)), ((3, 1, 2), (0, 1, -1))),
    2: (((3, 1, 4), (0, 1, -1)), ((0, 3, 4), (0, -1, -1)), ((0, 4, 2), (-1, 1, 2))),
    3: (
        ((0, 3, 5), (0, -1, 2)),
        ((3, 1, 4), (0, 1, -1)),
        ((5, 4, 2), (-1, 1, 2)),
        ((3, 4, 5), (-1, -1, -1)),
    ),
}


def _assembled(
    low: LowPoly,
    triangle: NDArray[np.int64],
    parent: NDArray[np.int64],
    corner: Floats,
    side: NDArray[np.bool_],
    place: Floats,
) -> Refined:
    triangles: Ints = triangle.astype(np.int32)
    count = len(triangles)
    whole = parent.astype(np.int32)
    mesh = Mesh(
        positions=place,
        face_start=np.arange(0, 3 * count + 1, 3, dtype=np.int64),
        corner_vertex=triangles.ravel(),
        face_part=low.triangle_part[whole],
        part_names=low.part_names,
        source=low.mesh.source,
    )
    # A vertex's ray runs along the normal interpolated where it lies.
    rays = np.zeros((len(place), 3))
    mixed = np.einsum("tvw,twk->tvk", corner, low.corner_rays[whole])
    rays[triangles.ravel()] = normalised(mixed.reshape(-1, 3))
    p = place[triangles]
    area = 0.5 * np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    area = np.where(low.area[whole] > 0, area, 0.0)
    shading = np.einsum("tvw,twk->tvk", corner, low.shading_normals[whole])
    share = np.divide(area, low.area[whole], out=np.zeros(count), where=low.area[whole] > 0)
    fine = replace(
        low,
        mesh=mesh,
        cut=triangulate(mesh),
        triangles=triangles,
        triangle_part=low.triangle_part[whole],
        position_id=np.arange(len(place), dtype=np.int32),
        welded=triangles,
        ray_normals=rays,
        sheet_normals=np.zeros((count, 3, 3)),
        shading_normals=normalised(shading.reshape(-1, 3)).reshape(-1, 3, 3),
        face_normals=low.face_normals[whole],
        area=area,
        uv=None if low.uv is None else np.einsum("tvw,twk->tvk", corner, low.uv[whole]),
        uv_area=low.uv_area[whole] * share,
        tile=low.tile[whole],
        aside=SetAside(),
    )
    return Refined(fine, whole, corner, side)
