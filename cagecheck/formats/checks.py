"""What every reader checks before it hands a mesh on."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import Notice
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Mesh
from cagecheck.words.numbers import as_given, count_text

# Squared lengths of coordinates up to this stay finite in float32 (its largest is 3.4e38).
COORDINATE_LIMIT = 1e18
MOST_ITEMS = 2**31 - 1  # vertices, corners and triangles are counted in int32
_BLOCK = 1 << 21


def check_positions(file: FileBytes, positions: NDArray[np.floating[Any]]) -> None:
    """Raise `InputError` unless there are (V, 3) positions, all finite and within reason."""
    if len(positions) == 0:
        raise file.error("this file holds no vertices.", "Export the mesh again.")
    if len(positions) > MOST_ITEMS:
        raise file.error("this file holds more than 2,147,483,647 vertices.", "Split it.")
    for begin in range(0, len(positions), _BLOCK):
        block = positions[begin : begin + _BLOCK]
        # NaN fails the comparison, so one test finds NaN, infinity and the absurd.
        low, high = block.min(), block.max()
        if low >= -COORDINATE_LIMIT and high <= COORDINATE_LIMIT:
            continue
        with np.errstate(invalid="ignore"):
            bad = ~(np.abs(block) <= COORDINATE_LIMIT).all(axis=1)
        first = begin + int(np.flatnonzero(bad)[0])
        place = ", ".join(as_given(x) for x in positions[first])
        raise file.error(
            f"vertex {first} (counting from 0) lies at ({place}), which is no place in space.",
            "Delete or repair that vertex and export again.",
        )


def check_indices(
    file: FileBytes, index: NDArray[np.integer[Any]], vertices: int, corners_per_face: int = 0
) -> None:
    """Raise `InputError` unless every vertex index is in 0 … vertices - 1.

    `index` is (C,) or (T, 3); with `corners_per_face` the message names the face.
    """
    if index.size == 0:
        raise file.error(
            "this file holds no faces, only points.", "Export the mesh with its faces."
        )
    low, high = int(index.min()), int(index.max())
    if low >= 0 and high < vertices:
        return
    flat = index.reshape(-1)
    first = int(np.flatnonzero((flat < 0) | (flat >= vertices))[0])
    face = first // corners_per_face if corners_per_face else None
    raise file.error(
        f"a face refers to vertex {int(flat[first])} (counting from 0), but there are only "
        f"{count_text(vertices)} vertices.",
        "The file is damaged or cut off; export it again.",
        face=face,
    )


def unit_or_nan(normals: Floats) -> Floats:
    """Return (N, 3) unit normals; rows without a usable direction become NaN."""
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        length = np.linalg.norm(normals, axis=1, keepdims=True)
        usable = np.isfinite(length) & (length > 0)
        out: Floats = np.where(usable, normals / length, np.nan)
    return out


def finish_mesh(file: FileBytes, mesh: Mesh) -> Mesh:
    """Check a mesh and add the notices that cost little.

    Raises `InputError` when it has no vertices, no faces, an index out of range, a place that is
    not finite, or no face with any area.
    """
    check_positions(file, mesh.positions)
    check_indices(file, mesh.corner_vertex, mesh.vertex_count)
    # Single faces without area are set aside, and told, where the low poly is prepared.
    if _without_area(mesh.positions, mesh.face_start, mesh.corner_vertex).all():
        raise file.error("no face has any area.", "Export the mesh again.")
    if mesh.corner_uv is not None and np.isinf(mesh.corner_uv).any():
        # No place on a map; to every later stage it is a corner without UVs.
        uv = np.where(
            np.isfinite(mesh.corner_uv).all(axis=1, keepdims=True), mesh.corner_uv, np.nan
        )
        mesh = replace(mesh, corner_uv=uv)
    notices = list(mesh.notices)
    used = np.zeros(mesh.vertex_count, bool)
    used[mesh.corner_vertex] = True
    if not used.all():
        notices.append(
            Notice(
                "unused-vertices",
                f"{file.name}: {count_text(int((~used).sum()))} vertices belong to no face; they "
                "stay where they are in the cage.",
                count=int((~used).sum()),
            )
        )
    return replace(mesh, notices=tuple(notices))


@njit(nogil=True, cache=True)
def _without_area(
    positions: Floats, face_start: NDArray[np.int64], corner_vertex: Ints
) -> NDArray[np.bool_]:
    """Tell which polygons' area vectors vanish (Newell's method, about the first corner)."""
    out = np.empty(len(face_start) - 1, np.bool_)
    for f in range(len(out)):
        x, y, z = 0.0, 0.0, 0.0
        begin, end = face_start[f], face_start[f + 1]
        for c in range(begin + 1, end - 1):
            o, a, b = corner_vertex[begin], corner_vertex[c], corner_vertex[c + 1]
            ax = positions[a, 0] - positions[o, 0]
            ay = positions[a, 1] - positions[o, 1]
            az = positions[a, 2] - positions[o, 2]
            bx = positions[b, 0] - positions[o, 0]
            by = positions[b, 1] - positions[o, 1]
            bz = positions[b, 2] - positions[o, 2]
            x += ay * bz - az * by
            y += az * bx - ax * bz
            z += ax * by - ay * bx
        out[f] = x == 0.0 and y == 0.0 and z == 0.0
    return out
