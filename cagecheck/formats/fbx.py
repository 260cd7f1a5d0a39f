"""FBX files, binary and text, through the bindings of the ufbx library (the extra ``fbx``).

A part per node. Node and geometry transforms, units and axes are applied: positions are in world
space, right-handed with y up, one unit being one centimetre. That is the format's default, so
that a file in centimetres keeps its numbers; what was converted is said in a notice. Vertices,
polygons, corner UVs, corner normals and materials are the file's own. Skins stand in their bind
pose; subdivision and morphs are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.errors import Notice
from cagecheck.formats import fbx_child
from cagecheck.formats.apart import CURE as _CURE
from cagecheck.formats.apart import Library, ask
from cagecheck.formats.checks import check_indices, check_positions, unit_or_nan
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.meshes.mesh import Mesh, Surface, SurfaceNormals
from cagecheck.meshes.surface_normals import normals_of_corners, unit_rows
from cagecheck.meshes.triangulate_large import cut_polygons
from cagecheck.progress import Progress, silent
from cagecheck.words.numbers import as_given

UNIT_METRES = 0.01
_LIBRARY = Library("FBX", "ufbx", "fbx")
_AXIS_WORDS = ("+x", "-x", "+y", "-y", "+z", "-z")
_Y_UP = 2


@dataclass(frozen=True, eq=False)
class _Part:
    """One node's mesh in world space; corners index its own vertices."""

    name: str
    positions: Floats
    sizes: NDArray[np.int64]
    corner_vertex: NDArray[np.int32]
    uv: Floats | None
    normal: tuple[Floats, NDArray[np.int64]] | None  # (R, 3) values and the row of every corner
    material: NDArray[np.int32]


def read_fbx_mesh(file: FileBytes, *, progress: Progress = silent) -> Mesh:
    """Read an FBX file faithfully. Raises `InputError`, also where the extra is not installed."""
    parts, materials, notices = _load(file, ("uv", "normal"))
    sizes = np.concatenate([p.sizes for p in parts])
    part_names: dict[str, int] = {}
    ids = [part_names.setdefault(p.name, len(part_names)) for p in parts]
    return Mesh(
        positions=np.concatenate([p.positions for p in parts]),
        face_start=np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
        corner_vertex=_joined_corners(parts),
        face_part=np.repeat(np.array(ids, np.int32), [len(p.sizes) for p in parts]),
        part_names=tuple(part_names),
        corner_uv=_joined([p.uv for p in parts], parts, 2),
        corner_normal=_joined(
            [None if p.normal is None else unit_or_nan(p.normal[0])[p.normal[1]] for p in parts],
            parts,
            3,
        ),
        face_material=np.concatenate([p.material for p in parts]),
        material_names=materials,
        source=file.source("fbx"),
        notices=notices,
    )


def read_fbx_surface(
    file: FileBytes, *, normals: bool = True, progress: Progress = silent
) -> Surface:
    """Read the triangles of an FBX file. Raises `InputError` as `read_fbx_mesh` does."""
    parts, _, notices = _load(file, ("normal",) if normals else ())
    positions = np.concatenate([p.positions for p in parts])
    check_positions(file, positions)
    corner_vertex = _joined_corners(parts)
    check_indices(file, corner_vertex, len(positions))
    sizes = np.concatenate([p.sizes for p in parts])
    start = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    triangles, face = cut_polygons(positions, start, corner_vertex)
    names: dict[str, int] = {}
    ids = [names.setdefault(p.name, len(names)) for p in parts]
    face_part = np.repeat(np.array(ids, np.int32), [len(p.sizes) for p in parts])
    return Surface(
        positions,
        triangles,
        face_part if face is None else face_part[face],
        tuple(names),
        file.source("fbx"),
        notices,
        _surface_normals(parts, positions, start, corner_vertex),
    )


def _surface_normals(
    parts: list[_Part],
    positions: Floats,
    start: NDArray[np.int64],
    corner_vertex: NDArray[np.int32],
) -> SurfaceNormals | None:
    rows, index, base = [np.zeros((0, 3), np.float32)], [], 0
    for part in parts:
        if part.normal is None:
            index.append(np.full(len(part.corner_vertex), -1, np.int32))
            continue
        rows.append(unit_rows(part.normal[0]))
        index.append((part.normal[1] + base).astype(np.int32))
        base += len(part.normal[0])
    return normals_of_corners(
        np.concatenate(rows), np.concatenate(index), positions, start, corner_vertex
    )


def _load(
    file: FileBytes, wanted: tuple[str, ...]
) -> tuple[list[_Part], tuple[str, ...], tuple[Notice, ...]]:
    answer, arrays = ask(
        file.path, len(file.data), _LIBRARY, fbx_child,
        {"unit": UNIT_METRES, "wanted": wanted}, [file.data],
    )  # fmt: skip
    materials: dict[str, int] = {}
    parts = [_part(file, entry, arrays, materials) for entry in answer["parts"]]
    if not parts:
        raise file.error("this file holds no faces.", "Export the mesh with its faces.")
    return parts, tuple(materials), _notices(file, answer)


def _part(
    file: FileBytes,
    entry: dict[str, Any],
    arrays: list[NDArray[Any]],
    materials: dict[str, int],
) -> _Part:
    matrix = np.array(entry["matrix"], np.float64).T
    faces = arrays[entry["faces"]]
    stored_vertex = arrays[entry["vertex_indices"]]
    corner = _corner_order(file, faces, len(stored_vertex), np.linalg.det(matrix[:, :3]) < 0)
    vertex = stored_vertex[corner]
    with np.errstate(over="ignore", invalid="ignore"):
        positions = arrays[entry["vertices"]] @ matrix[:, :3].T + matrix[:, 3]
    check_indices(file, vertex, len(positions))
    found = _values(file, entry["uv"], arrays, corner)
    uv = None if found is None else found[0][found[1]]
    normal = _values(file, entry["normal"], arrays, corner)
    if normal is not None:
        with np.errstate(over="ignore", invalid="ignore"):
            normal = (normal[0] @ _cofactor(matrix[:, :3]).T, normal[1])
    return _Part(
        " ".join(entry["name"].split()) or "mesh",
        positions,
        faces[:, 1],
        vertex.astype(np.int32),
        uv,
        normal,
        _face_materials(entry["materials"], arrays[entry["face_material"]], len(faces), materials),
    )


def _corner_order(
    file: FileBytes, faces: NDArray[np.int64], corners: int, mirrored: bool
) -> NDArray[np.int64]:
    """Return which stored corner each corner is: face by face, turned round where mirrored."""
    begin, size = faces[:, 0], faces[:, 1]
    if len(faces) and (int((begin + size).max()) > corners or int(begin.min()) < 0):
        raise file.error("a face runs over the end of the corners.", _CURE)
    within = np.arange(int(size.sum())) - np.repeat(np.cumsum(size) - size, size)
    if mirrored:
        within = np.repeat(size, size) - 1 - within
    return np.repeat(begin, size) + within


def _values(
    file: FileBytes,
    places: list[int] | None,
    arrays: list[NDArray[Any]],
    corner: NDArray[np.int64],
) -> tuple[Floats, NDArray[np.int64]] | None:
    """Return the (R, n) values of an attribute, NaN where not finite, and each corner's row."""
    if places is None:
        return None
    values, stored_index = arrays[places[0]], arrays[places[1]]
    if len(stored_index) <= int(corner.max(initial=-1)):
        raise file.error("a corner has no UV or normal.", _CURE)
    index = stored_index[corner]
    if len(index) and (int(index.min()) < 0 or int(index.max()) >= len(values)):
        raise file.error("a corner refers to a UV or normal that is not there.", _CURE)
    fine = np.isfinite(values).all(axis=1, keepdims=True)
    return np.where(fine, values, np.nan), index


def _cofactor(m: Floats) -> Floats:
    """Return the matrix that carries normals: inverse transpose times |determinant|."""
    out = np.stack([np.cross(m[1], m[2]), np.cross(m[2], m[0]), np.cross(m[0], m[1])])
    return -out if np.linalg.det(m) < 0 else out


def _face_materials(
    names: list[str], index: NDArray[np.int64], faces: int, materials: dict[str, int]
) -> NDArray[np.int32]:
    if not names or len(index) != faces:
        return np.full(faces, -1, np.int32)
    clean = [" ".join(name.split()) or "material" for name in names]
    numbers = np.array([materials.setdefault(n, len(materials)) for n in clean] + [-1], np.int32)
    return numbers[np.clip(index, -1, len(names))]


def _joined_corners(parts: list[_Part]) -> NDArray[np.int32]:
    base = np.cumsum([0] + [len(p.positions) for p in parts])
    return np.concatenate(
        [p.corner_vertex + b for p, b in zip(parts, base[:-1], strict=True)]
    ).astype(np.int32)


def _joined(rows: list[Floats | None], parts: list[_Part], width: int) -> Floats | None:
    if all(r is None for r in rows):
        return None
    return np.concatenate(
        [
            np.full((len(p.corner_vertex), width), np.nan) if r is None else r
            for r, p in zip(rows, parts, strict=True)
        ]
    )


def _notices(file: FileBytes, answer: dict[str, Any]) -> tuple[Notice, ...]:
    out = []
    unit, up = answer["unit"], answer["up"]
    if unit > 0 and abs(unit / UNIT_METRES - 1) > 1e-9:
        out.append(
            Notice(
                "fbx-units",
                f"{file.name}: a unit of this file is {as_given(unit * 100)} cm; it was scaled by "
                f"{as_given(unit / UNIT_METRES)} so that one unit is 1 cm.",
            )
        )
    if up != _Y_UP:
        words = _AXIS_WORDS[up] if 0 <= up < len(_AXIS_WORDS) else "an unknown axis"
        out.append(
            Notice(
                "fbx-axes",
                f"{file.name}: {words} points up in this file; it was turned so that y does.",
            )
        )
    return tuple(out)
