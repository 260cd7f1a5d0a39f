"""Tangents per triangle corner: MikkTSpace and the other bases that maps are met with.

MikkTSpace: M. S. Mikkelsen, "Simulation of Wrinkled Surfaces Revisited", master's thesis,
University of Copenhagen, 2008, and its use as the default of glTF 2.0 (section 3.7.2.1). Whoever
draws the map works in single precision, so the decisions here (which vertices are one, which
triangles are degenerate, which way a UV triangle turns) are made in single precision too.

With v pointing up, the bitangent ``sign * cross(normal, tangent)`` points towards larger v, which
is "green up".
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.loops import njit
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import normalised

TangentRule = Literal["mikktspace", "averaged", "face"]

Floats32 = NDArray[np.float32]

_TINY = np.float32(np.finfo(np.float32).tiny)
_NONE = -1


def corner_tangents(low: LowPoly, rule: TangentRule = "mikktspace") -> Floats:
    """Return (T, 3, 4): unit tangent and sign (+1 or -1) of every triangle corner.

    ``mikktspace`` is the standard. ``averaged`` sums the triangles' tangents at every vertex that
    shares position, normal, UV and handedness, without angle weights (Lengyel, "Mathematics for
    3D Game Programming and Computer Graphics", 2nd ed., 2004, section 6.8). ``face`` gives every
    triangle its own UV direction, as shaders do that work from screen derivatives. Missing UVs
    count as (0, 0). The low poly must have UVs.
    """
    assert low.uv is not None, "tangents need UVs"
    positions = low.positions[low.triangles]
    uv = np.nan_to_num(low.uv)
    if rule == "mikktspace":
        return mikktspace(positions, low.shading_normals, uv)
    direction, sign = _face_tangents(positions, uv)
    corners = np.repeat(direction[:, None], 3, axis=1)
    if rule == "averaged":
        key = _corner_ids(positions, low.shading_normals, uv)
        key = 2 * key + (np.repeat(sign, 3) > 0)
        _, number = np.unique(key, return_inverse=True)
        total = np.zeros((int(number.max(initial=-1)) + 1, 3))
        np.add.at(total, number, corners.reshape(-1, 3))
        corners = total[number].reshape(-1, 3, 3)
    normal = low.shading_normals
    along = np.einsum("tci,tci->tc", corners, normal)[:, :, None]
    tangent = normalised(corners - along * normal)
    signs = np.repeat(sign[:, None], 3, axis=1)[:, :, None]
    return np.concatenate([tangent, signs], axis=2)


def mikktspace(positions: Any, normals: Any, uv: Any) -> Floats:
    """Return the MikkTSpace tangents of T triangles: (T, 3, 4), xyz unit length and sign.

    positions, normals : (T, 3, 3); uv : (T, 3, 2). All are rounded to float32 first. Corners of
    equal position, normal and UV are one vertex. Corners that no usable triangle reaches get
    (1, 0, 0) and sign -1.
    """
    p = np.ascontiguousarray(positions, np.float32).reshape(-1, 3, 3)
    n = np.ascontiguousarray(normals, np.float32).reshape(-1, 3, 3)
    t = np.ascontiguousarray(uv, np.float32).reshape(-1, 3, 2)
    vertex = _corner_ids(p, n, t).reshape(-1, 3)
    degenerate = (
        (p[:, 0] == p[:, 1]).all(axis=1)
        | (p[:, 0] == p[:, 2]).all(axis=1)
        | (p[:, 1] == p[:, 2]).all(axis=1)
    )
    good = np.flatnonzero(~degenerate)
    out = np.zeros((len(p), 3, 4), np.float32)
    out[:, :, 0], out[:, :, 3] = 1.0, -1.0
    if len(good):
        solid_p, solid_n, solid_t = p[good], n[good], t[good]
        solid = np.ascontiguousarray(vertex[good])
        along_u, along_v, magnitude, keeps, with_any = _derivatives(solid_p, solid_t)
        group, group_keeps = _grow_groups(solid, _neighbours(solid), keeps, with_any)
        found = out[good]
        _group_tangents(
            solid, solid_p, solid_n, along_u, along_v, magnitude, with_any,
            group, group_keeps, found,
        )  # fmt: skip
        out[good] = found
        _borrow(vertex, degenerate, good, out)
    return out.astype(np.float64)


def _corner_ids(positions: Any, normals: Any, uv: Any) -> NDArray[np.int64]:
    """Number the corners so that equal float32 position, normal and UV share a number."""
    rows = np.concatenate(
        [
            np.asarray(a, np.float32).reshape(-1, k)
            for a, k in ((positions, 3), (normals, 3), (uv, 2))
        ],
        axis=1,
    )
    rows = np.ascontiguousarray(rows + np.float32(0))  # -0 becomes 0
    # Eight floats as four 64-bit words: sorted numbers compare much faster than records.
    words = rows.view(np.uint64)
    order = np.lexsort(words.T)
    sorted_words = words[order]
    fresh = np.ones(len(rows), bool)
    fresh[1:] = (sorted_words[1:] != sorted_words[:-1]).any(axis=1)
    out = np.empty(len(rows), np.int64)
    out[order] = np.cumsum(fresh) - 1
    return out


def _neighbours(vertex: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return (T, 3): the triangle across the edge from corner k to k + 1, or -1.

    Edges are met in the order of their triangles; each takes the first still free one that runs
    the other way, which settles edges with more than two triangles.
    """
    table = triangle_edges(vertex)
    out = np.full(vertex.size, _NONE, np.int64)
    _pair_edges(table.order, table.edge, vertex.ravel(), out)
    return out.reshape(-1, 3)


@njit(cache=True, nogil=True)
def _pair_edges(
    order: NDArray[np.int64],
    edge: NDArray[np.int64],
    origin: NDArray[np.int64],
    out: NDArray[np.int64],
) -> None:
    for i in range(len(order)):
        e = order[i]
        if out[e] != _NONE:
            continue
        for j in range(i + 1, len(order)):
            f = order[j]
            if edge[f] != edge[e]:
                break
            if out[f] == _NONE and origin[f] != origin[e]:
                out[e], out[f] = f // 3, e // 3
                break


@njit(cache=True, nogil=True)
def _length(v: Floats32) -> np.float32:
    return np.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])


@njit(cache=True, nogil=True)
def _derivatives(p: Floats32, t: Floats32) -> Any:
    """Return per triangle: unit dP/du and dP/dv, their magnitudes, orientation, joins-any flag."""
    count = len(p)
    along_u, along_v = np.zeros((count, 3), np.float32), np.zeros((count, 3), np.float32)
    magnitude = np.zeros((count, 2), np.float32)
    keeps = np.zeros(count, np.bool_)
    with_any = np.ones(count, np.bool_)
    for f in range(count):
        u21, v21 = t[f, 1, 0] - t[f, 0, 0], t[f, 1, 1] - t[f, 0, 1]
        u31, v31 = t[f, 2, 0] - t[f, 0, 0], t[f, 2, 1] - t[f, 0, 1]
        doubled = u21 * v31 - v21 * u31
        keeps[f] = doubled > 0
        d1, d2 = p[f, 1] - p[f, 0], p[f, 2] - p[f, 0]
        du = v31 * d1 - v21 * d2
        dv = u21 * d2 - u31 * d1
        if abs(doubled) <= _TINY:
            along_u[f], along_v[f] = du, dv
            continue
        length_u, length_v = _length(du), _length(dv)
        turn = np.float32(1) if keeps[f] else np.float32(-1)
        if length_u > _TINY:
            along_u[f] = (turn / length_u) * du
        if length_v > _TINY:
            along_v[f] = (turn / length_v) * dv
        magnitude[f, 0], magnitude[f, 1] = length_u / abs(doubled), length_v / abs(doubled)
        with_any[f] = not (magnitude[f, 0] > _TINY and magnitude[f, 1] > _TINY)
    return along_u, along_v, magnitude, keeps, with_any


@njit(cache=True, nogil=True)
def _grow_groups(
    vertex: NDArray[np.int64],
    neighbour: NDArray[np.int64],
    keeps: NDArray[np.bool_],
    with_any: NDArray[np.bool_],
) -> Any:
    """Join the corners at one vertex that reach each other across edges and turn the same way.

    Returns the (T, 3) group numbers (-1 is none) and every group's orientation. A triangle
    without usable UVs takes the orientation of the first group that reaches it.
    """
    count = len(vertex)
    group = np.full((count, 3), _NONE, np.int64)
    group_keeps = np.empty(3 * count, np.bool_)
    groups = 0
    stack = [np.int64(0)]
    for seed in range(count):
        for corner in range(3):
            if with_any[seed] or group[seed, corner] != _NONE:
                continue
            group_keeps[groups] = keeps[seed]
            stack.append(np.int64(seed))
            while len(stack) > 1:
                f = stack.pop()
                k = np.int64(0)
                while k < 2 and vertex[f, k] != vertex[seed, corner]:
                    k += 1
                if group[f, k] != _NONE:
                    continue
                if with_any[f] and group[f, 0] == group[f, 1] == group[f, 2] == _NONE:
                    keeps[f] = group_keeps[groups]
                if keeps[f] != group_keeps[groups]:
                    continue
                group[f, k] = groups
                for side in (neighbour[f, k - 1 if k > 0 else 2], neighbour[f, k]):
                    if side != _NONE:
                        stack.append(side)
            groups += 1
    return group, group_keeps[:groups]


@njit(cache=True, nogil=True)
def _flattened(v: Floats32, n: Floats32) -> Floats32:
    """Return v projected onto the plane of n, unit length unless it vanishes."""
    out = v - (n[0] * v[0] + n[1] * v[1] + n[2] * v[2]) * n
    length = _length(out)
    if length > _TINY:
        out = (np.float32(1) / length) * out
    return out


@njit(cache=True, nogil=True)
def _group_tangents(
    vertex: NDArray[np.int64],
    p: Floats32,
    n: Floats32,
    along_u: Floats32,
    along_v: Floats32,
    magnitude: Floats32,
    with_any: NDArray[np.bool_],
    group: NDArray[np.int64],
    group_keeps: NDArray[np.bool_],
    out: Floats32,
) -> None:
    """Write every corner's tangent: the angle-weighted mean over its group."""
    members, start = _members(group, len(group_keeps))
    widest = np.int64(0)
    for g in range(len(group_keeps)):
        widest = max(widest, start[g + 1] - start[g])
    us, vs = np.empty((widest, 3), np.float32), np.empty((widest, 3), np.float32)
    angle = np.empty(widest, np.float32)
    for g in range(len(group_keeps)):
        size = start[g + 1] - start[g]
        for i in range(size):
            f, k = members[start[g] + i] // 3, members[start[g] + i] % 3
            us[i], vs[i] = _flattened(along_u[f], n[f, k]), _flattened(along_v[f], n[f, k])
            before = _flattened(p[f, k - 1 if k > 0 else 2] - p[f, k], n[f, k])
            after = _flattened(p[f, k + 1 if k < 2 else 0] - p[f, k], n[f, k])
            cosine = before[0] * after[0] + before[1] * after[1] + before[2] * after[2]
            angle[i] = np.arccos(min(max(cosine, np.float32(-1)), np.float32(1)))
        for i in range(size):
            f, k = members[start[g] + i] // 3, members[start[g] + i] % 3
            total = np.zeros(3, np.float32)
            for j in range(size):
                other = members[start[g] + j] // 3
                if with_any[other] or (i != j and _opposed(us, vs, i, j) and not with_any[f]):
                    continue
                total += angle[j] * us[j]
            length = _length(total)
            if length > _TINY:
                total = (np.float32(1) / length) * total
            out[f, k, :3] = total
            out[f, k, 3] = np.float32(1) if group_keeps[g] else np.float32(-1)


@njit(cache=True, nogil=True)
def _opposed(us: Floats32, vs: Floats32, i: int, j: int) -> bool:
    """Tell whether two triangles' directions are exactly opposite: those are not averaged."""
    cos_u = us[i, 0] * us[j, 0] + us[i, 1] * us[j, 1] + us[i, 2] * us[j, 2]
    cos_v = vs[i, 0] * vs[j, 0] + vs[i, 1] * vs[j, 1] + vs[i, 2] * vs[j, 2]
    return cos_u <= np.float32(-1) or cos_v <= np.float32(-1)


@njit(cache=True, nogil=True)
def _members(group: NDArray[np.int64], groups: int) -> Any:
    """List the corners (3 f + k) of every group, in triangle order."""
    start = np.zeros(groups + 1, np.int64)
    for number in group.ravel():
        if number != _NONE:
            start[number + 1] += 1
    for g in range(groups):
        start[g + 1] += start[g]
    fill = start.copy()
    members = np.empty(start[-1], np.int64)
    for f in range(len(group)):
        for k in range(3):
            number = group[f, k]
            if number != _NONE:
                members[fill[number]] = 3 * f + k
                fill[number] += 1
    return members, start


def _borrow(
    vertex: NDArray[np.int64],
    degenerate: NDArray[np.bool_],
    good: NDArray[np.int64],
    out: Floats32,
) -> None:
    """Give corners of collapsed triangles the tangent of the first sound one at that vertex."""
    bad = np.flatnonzero(degenerate)
    if len(bad) == 0:
        return
    ids, first = np.unique(vertex[good].ravel(), return_index=True)
    wanted = vertex[bad].ravel()
    place = np.minimum(np.searchsorted(ids, wanted), len(ids) - 1)
    hit = ids[place] == wanted
    source = out[good].reshape(-1, 4)[first[place[hit]]]
    rows = out[bad].reshape(-1, 4)
    rows[hit] = source
    out[bad] = rows.reshape(-1, 3, 4)


def _face_tangents(positions: Floats, uv: Floats) -> tuple[Floats, Floats]:
    """Return every triangle's direction of growing u, (T, 3), and its UV orientation, (T,)."""
    d1, d2 = positions[:, 1] - positions[:, 0], positions[:, 2] - positions[:, 0]
    e1, e2 = uv[:, 1] - uv[:, 0], uv[:, 2] - uv[:, 0]
    doubled = e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0]
    sign = np.where(doubled < 0, -1.0, 1.0)
    direction = (e2[:, 1:] * d1 - e1[:, 1:] * d2) * sign[:, None]
    return normalised(direction), sign
