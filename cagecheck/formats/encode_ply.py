"""Meshes as binary little-endian PLY.

Coordinates are ``float`` where that holds them exactly, else ``double``. Corner UVs go to the
vertices (``s t``) where every vertex has one, else to the faces (``texcoord``); normals go to the
vertices, or are left out where a vertex has several. PLY has no parts.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.mesh import Mesh, Surface

_BLOCK = 1 << 20


def ply_of_surface(surface: Surface) -> Iterator[bytes | NDArray[Any]]:
    """Yield a PLY file of triangles; normals where a vertex has one at most."""
    positions = _plain(surface.positions)
    columns = _columns("xyz", positions)
    normals = surface.normals
    if normals is None or normals.corner is not None:
        yield _header(len(positions), columns, len(surface.triangles), "uchar")
        yield positions
    else:
        rows = normals.rows.astype("<f4")
        columns += _columns(("nx", "ny", "nz"), rows)
        yield _header(len(positions), columns, len(surface.triangles), "uchar")
        for begin in range(0, len(positions), _BLOCK):
            here = slice(begin, begin + _BLOCK)
            both = [np.ascontiguousarray(a[here]) for a in (positions, rows)]
            yield np.concatenate([a.view(np.uint8).reshape(len(a), -1) for a in both], axis=1)
    row = np.dtype([("n", "u1"), ("v", "<i4", 3)])
    for begin in range(0, len(surface.triangles), _BLOCK):
        triangles = surface.triangles[begin : begin + _BLOCK]
        block = np.empty(len(triangles), row)
        block["n"] = 3
        block["v"] = triangles
        yield block


def ply_of_mesh(mesh: Mesh) -> Iterator[bytes | NDArray[Any]]:
    """Yield a PLY file of polygons."""
    fields = [("xyz", _plain(mesh.positions))]
    normal = _per_vertex(mesh, mesh.corner_normal)
    if normal is not None:
        fields.append((("nx", "ny", "nz"), normal.astype("<f4")))  # type: ignore[arg-type]
    uv = _per_vertex(mesh, mesh.corner_uv)
    if uv is not None:
        fields.append((("s", "t"), _plain(uv)))  # type: ignore[arg-type]
    face_uv = None
    if uv is None and mesh.corner_uv is not None:
        face_uv = _plain(np.nan_to_num(mesh.corner_uv))
    sizes = np.diff(mesh.face_start)
    most = int(sizes.max(initial=0))
    # A count of UV numbers is twice that of corners and shares the type.
    count_type = "uchar" if most * (1 if face_uv is None else 2) < 256 else "int"
    columns = "".join(_columns(names, values) for names, values in fields)
    extra = "" if face_uv is None else f"property list {count_type} {_kind(face_uv)} texcoord\n"
    yield _header(mesh.vertex_count, columns, mesh.face_count, count_type, extra)
    yield np.concatenate([v.view(np.uint8).reshape(len(v), -1) for _, v in fields], axis=1)
    yield _face_bytes(mesh.corner_vertex, face_uv, sizes, count_type)


def _plain(values: NDArray[Any]) -> NDArray[Any]:
    """Return values as packed little-endian float32 where that is exact, else float64."""
    with np.errstate(over="ignore"):
        single = values.astype("<f4")
    exact = np.array_equal(single, values)
    return np.ascontiguousarray(single if exact else values.astype("<f8"))


def _kind(values: NDArray[Any]) -> str:
    return "float" if values.dtype.itemsize == 4 else "double"


def _columns(names: Any, values: NDArray[Any]) -> str:
    return "".join(f"property {_kind(values)} {name}\n" for name in names)


def _header(vertices: int, columns: str, faces: int, count_type: str, extra: str = "") -> bytes:
    return (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {vertices}\n{columns}"
        f"element face {faces}\nproperty list {count_type} int vertex_indices\n{extra}"
        "end_header\n"
    ).encode()


def _per_vertex(mesh: Mesh, rows: Floats | None) -> Floats | None:
    """Return (V, k) values where every vertex's corners agree and are there, else None."""
    if rows is None or not np.isfinite(rows).all():
        return None
    out = np.zeros((mesh.vertex_count, rows.shape[1]))
    out[mesh.corner_vertex] = rows
    return out if np.array_equal(out[mesh.corner_vertex], rows) else None


def _face_bytes(
    vertex: Ints, uv: NDArray[Any] | None, sizes: NDArray[np.int64], count_type: str
) -> NDArray[np.uint8]:
    """Return the rows of the faces; uv : (C, 2) packed, of the corners."""
    width = 1 if count_type == "uchar" else 4
    pair = 0 if uv is None else 2 * uv.dtype.itemsize
    length = width + 4 * sizes
    if uv is not None:
        length = length + width + pair * sizes
    row = np.concatenate([[0], np.cumsum(length)])
    out = np.zeros(int(row[-1]), np.uint8)
    code = "<u1" if width == 1 else "<i4"
    within = np.arange(len(vertex)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    start = row[:-1]
    _scatter(out, start, sizes.astype(code))
    _scatter(out, np.repeat(start + width, sizes) + 4 * within, vertex.astype("<i4"))
    if uv is not None:
        start = start + width + 4 * sizes
        _scatter(out, start, (2 * sizes).astype(code))
        pairs = uv.view(f"V{pair}").ravel()
        _scatter(out, np.repeat(start + width, sizes) + pair * within, pairs)
    return out


def _scatter(out: NDArray[np.uint8], at: NDArray[np.int64], values: NDArray[Any]) -> None:
    item = values.dtype.itemsize
    raw = np.ascontiguousarray(values).view(np.uint8).reshape(-1, item)
    for k in range(item):
        out[at + k] = raw[:, k]
