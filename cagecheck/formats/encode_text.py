"""Meshes as OBJ text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.mesh import Mesh, Surface

_ROWS = 100_000  # lines formatted at a time


def number_text(value: float) -> str:
    """Return the shortest text that reads back as the same float64, without an exponent."""
    text = repr(value)
    if "e" in text:
        text = np.format_float_positional(value, unique=True, trim="-")
    return text.removesuffix(".0")


def obj_of_mesh(mesh: Mesh) -> Iterator[bytes]:
    """Yield an OBJ file: objects, smoothing groups, material names, corner UVs and normals."""
    yield from _number_lines("v", mesh.positions)
    uv_rows, uv_at = _distinct(mesh.corner_uv)
    normal_rows, normal_at = _distinct(mesh.corner_normal)
    yield from _number_lines("vt", uv_rows)
    yield from _number_lines("vn", normal_rows)
    corners = _corner_texts(mesh.corner_vertex, uv_at, normal_at)
    state: tuple[int, int, int] = (-1, -1, 0)
    lines: list[str] = []
    start = mesh.face_start.tolist()
    states = _face_states(mesh)
    for face in range(mesh.face_count):
        if states[face] != state:
            lines.extend(_state_lines(mesh, state, states[face]))
            state = states[face]
        lines.append("f " + " ".join(corners[start[face] : start[face + 1]]) + "\n")
        if len(lines) >= _ROWS:
            yield "".join(lines).encode()
            lines = []
    yield "".join(lines).encode()


def obj_of_surface(surface: Surface) -> Iterator[bytes]:
    """Yield an OBJ file with an object per part, and the normals that the surface has."""
    yield from _number_lines("v", surface.positions)
    normals = surface.normals
    if normals is not None:
        yield from _number_lines("vn", normals.rows)
    for part, name in enumerate(surface.part_names):
        own = surface.triangle_part == part
        triangles, line = surface.triangles[own], "f %d %d %d\n"
        if normals is not None:
            corner = triangles if normals.corner is None else normals.corner[own]
            triangles, line = np.stack([triangles, corner], axis=2), "f %d//%d %d//%d %d//%d\n"
        if len(triangles):
            yield f"o {name}\n".encode()
        for begin in range(0, len(triangles), _ROWS):
            rows = triangles[begin : begin + _ROWS].astype(np.int64) + 1
            yield ((line * len(rows)) % tuple(rows.ravel().tolist())).encode()


def _number_lines(word: str, rows: NDArray[Any]) -> Iterator[bytes]:
    width = rows.shape[1] if rows.ndim == 2 else 0
    # Nine digits hold every float32.
    form = "%.9g" if rows.dtype == np.float32 else "%s"
    line = " ".join([word] + [form] * width) + "\n"
    for begin in range(0, len(rows), _ROWS):
        block = rows[begin : begin + _ROWS].ravel().tolist()
        values = block if form == "%.9g" else [number_text(x) for x in block]
        yield ((line * (len(block) // width)) % tuple(values)).encode()


def _distinct(rows: Floats | None) -> tuple[Floats, Ints | None]:
    """Return the distinct finite rows in order of first use, and each row's number (-1: NaN)."""
    if rows is None:
        return np.zeros((0, 0)), None
    there = np.isfinite(rows).all(axis=1)
    at = np.full(len(rows), -1, np.int32)
    values, first, number = np.unique(
        rows[there] + 0.0, axis=0, return_index=True, return_inverse=True
    )
    order = np.argsort(first, kind="stable")
    rank = np.empty(len(order), np.int32)
    rank[order] = np.arange(len(order), dtype=np.int32)
    at[there] = rank[number.ravel()]
    return values[order], at


def _corner_texts(vertex: Ints, uv: Ints | None, normal: Ints | None) -> list[str]:
    out = [str(v + 1) for v in vertex.tolist()]
    if uv is None and normal is None:
        return out
    uvs = [""] * len(out) if uv is None else [str(k + 1) if k >= 0 else "" for k in uv.tolist()]
    if normal is None:
        return [f"{v}/{t}" if t else v for v, t in zip(out, uvs, strict=True)]
    normals = [f"/{k + 1}" if k >= 0 else "" for k in normal.tolist()]
    return [f"{v}/{t}{n}" if t or n else v for v, t, n in zip(out, uvs, normals, strict=True)]


def _face_states(mesh: Mesh) -> list[tuple[int, int, int]]:
    none = np.full(mesh.face_count, -1, np.int32)
    material = none if mesh.face_material is None else mesh.face_material
    smoothing = none + 1 if mesh.face_smoothing is None else mesh.face_smoothing
    return list(zip(mesh.face_part.tolist(), material.tolist(), smoothing.tolist(), strict=True))


def _state_lines(
    mesh: Mesh, before: tuple[int, int, int], now: tuple[int, int, int]
) -> Iterator[str]:
    if now[0] != before[0]:
        yield f"o {mesh.part_names[now[0]]}\n"
    if now[1] != before[1] and now[1] >= 0:
        yield f"usemtl {mesh.material_names[now[1]]}\n"
    if now[2] != before[2]:
        yield f"s {now[2] or 'off'}\n"
