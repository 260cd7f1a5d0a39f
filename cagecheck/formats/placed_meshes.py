"""Scenes of meshes at places, as a process of its own tells of them, made into one mesh.

The answer (`apart.ask`) names `parts` (``path``, ``roots``, ``geometry``, ``materials``, and as
``matrices`` the array of its places, row vectors multiplied from the left) and `geometries`
(``points``, ``sizes``, ``corners``, ``kept``, ``flipped``, ``uv`` and ``normal`` as arrays of
values and of every corner's row), `up` and the `unit` in metres; numbers are those of arrays.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.errors import Notice
from cagecheck.formats.checks import check_positions, unit_or_nan
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.meshes.mesh import Mesh, Surface, SurfaceNormals
from cagecheck.meshes.surface_normals import normals_of_corners, unit_rows
from cagecheck.meshes.triangulate_large import cut_polygons
from cagecheck.words.numbers import count_text

UNIT_METRES = 0.01
_BLOCK = 1 << 20
# Units that differ by a smaller share of themselves are one: rounding, no other unit.
_SAME_UNIT = 1e-9
# z up to y up: (x, y, z) becomes (x, z, -y).
_Z_TO_Y = np.array([[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]])

_SKIPPED = {
    "invisible": "meshes are invisible and were left out",
    "purpose guide": "meshes are guides (purpose guide) and were left out",
    "purpose proxy": "meshes are stand-ins (purpose proxy) and were left out",
    "shapes that are no meshes": "shapes are no meshes (spheres, curves and the like) and were "
    "left out",
    "meshes without faces": "meshes have no faces",
    "subdivision surfaces with holes": "subdivision surfaces have holes, whose faces were left out",
    "further UV sets": "meshes have several UV sets; “st” was read, or the first",
    "UVs or normals that do not fit their mesh": "meshes have UVs or normals that do not fit them "
    "and were left out",
}


@dataclass(frozen=True, eq=False)
class PrimRun:
    """Where one mesh of the scene landed: vertices `begin` … `end`, faces from `face_begin` on.

    matrix : (4, 4) from its own space to the world. roots : instances that it lies in.
    """

    path: str
    roots: tuple[str, ...]
    begin: int
    end: int
    face_begin: int
    face_end: int
    matrix: Floats


@dataclass(frozen=True, eq=False)
class SceneLayout:
    """What a writer must know of a scene: where its meshes landed, and its materials' paths."""

    runs: tuple[PrimRun, ...]
    materials: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Scene:
    """What a file holds: the answer about it, the arrays that it names, and what was odd."""

    answer: dict[str, Any]
    arrays: list[NDArray[Any]]
    notices: tuple[Notice, ...]


@dataclass(frozen=True, eq=False)
class _Placed:
    """One mesh at one place; corners are in the order in which its faces look outward."""

    part: dict[str, Any]
    shape: dict[str, Any]
    matrix: Floats
    sizes: NDArray[np.int32]
    corner: NDArray[np.int64] | None  # which stored corner each is, None for all in order


def mesh_of(file: FileBytes, scene: Scene) -> Mesh:
    """Return a scene as one mesh, faithfully."""
    arrays = scene.arrays
    names: dict[str, int] = {}
    materials: dict[str, int] = {}
    positions, sizes, vertices, ids, uvs, normals, face_material = [], [], [], [], [], [], []
    runs: list[PrimRun] = []
    vertex_begin, face_begin = 0, 0
    for placed in _all_placed(scene):
        points = arrays[placed.shape["points"]]
        positions.append(_world(points, placed.matrix))
        sizes.append(placed.sizes)
        vertex = arrays[placed.shape["corners"]]
        vertices.append(_picked(vertex, placed.corner) + np.int32(vertex_begin))
        faces, corners = len(placed.sizes), len(vertices[-1])
        ids.append(np.full(faces, names.setdefault(placed.part["path"], len(names)), np.int32))
        uvs.append(_corner_rows(arrays, placed, "uv", corners, 2))
        normals.append(_corner_rows(arrays, placed, "normal", corners, 3))
        face_material.append(_face_materials(arrays, placed.part, faces, materials))
        end = vertex_begin + len(points)
        runs.append(
            PrimRun(
                placed.part["path"], tuple(placed.part["roots"]), vertex_begin, end, face_begin,
                face_begin + faces, placed.matrix,
            )
        )  # fmt: skip
        vertex_begin, face_begin = end, face_begin + faces
    return Mesh(
        positions=np.concatenate(positions),
        face_start=np.concatenate([[0], np.cumsum(np.concatenate(sizes))]).astype(np.int64),
        corner_vertex=np.concatenate(vertices),
        face_part=np.concatenate(ids),
        part_names=tuple(names),
        corner_uv=_joined(uvs, 2),
        corner_normal=_joined(normals, 3),
        face_material=np.concatenate(face_material),
        material_names=_material_names(tuple(materials)),
        source=file.source(file.extension[1:], SceneLayout(tuple(runs), tuple(materials))),
        notices=scene.notices,
    )


def surface_of(file: FileBytes, scene: Scene, normals: bool) -> Surface:
    """Return the triangles of a scene. Raises `InputError` for positions that are not finite."""
    arrays = scene.arrays
    names: dict[str, int] = {}
    positions, sizes, vertices, ids = [], [], [], []
    rows, row_index, base, begin = [np.zeros((0, 3), np.float32)], [], 0, 0
    for placed in _all_placed(scene):
        positions.append(_single(arrays[placed.shape["points"]], placed.matrix))
        sizes.append(placed.sizes)
        vertex = _picked(arrays[placed.shape["corners"]], placed.corner)
        vertices.append(vertex + np.int32(begin) if begin else vertex)
        ids.append((names.setdefault(placed.part["path"], len(names)), len(placed.sizes)))
        begin += len(positions[-1])
        given = placed.shape["normal"]
        if given is None or not normals:
            row_index.append(np.full(len(vertex), -1, np.int32))
            continue
        turned = _turned(arrays[given[0]], placed.matrix)
        rows.append(unit_rows(turned))
        row_index.append(_picked(arrays[given[1]], placed.corner) + np.int32(base))
        base += len(turned)
    points = _one(positions)
    check_positions(file, points)
    corner_vertex, counts = _one(vertices), _one(sizes)
    start = np.zeros(len(counts) + 1, np.int64)
    np.cumsum(counts, out=start[1:])
    triangles, face = cut_polygons(points, start, corner_vertex)
    face_part = np.repeat(np.array([k for k, _ in ids], np.int32), [n for _, n in ids])
    found: SurfaceNormals | None = None
    if base:
        found = normals_of_corners(_one(rows), _one(row_index), points, start, corner_vertex)
    return Surface(
        points,
        triangles,
        face_part if face is None else face_part[face],
        tuple(names),
        file.source(file.extension[1:]),
        scene.notices,
        found,
    )


def as_on_disk(file: FileBytes, folder: str) -> str:
    """Return the path of a file that the library can open: a packed one is unpacked in `folder`."""
    if not file.packed:
        return os.path.realpath(file.path)
    path = Path(folder) / f"scene{file.extension}"
    path.write_bytes(file.data.data)
    return os.path.realpath(path)


def left_words(answer: dict[str, Any]) -> str:
    """Say in brackets what was left out, or nothing."""
    left = "; ".join(f"{n} {_SKIPPED[w]}" for w, n in answer["skipped"].items())
    return f" ({left})" if left else ""


def scene_notices(file: FileBytes, answer: dict[str, Any], family: str) -> list[Notice]:
    """Say what was left out or read otherwise than it is meant. family : begins the codes."""
    out = []
    smooth = sum(g["subdivision"] not in ("none", "") for g in answer["geometries"])
    if smooth:
        out.append(
            Notice(
                f"{family}-subdivision",
                f"{file.name}: {count_text(smooth)} meshes are subdivision surfaces; their control "
                "cage was read as it is.",
                "Export them subdivided if the bake sees them so.",
                count=smooth,
            )
        )
    for what, count in answer["skipped"].items():
        code = f"{family}-" + what.replace(" ", "-").lower()
        said = f"{file.name}: {count_text(count)} {_SKIPPED[what]}."
        out.append(Notice(code, said, count=count))
    return out


def is_scaled(unit: float) -> bool:
    """Whether a unit of so many metres is another than the one that is read, beyond rounding."""
    return abs(unit / UNIT_METRES - 1) > _SAME_UNIT


def _all_placed(scene: Scene) -> Iterator[_Placed]:
    """Yield every mesh at every place, in the scene's order."""
    answer, arrays = scene.answer, scene.arrays
    to_file = np.eye(4) if answer["up"] != "Z" else _Z_TO_Y
    if is_scaled(answer["unit"]):
        to_file = np.diag([answer["unit"] / UNIT_METRES] * 3 + [1.0]) @ to_file
    for part in answer["parts"]:
        shape = answer["geometries"][part["geometry"]]
        for stored in arrays[part["matrices"]]:
            with np.errstate(over="ignore", invalid="ignore"):
                matrix = to_file @ stored.T  # the library multiplies rows from the left
            mirrors = bool(np.linalg.det(matrix[:3, :3]) < 0)
            kept = None if shape["kept"] is None else arrays[shape["kept"]]
            sizes = arrays[shape["sizes"]]
            corner = _corner_order(sizes, kept, shape["flipped"] != mirrors)
            yield _Placed(part, shape, matrix, sizes if kept is None else sizes[kept], corner)


def _corner_order(
    sizes: NDArray[np.int32], kept: NDArray[np.int64] | None, turned: bool
) -> NDArray[np.int64] | None:
    """Return which stored corner each corner is, turned round where faces look the other way.

    Left-handed meshes and mirroring transforms each turn them once (UsdGeomGprim, orientation).
    """
    if kept is None and not turned:
        return None
    begin = np.cumsum(sizes, dtype=np.int64) - sizes
    if kept is not None:
        begin, sizes = begin[kept], sizes[kept]
    within = np.arange(int(sizes.sum())) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    if turned:  # the first corner stays the first
        within = np.where(within == 0, 0, np.repeat(sizes, sizes) - within)
    return np.repeat(begin, sizes) + within


def _picked(values: NDArray[Any], rows: NDArray[np.int64] | None) -> NDArray[Any]:
    return values if rows is None else values[rows]


def _world(points: NDArray[Any], matrix: Floats) -> Floats:
    if np.array_equal(matrix, np.eye(4)):
        return points.astype(np.float64)
    with np.errstate(over="ignore", invalid="ignore"):
        out: Floats = points.astype(np.float64) @ matrix[:3, :3].T + matrix[:3, 3]
    return out


def _single(points: NDArray[Any], matrix: Floats) -> NDArray[np.float32]:
    """Return world positions as float32; the same memory where nothing moves them."""
    if points.dtype == np.float32 and np.array_equal(matrix, np.eye(4)):
        return points
    out = np.empty((len(points), 3), np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        for begin in range(0, len(points), _BLOCK):
            out[begin : begin + _BLOCK] = _world(points[begin : begin + _BLOCK], matrix)
    return out


def _turned(normals: NDArray[Any], matrix: Floats) -> NDArray[Any]:
    """Return normals under a matrix, of any length: they go with the inverse transpose."""
    m = matrix[:3, :3]
    if np.array_equal(m, np.eye(3)):
        return normals
    cofactor = np.stack([np.cross(m[1], m[2]), np.cross(m[2], m[0]), np.cross(m[0], m[1])])
    with np.errstate(over="ignore", invalid="ignore"):
        out: NDArray[Any] = normals.astype(np.float64) @ cofactor.T
    return -out if np.linalg.det(m) < 0 else out


def _corner_rows(
    arrays: list[NDArray[Any]], placed: _Placed, name: str, corners: int, width: int
) -> Floats:
    """Return (C, width) values of the corners, NaN where the mesh has none to use."""
    given = placed.shape[name]
    if given is None:
        return np.full((corners, width), np.nan)
    values = arrays[given[0]].astype(np.float64)
    if name == "normal":
        values = unit_or_nan(_turned(values, placed.matrix))
    values[~np.isfinite(values).all(axis=1)] = np.nan
    return values[_picked(arrays[given[1]], placed.corner)]


def _joined(rows: list[Floats], width: int) -> Floats | None:
    out = np.concatenate(rows)
    return None if np.isnan(out).all() else out


def _one(arrays: list[NDArray[Any]]) -> NDArray[Any]:
    """Join arrays; a single one keeps its memory."""
    return arrays[0] if len(arrays) == 1 else np.concatenate(arrays)


def _face_materials(
    arrays: list[NDArray[Any]], part: dict[str, Any], faces: int, materials: dict[str, int]
) -> NDArray[np.int32]:
    held = part["materials"]
    if held is None:
        return np.full(faces, -1, np.int32)
    numbers = [materials.setdefault(name, len(materials)) for name in held["names"]]
    if held["faces"] is None:
        return np.full(faces, numbers[0], np.int32)
    return np.array([*numbers, -1], np.int32)[arrays[held["faces"]]]


def _material_names(paths: tuple[str, ...]) -> tuple[str, ...]:
    """Return the last part of every path, the whole one where several end alike."""
    short = [path.rsplit("/", 1)[-1] for path in paths]
    return tuple(s if short.count(s) == 1 else p for s, p in zip(short, paths, strict=True))
