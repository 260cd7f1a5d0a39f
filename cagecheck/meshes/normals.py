"""Normals: of triangles, of corners (what shading uses) and of positions (where rays go).

Angle weighting follows Thuermer and Wuethrich, "Computing Vertex Normals from Polygonal Facets",
Journal of Graphics Tools 3(1), 1998: the result does not depend on how a flat fan is cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.components import connected
from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import InputError
from cagecheck.loops import njit
from cagecheck.meshes.edges import edge_pairs, next_corner
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.triangulate import Triangulation, newell_normals
from cagecheck.options import MESHES, option
from cagecheck.words.numbers import as_given

NormalSource = Literal["file", "smooth", "hardness", "groups"]
NormalWeight = Literal["angle", "area"]

# Vertices at one position whose normals nearly cancel are the two sides of a sheet of zero
# thickness, not one surface: below this length of the mean unit normal they stay apart. Two sides
# of a blade have a mean of sin(wedge / 2), so it keeps its edge down to 1.1 degrees.
CANCEL_LENGTH = 0.01
# Positions that passed through float32 are rounded to 2^-24 of their size. A triangle no higher
# than a few of these, against its longest edge, has no direction of its own.
SLIVER_HEIGHT = 2.0**-22
# Sums of terms that cancel to less than this share of their weight are rounding, not a direction.
CANCEL_ROUNDING = 1e-9
# Faces over an edge that look this far apart (cosine; 154 degrees) are the two sides of a sheet,
# not neighbours on it (common practice, no source).
OPPOSITE = -0.9
# Files keep positions to six or seven digits: an edge this little over the hardness is at it.
HARDNESS_SLACK_DEG = 0.01


@dataclass(frozen=True)
class NormalRule:
    """How corner normals are found.

    Attributes
    ----------
    source : NormalSource
        ``file`` (the file's own, computed smooth where it has none), ``smooth``, ``hardness`` (an
        edge is hard where its faces meet at more than `hardness_deg`) or ``groups`` (an edge is
        hard where its faces share no smoothing group).
    weight : NormalWeight
        What a face counts by in an average: ``angle`` or ``area``.
    hardness_deg : float
        Degrees between the normals of two faces.

    Notes
    -----
    Angles as weights follow [1]_: the result does not depend on how a flat fan is cut.

    References
    ----------
    .. [1] G. Thuermer and C. A. Wuethrich, "Computing Vertex Normals from Polygonal Facets",
       Journal of Graphics Tools 3(1), 1998.
    """

    source: NormalSource = option(
        "file", MESHES,
        "Shading normals: the file's own, all smooth, hard where sharper than --hardness, "
        "or by smoothing groups.",
    )  # fmt: skip
    weight: NormalWeight = option(
        "angle", MESHES,
        "What a face counts for in computed normals: its corner's angle, its area.",
    )  # fmt: skip
    hardness_deg: float = option(
        30.0, MESHES, "With --normals hardness: edges sharper than this are hard.",
        metavar="DEGREES", least=0, most=180, in_help=True,
    )  # fmt: skip

    def describe(self) -> str:
        """Say the rule in words, for summaries."""
        words = {
            "file": "the file's own corner normals (smooth where it has none)",
            "smooth": "smooth everywhere",
            "hardness": f"hard where faces meet at more than {as_given(self.hardness_deg)} degrees",
            "groups": "hard between smoothing groups",
        }
        return f"{words[self.source]}, {self.weight}-weighted"


def normalised(vectors: Floats) -> Floats:
    """Return (N, 3) unit vectors; zero rows stay zero."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    out: Floats = np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0)
    return out


def degrees_between(a: Floats, b: Floats) -> Floats:
    """Return (N,) angles between unit vectors, exact for small ones."""
    minus, plus = np.linalg.norm(a - b, axis=1), np.linalg.norm(a + b, axis=1)
    out: Floats = np.degrees(2 * np.arctan2(minus, plus))
    return out


def triangle_normals(positions: Floats, triangles: NDArray[np.int32]) -> tuple[Floats, Floats]:
    """Return (T, 3) unit normals and (T,) areas.

    A triangle without area, or so thin that float32 rounding decides where it faces
    (`SLIVER_HEIGHT`), has a zero normal.
    """
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    ab, ac, bc = b - a, c - a, c - b
    cross = np.cross(ab, ac)
    length = np.linalg.norm(cross, axis=1)
    longest2 = np.max([np.einsum("ij,ij->i", e, e) for e in (ab, ac, bc)], axis=0)
    usable = length > SLIVER_HEIGHT * longest2
    unit = np.divide(cross, length[:, None], out=np.zeros_like(cross), where=usable[:, None])
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
    equality is exact. The two sides of a zero-thickness sheet (normals cancel) stay apart, each
    side welded within itself.

    Returns (V,) int32 numbers from 0, in order of first use.
    """
    if len(positions) == 0:
        return np.zeros(0, np.int32)
    group = equal_positions(positions)
    terms = weighted_corner_terms(positions, triangles, "angle").reshape(-1, 3)
    vertex_normal = normalised(_sum_rows(terms, triangles.ravel(), len(positions)))
    count = int(group.max()) + 1
    total = _sum_rows(vertex_normal, group, count)
    faces_somewhere = np.any(vertex_normal != 0, axis=1)
    members = np.bincount(group, weights=faces_somewhere, minlength=count)
    cancels = (members > 1) & (np.linalg.norm(total, axis=1) < CANCEL_LENGTH * members)
    # The side of a sheet: with or against the first of its vertices that faces somewhere.
    reference = np.zeros((count, 3))
    chosen = np.flatnonzero(faces_somewhere)[::-1]
    reference[group[chosen]] = vertex_normal[chosen]
    against = np.einsum("ij,ij->i", vertex_normal, reference[group]) < 0
    key = 2 * group.astype(np.int64) + (cancels[group] & against)
    _, first, number = np.unique(key, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int32)
    rank[np.argsort(first, kind="stable")] = np.arange(len(first), dtype=np.int32)
    out: Ints = rank[number]
    return out


def equal_positions(positions: Floats) -> NDArray[np.int64]:
    """Number the vertices so that those at exactly the same place share a number, (V,) from 0."""
    if len(positions) == 0:
        return np.zeros(0, np.int64)
    order = np.lexsort(positions.T)  # -0.0 and 0.0 compare as equal: one place
    ordered = positions[order]
    new = np.concatenate([[False], np.any(ordered[1:] != ordered[:-1], axis=1)])
    group = np.empty(len(positions), np.int64)
    group[order] = np.cumsum(new)
    return group


def _sum_rows(rows: Floats, index: NDArray[np.integer[Any]], count: int) -> Floats:
    """Add (N, 3) rows up by `index` into (count, 3)."""
    columns = [np.bincount(index, weights=rows[:, k], minlength=count) for k in range(3)]
    return np.stack(columns, axis=1) if len(rows) else np.zeros((count, 3))


def _direction_of(terms: Floats, index: NDArray[np.integer[Any]], count: int) -> Floats:
    """Add (N, 3) terms up by `index` into (count, 3) unit rows, zero where they cancel."""
    total = _sum_rows(terms, index, count)
    length = np.linalg.norm(terms, axis=1)
    weight = np.asarray(np.bincount(index, weights=length, minlength=count), np.float64)
    cancels = np.linalg.norm(total, axis=1) <= CANCEL_ROUNDING * weight
    return normalised(np.where(cancels[:, None], 0.0, total))


def averaged_normals(
    positions: Floats,
    triangles: NDArray[np.int32],
    position_id: Ints,
    weight: NormalWeight = "angle",
) -> Floats:
    """Return (P, 3) unit normals, one per welded position: the directions of a closed cage.

    Zero where a position has no triangle with area, or where its triangles cancel.
    """
    count = int(position_id.max()) + 1 if len(position_id) else 0
    terms = weighted_corner_terms(positions, triangles, weight).reshape(-1, 3)
    corner = position_id[triangles].ravel()
    return _direction_of(terms, corner, count)


def sheet_normals(positions: Floats, triangles: NDArray[np.int32], position_id: Ints) -> Floats:
    """Return (T, 3, 3) unit directions of corners where both sides of a sheet share a position.

    There the mean over all faces is nothing or rounding, so every corner gets the mean over the
    faces of its own sheet: those joined to its own over edges (`edge_partners`) around the
    position. Zero everywhere else, where the position's averaged normal holds.
    """
    out = np.zeros((len(triangles), 3, 3))
    if len(triangles) == 0:
        return out
    unit, _ = triangle_normals(positions, triangles)
    terms = weighted_corner_terms(positions, triangles, "angle").reshape(-1, 3)
    corner = position_id[triangles].ravel()
    count = int(corner.max()) + 1
    total = np.linalg.norm(_sum_rows(terms, corner, count), axis=1)
    weight = np.bincount(corner, weights=np.linalg.norm(terms, axis=1), minlength=count)
    shared = (total < CANCEL_LENGTH * weight)[corner]
    if not shared.any():
        return out
    twin = edge_partners(position_id[triangles], unit)
    left = np.flatnonzero(twin >= 0)
    right = twin[left]
    following = next_corner(np.arange(len(twin)))
    same_way = corner[left] == corner[right]
    first = np.concatenate([left, following[left]])
    second = np.concatenate(
        [
            np.where(same_way, right, following[right]),
            np.where(same_way, following[right], right),
        ]
    )
    pieces, sheet = connected(len(twin), first, second)
    direction = _direction_of(terms, sheet, pieces)[sheet]
    direction = np.where(np.any(direction != 0, axis=1)[:, None], direction, normalised(terms))
    return np.where(shared[:, None], direction, 0.0).reshape(-1, 3, 3)


def edge_partners(welded: NDArray[np.int32], face_normals: Floats) -> NDArray[np.int64]:
    """Return (3 T,) the half-edge over which each half-edge's sheet goes on, -1 for none.

    Of several faces at an edge those go together that look the most alike; two that look opposite
    ways (`OPPOSITE`) are the two sides of a sheet and never do.
    """
    a, b = welded.ravel().astype(np.int64), np.roll(welded, -1, axis=1).ravel().astype(np.int64)
    key = np.minimum(a, b) * (int(welded.max(initial=0)) + 1) + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    twin = np.full(len(key), -1, np.int64)
    _pair_up(order, key[order], face_normals, twin)
    return twin


@njit(cache=True, nogil=True)
def _pair_up(
    order: NDArray[np.int64], key: NDArray[np.int64], normals: Floats, twin: NDArray[np.int64]
) -> None:
    begin = 0
    while begin < len(order):
        end = begin + 1
        while end < len(order) and key[end] == key[begin]:
            end += 1
        while True:
            best, one, other = OPPOSITE, -1, -1
            for i in range(begin, end):
                for j in range(i + 1, end):
                    h, g = order[i], order[j]
                    if twin[h] >= 0 or twin[g] >= 0:
                        continue
                    t, u = h // 3, g // 3
                    alike = 0.0
                    for k in range(3):
                        alike += normals[t, k] * normals[u, k]
                    if alike > best:
                        best, one, other = alike, h, g
            if one < 0:
                break
            twin[one], twin[other] = other, one
        begin = end


def hard_edges(
    mesh: Mesh, cut: Triangulation, position_id: Ints, rule: NormalRule
) -> NDArray[np.bool_]:
    """Return (T, 3) bool: is the edge from corner k to k + 1 hard, by `hardness` or `groups`?

    The angle is that between the faces (by Newell's method), so that it does not depend on how
    they are cut. A face without area makes no edge hard.

    Raises `InputError` for ``groups`` when the mesh carries no smoothing groups.
    """
    triangles = mesh.corner_vertex[cut.corners]
    _, left, right = edge_pairs(position_id[triangles])
    if rule.source == "groups":
        if mesh.face_smoothing is None:
            raise InputError(
                "this mesh carries no smoothing groups.",
                file=mesh.source.path if mesh.source else None,
                cure="Choose `normals` smooth or `normals` hardness.",
            )
        group = mesh.face_smoothing[cut.face]
        a, b = group[left // 3], group[right // 3]
        is_hard = (a != b) | (a == 0)
    else:
        has_area = np.zeros(mesh.face_count, bool)
        has_area[cut.face[np.any(triangle_normals(mesh.positions, triangles)[0], axis=1)]] = True
        unit = np.where(has_area[:, None], normalised(newell_normals(mesh)), 0.0)
        a, b = unit[cut.face[left // 3]], unit[cut.face[right // 3]]
        angle = np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), np.einsum("ij,ij->i", a, b))
        is_hard = angle > np.radians(rule.hardness_deg + HARDNESS_SLACK_DEG)
    is_hard &= cut.face[left // 3] != cut.face[right // 3]
    out = np.zeros(triangles.size, bool)
    out[left[is_hard]] = True
    out[right[is_hard]] = True
    return out.reshape(-1, 3)


def corner_normals(
    mesh: Mesh, cut: Triangulation, position_id: Ints, rule: NormalRule | None = None
) -> Floats:
    """Return the (T, 3, 3) unit shading normals of every triangle corner.

    Where the triangles around a corner cancel, its own triangle's normal is used; a corner is zero
    only where nothing it is joined to has area.

    Raises `InputError` for ``groups`` when the mesh carries no smoothing groups.
    """
    rule = rule or NormalRule()
    triangles = mesh.corner_vertex[cut.corners]
    terms = weighted_corner_terms(mesh.positions, triangles, rule.weight)
    if cut.solid is not None:
        terms[~cut.solid] = 0.0
    if rule.source in ("hardness", "groups"):
        cluster = _smooth_clusters(mesh, cut, position_id, rule)
    else:
        cluster = position_id[triangles].ravel()
    terms = terms.reshape(-1, 3)
    count = int(cluster.max(initial=-1)) + 1
    shared = _direction_of(terms, cluster, count)[cluster].reshape(-1, 3, 3)
    none = ~np.any(shared, axis=2, keepdims=True)
    out = np.where(none, normalised(terms).reshape(-1, 3, 3), shared)
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
    following = next_corner(np.arange(len(start)))
    # Each soft edge joins the two corners at either end.
    same_way = start[left] == start[right]
    first = np.concatenate([left, following[left]])
    second = np.concatenate(
        [
            np.where(same_way, right, following[right]),
            np.where(same_way, following[right], right),
        ]
    )
    return connected(len(start), first, second)[1]
