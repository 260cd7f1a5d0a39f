"""The part that moves: its places, what holds it, and how stiff it is against being moved.

Vertices at one position are one place and move together, whatever seams of UVs or smoothing say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array, csr_array, diags_array
from scipy.sparse.csgraph import dijkstra

from cagecheck.arrays.types import Floats
from cagecheck.mending.facing import FacingTrees
from cagecheck.meshes.barycentric import barycentric_of
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.normals import averaged_normals, equal_positions
from cagecheck.meshes.triangulate import triangulate

# Cotangents beyond these come from slivers and would make the problem stiff or indefinite.
_COTANGENTS = (0.02, 20.0)
# Two skins of one cloth lie nearer than this many edges, back to back (the cosine of 120 degrees),
# one about straight below the other (the cosine of 45 degrees).
_THICKEST, _BACK_TO_BACK, _STRAIGHT = 3.0, -0.5, 0.7
# How much stiffer two skins hold together than a place holds to where it was.
_LINK = 300.0


@dataclass(frozen=True, eq=False)
class Cloth:
    """A part that moves.

    Attributes
    ----------
    name : the part's name. mesh : number of its mesh.
    vertices : (N,) the mesh's vertices that are its own; place : (N,) the place of each.
    first : (P,) a vertex of every place.
    triangles : (T, 3) over places; face : (T,) the mesh's polygons.
    fixed : (P,) bool, places that stay. rest : (P, 3) where places lie in the rest pose.
    """

    name: str
    mesh: int
    vertices: NDArray[np.int64]
    place: NDArray[np.int64]
    first: NDArray[np.int64]
    triangles: NDArray[np.int64]
    face: NDArray[np.int64]
    fixed: NDArray[np.bool_]
    rest: Floats

    def places_of(self, mesh: Mesh) -> Floats:
        """Return (P, 3) where the places lie in a mesh of one frame."""
        return mesh.positions[self.first]

    def moved(self, mesh: Mesh, move: Floats) -> Floats:
        """Return the (V, 3) positions of a mesh with the places moved by (P, 3)."""
        out = mesh.positions.copy()
        by = move[self.place]
        some = (by != 0).any(axis=1)
        out[self.vertices[some]] += by[some]
        return out

    @cached_property
    def edges(self) -> NDArray[np.int64]:
        """(E, 2) places joined by an edge."""
        return triangle_edges(self.triangles).ends

    @cached_property
    def edge_length(self) -> float:
        """The median length of edges in the rest pose."""
        a, b = self.rest[self.edges.T]
        lengths = np.linalg.norm(a - b, axis=1)
        return float(np.median(lengths[lengths > 0])) if (lengths > 0).any() else 0.0

    @cached_property
    def areas(self) -> Floats:
        """(P,) a third of the area of every triangle at a place, never nothing."""
        p = self.rest[self.triangles]
        area = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1) / 6
        out = np.bincount(self.triangles.ravel(), np.repeat(area, 3), minlength=len(self.rest))
        mean = float(out.mean()) or 1.0
        return np.maximum(out, 0.1 * mean)

    @cached_property
    def laplacian(self) -> csr_array:
        """(P, P) the cotangent Laplacian of the rest pose, positive semidefinite.

        Pinkall and Polthier, "Computing Discrete Minimal Surfaces and Their Conjugates",
        Experimental Mathematics 2(1), 1993.
        """
        p, count = self.rest[self.triangles], len(self.rest)
        rows, columns, weights = [], [], []
        for k in range(3):
            i, j = self.triangles[:, (k + 1) % 3], self.triangles[:, (k + 2) % 3]
            a, b = p[:, (k + 1) % 3] - p[:, k], p[:, (k + 2) % 3] - p[:, k]
            area = np.linalg.norm(np.cross(a, b), axis=1)
            cotangent = np.einsum("ij,ij->i", a, b) / np.maximum(area, 1e-300)
            weight = 0.5 * np.clip(cotangent, *_COTANGENTS)
            rows += [i, j]
            columns += [j, i]
            weights += [weight, weight]
        joined = coo_array(
            (np.concatenate(weights), (np.concatenate(rows), np.concatenate(columns))),
            shape=(count, count),
        ).tocsr()
        return csr_array(diags_array(joined.sum(axis=1)) - joined)

    @cached_property
    def links(self) -> csr_array:
        """(K, P) rows that are zero where both skins of a double-sided cloth move together."""
        normals = self.normals(self.rest)
        trees = FacingTrees(self.rest, self.triangles)
        triangle, foot, distance = trees.nearest(self.rest, -normals)
        down = np.einsum("ij,ij->i", foot - self.rest, -normals)
        other = trees.normals[triangle]
        near = (triangle >= 0) & (distance > 0) & (distance <= _THICKEST * self.edge_length)
        near &= (down >= _STRAIGHT * distance) & (
            np.einsum("ij,ij->i", other, normals) <= _BACK_TO_BACK
        )
        row = np.flatnonzero(near)
        corner = self.triangles[triangle[row]]
        share = barycentric_of(foot[row], self.rest[corner])
        k = np.arange(len(row))
        return coo_array(
            (
                np.concatenate([np.ones(len(row)), -share.ravel()]),
                (np.concatenate([k, np.repeat(k, 3)]), np.concatenate([row, corner.ravel()])),
            ),
            shape=(len(row), len(self.rest)),
        ).tocsr()

    @cached_property
    def joined(self) -> NDArray[np.int64]:
        """(E, 2) places that move together: joined by an edge, or skins of one cloth."""
        links = self.links.tocoo()
        one = np.full(self.links.shape[0], -1)
        own = links.data == 1.0
        one[links.row[own]] = links.col[own]
        pairs = np.stack([one[links.row], links.col], axis=1).astype(np.int64)
        return np.concatenate([self.edges, pairs[(pairs[:, 0] != pairs[:, 1])]])

    def energy(self, blend: float) -> csc_array:
        """Return (P, P) Q: the cost of a displacement is u.Q.u for each of its coordinates.

        Places hold to where they were by their area; bending the displacement (the Laplacian's
        square, so Laplacian coordinates and with them the details are kept) costs as much as
        moving when it happens over the length `blend`; skins of one cloth hold together.
        """
        mass = diags_array(self.areas)
        bend = self.laplacian @ diags_array(1 / self.areas) @ self.laplacian
        links = self.links
        held = diags_array(_LINK * self.areas.mean() * np.ones(links.shape[0]))
        return csc_array(mass + blend**4 * bend + links.T @ held @ links)

    def normals(self, positions: Floats) -> Floats:
        """Return (P, 3) unit normals of the places."""
        corners = self.triangles.astype(np.int32)
        numbers = np.arange(len(positions), dtype=np.int32)
        return averaged_normals(positions, corners, numbers)

    def reach(self, seeds: NDArray[np.int64], positions: Floats, most: float) -> Floats:
        """Return (P,) ways from the nearest seed along the cloth, infinity beyond `most`."""
        a, b = np.unique(np.sort(self.joined, axis=1), axis=0).T
        length = np.maximum(np.linalg.norm(positions[a] - positions[b], axis=1), 1e-300)
        graph = coo_array((length, (a, b)), shape=(len(positions), len(positions))).tocsr()
        out: Floats = dijkstra(graph, directed=False, indices=seeds, limit=most, min_only=True)
        return out


def cloth_of(poses: Sequence[Mesh], mesh: int, name: str, rest: Mesh | None) -> Cloth:
    """Take a part as what moves; `poses` are its mesh frame by frame, number `mesh` of each."""
    own = poses[0]
    cut = triangulate(own)
    part = own.face_part[cut.face] == own.part_names.index(name)
    vertices, local = np.unique(own.corner_vertex[cut.corners[part]], return_inverse=True)
    reference = own if rest is None else rest
    # Equal in every pose: what merely touches in one is not one place.
    place = np.zeros(len(vertices), np.int64)
    for pose in (*poses, reference):
        here = equal_positions(pose.positions[vertices])
        place = np.unique(place * (len(vertices) + 1) + here, return_inverse=True)[1].ravel()
    _, first = np.unique(place, return_index=True)
    return Cloth(
        name,
        mesh,
        vertices.astype(np.int64),
        place.astype(np.int64),
        vertices[first].astype(np.int64),
        place[local.reshape(-1, 3)].astype(np.int64),
        cut.face[part].astype(np.int64),
        np.zeros(len(first), bool),
        reference.positions[vertices[first]],
    )


def border_places(triangles: NDArray[np.int64], count: int) -> NDArray[np.bool_]:
    """Return (count,) which places lie on an edge with one triangle."""
    table = triangle_edges(triangles)
    out = np.zeros(count, bool)
    out[table.ends[table.uses == 1].ravel()] = True
    return out
