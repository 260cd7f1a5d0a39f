"""Normals: of triangles, of corners (what shading uses) and of positions (where rays go).

Angle weighting follows Thuermer and Wuethrich, "Computing Vertex Normals from Polygonal Facets",
Journal of Graphics Tools 3(1), 1998: the result does not depend on how a flat fan is cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.errors import InputError
from cagecheck.meshes.mesh import Floats, Ints, Mesh
from cagecheck.meshes.triangulate import Triangulation

NormalSource = Literal["file", "smooth", "hardness", "groups"]
NormalWeight = Literal["angle", "area"]

# Vertices at one position whose normals nearly cancel are the two sides of a sheet of zero
# thickness, not one surface: below this length of the mean unit normal they stay apart.
CANCEL_LENGTH = 0.1


@dataclass(frozen=True)
class NormalRule:
    """How corner normals are found.

    source : ``file`` (the file's own, computed smooth where it has none), ``smooth``,
        ``hardness`` (an edge is hard where its faces meet at more than `hardness_deg`) or
        ``groups`` (an edge is hard where its faces share no smoothing group).
    weight : ``angle`` or ``area``.
    """

    source: NormalSource = "file"
    weight: NormalWeight = "angle"
    hardness_deg: float = 30.0

    def describe(self) -> str:
        """Say the rule in words, for summaries."""
        words = {
            "file": "the file's own corner normals (smooth where it has none)",
            "smooth": "smooth everywhere",
            "hardness": f"hard where faces meet at more than {self.hardness_deg:g} degrees",
            "groups": "hard between smoothing groups",
        }
        return f"{words[self.source]}, {self.weight}-weighted"


def normalised(vectors: Floats) -> Floats:
    """Return (N, 3) unit vectors; zero rows stay zero."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    out: Floats = np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0)
    return out


def triangle_normals(positions: Floats, triangles: NDArray[np.int32]) -> tuple[Floats, Floats]:
    """Return (T, 3) unit normals and (T,) areas; a triangle without area has a zero normal."""
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    unit = np.divide(cross, length[:, None], out=np.zeros_like(cross), where=length[:, None] > 0)
    return unit, 0.5 * length


def corner_angles(positions: Floats, triangles: NDArray[np.int32]) -> Floats:
    """Return the (T, 3) inner angles of triangles, radians."""
    p = positions[triangles]
    out = np.zeros((len(triangles), 3))
    for k in range(3):
        u, v = p[:, (k + 1) % 3] - p[:, k], p[:, (k + 2) % 3] - p[:, k]
        out[:, k] = np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), np.einsum("ij,ij->i", u, v))
    return out


def weighted_corner_terms(
    positions: Floats, triangles: NDArray[np.int32], weight: NormalWeight
) -> Floats:
    """Return (T, 3, 3): what each triangle corner adds to the normal at its vertex."""
    unit, area = triangle_normals(positions, triangles)
    if weight == "area":
        return np.repeat((unit * area[:, None])[:, None], 3, axis=1)
    terms: Floats = unit[:, None, :] * corner_angles(positions, triangles)[:, :, None]
    return terms


def weld(positions: Floats, triangles: NDArray[np.int32]) -> Ints:
    """Give vertices at exactly the same position one number, so that a cage never cracks there.

    Formats that split vertices at UV seams and hard edges repeat the position to the last bit, so
    equality is exact. The two sides of a zero-thickness sheet (normals cancel) stay apart.

    Returns (V,) int32 numbers from 0, in order of first use.
    """
    if len(positions) == 0:
        return np.zeros(0, np.int32)
    keys = np.ascontiguousarray(positions + 0.0).view([("", np.float64)] * 3).ravel()
    _, group = np.unique(keys, return_inverse=True)
    terms = weighted_corner_terms(positions, triangles, "angle").reshape(-1, 3)
    vertex_normal = np.zeros((len(positions), 3))
    np.add.at(vertex_normal, triangles.ravel(), terms)
    vertex_normal = normalised(vertex_normal)
    count = int(group.max()) + 1
    total = np.zeros((count, 3))
    np.add.at(total, group, vertex_normal)
    members = np.bincount(group, weights=np.any(vertex_normal != 0, axis=1), minlength=count)
    cancels = (members > 1) & (np.linalg.norm(total, axis=1) < CANCEL_LENGTH * members)
    key = np.where(cancels[group], count + np.arange(len(positions)), group)
    _, first, number = np.unique(key, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int32)
    rank[np.argsort(first, kind="stable")] = np.arange(len(first), dtype=np.int32)
    out: Ints = rank[number]
    return out


def averaged_normals(
    positions: Floats,
    triangles: NDArray[np.int32],
    position_id: Ints,
    weight: NormalWeight = "angle",
) -> Floats:
    """Return (P, 3) unit normals, one per welded position: the directions of a closed cage."""
    count = int(position_id.max()) + 1 if len(position_id) else 0
    out = np.zeros((count, 3))
    terms = weighted_corner_terms(positions, triangles, weight)
    np.add.at(out, position_id[triangles].ravel(), terms.reshape(-1, 3))
    return normalised(out)


def hard_edges(
    mesh: Mesh, cut: Triangulation, position_id: Ints, rule: NormalRule
) -> NDArray[np.bool_]:
    """Return (T, 3) bool: is the edge from corner k to k + 1 hard, by `hardness` or `groups`?

    Raises `InputError` for ``groups`` when the mesh carries no smoothing groups.
    """
    triangles = mesh.corner_vertex[cut.corners]
    pairs, left, right = edge_pairs(position_id[triangles])
    del pairs
    if rule.source == "groups":
        if mesh.face_smoothing is None:
            raise InputError(
                "this mesh carries no smoothing groups.",
                file=mesh.source.path if mesh.source else None,
                cure="Choose --normals smooth or --normals hardness.",
            )
        group = mesh.face_smoothing[cut.face]
        a, b = group[left // 3], group[right // 3]
        is_hard = (a != b) | (a == 0)
    else:
        unit, _ = triangle_normals(mesh.positions, triangles)
        cosine = np.einsum("ij,ij->i", unit[left // 3], unit[right // 3])
        is_hard = cosine < np.cos(np.radians(rule.hardness_deg))
    is_hard &= cut.face[left // 3] != cut.face[right // 3]
    out = np.zeros(triangles.size, bool)
    out[left[is_hard]] = True
    out[right[is_hard]] = True
    return out.reshape(-1, 3)


def edge_pairs(
    triangles: NDArray[np.int32],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Match the half-edges of triangles.

    Half-edge ``3 t + k`` runs from corner k to corner k + 1 of triangle t. Returns the (E, 2)
    vertex pairs shared by two half-edges, and both half-edges of each. An edge with more than
    two triangles gives each neighbouring pair in its list.
    """
    a, b = (
        triangles.ravel().astype(np.int64),
        np.roll(triangles, -1, axis=1).ravel().astype(np.int64),
    )
    low, high = np.minimum(a, b), np.maximum(a, b)
    key = low * (int(triangles.max(initial=0)) + 1) + high
    order = np.argsort(key, kind="stable")
    same = key[order][1:] == key[order][:-1]
    left, right = order[:-1][same], order[1:][same]
    return np.stack([low[left], high[left]], axis=1), left, right


def corner_normals(
    mesh: Mesh, cut: Triangulation, position_id: Ints, rule: NormalRule | None = None
) -> Floats:
    """Return the (T, 3, 3) unit shading normals of every triangle corner.

    Raises `InputError` for ``groups`` when the mesh carries no smoothing groups.
    """
    rule = rule or NormalRule()
    triangles = mesh.corner_vertex[cut.corners]
    terms = weighted_corner_terms(mesh.positions, triangles, rule.weight)
    if rule.source in ("hardness", "groups"):
        cluster = _smooth_clusters(mesh, cut, position_id, rule)
    else:
        cluster = position_id[triangles].ravel()
    total = np.zeros((int(cluster.max(initial=-1)) + 1, 3))
    np.add.at(total, cluster, terms.reshape(-1, 3))
    out = normalised(total)[cluster].reshape(-1, 3, 3)
    if rule.source == "file" and mesh.corner_normal is not None:
        given = mesh.corner_normal[cut.corners]
        usable = np.isfinite(given).all(axis=2) & (np.linalg.norm(given, axis=2) > 0)
        out = np.where(usable[:, :, None], normalised(given), out)
    return out


def _smooth_clusters(
    mesh: Mesh, cut: Triangulation, position_id: Ints, rule: NormalRule
) -> NDArray[np.int32]:
    """Number the corners so that corners joined across soft edges share a number."""
    triangles = position_id[mesh.corner_vertex[cut.corners]]
    hard = hard_edges(mesh, cut, position_id, rule).ravel()
    _, left, right = edge_pairs(triangles)
    soft = ~hard[left]
    left, right = left[soft], right[soft]
    start = triangles.ravel()
    following = 3 * (np.arange(len(start)) // 3) + (np.arange(len(start)) + 1) % 3
    # Each soft edge joins the two corners at either end.
    same_way = start[left] == start[right]
    first = np.concatenate([left, following[left]])
    second = np.concatenate(
        [
            np.where(same_way, right, following[right]),
            np.where(same_way, following[right], right),
        ]
    )
    graph = coo_array(
        (np.ones(len(first), np.int8), (first, second)), shape=(len(start), len(start))
    )
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int32)
