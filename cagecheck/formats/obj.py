"""OBJ files, as they are: vertices, polygons, corner UVs and normals, parts, smoothing groups.

Parts: a face belongs to the object (``o``) it stands under; where the file has named no object
yet, to its group (``g``); without either, to a part named after the file. Equal names are one
part. ``v`` lines keep only their place here; colours and weights behind it stay in the file.
Source: the format's published description of 1995 (B1, "Object Files", version 3.0), from memory.
"""

from __future__ import annotations

import itertools
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import InputError, Notice
from cagecheck.formats import obj_scan as scan
from cagecheck.formats.checks import MOST_ITEMS, check_indices, check_positions, unit_or_nan
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.text_numbers import decode_name, line_number, refine, token_at
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.surface_normals import normals_of_corners
from cagecheck.meshes.triangulate_large import cut_polygons
from cagecheck.progress import Progress, silent
from cagecheck.words.numbers import count_text

_State = TypeVar("_State", int, str)
_PIECE = 1 << 23  # bytes a thread takes at a time
# Rows of `_Raw.corners` for vertex, UV and normal numbers; -1: not read.
_EVERYTHING, _WITH_NORMALS, _PLACES = (0, 1, 2), (0, -1, 1), (0, -1, -1)
_BOM = b"\xef\xbb\xbf"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_MESSAGES = {
    scan.BAD_NUMBER: "“{token}” is not a number.",
    scan.TOO_FEW: "a vertex has fewer than three coordinates.",
    scan.BAD_CORNER: "“{token}” is not a face corner.",
    scan.ZERO_INDEX: "a face corner has number 0, but OBJ counts from 1.",
    scan.BAD_RANGE: "a face refers to a vertex, UV or normal that the file does not have.",
}


@dataclass(frozen=True, eq=False)
class _Raw:
    data: NDArray[np.uint8]
    positions: Floats
    textures: Floats
    normals: NDArray[np.floating[Any]]
    face_start: NDArray[np.int64]
    corners: Ints
    events: NDArray[np.int64]
    counts: NDArray[np.int64]


def read_obj_mesh(file: FileBytes, *, progress: Progress = silent) -> Mesh:
    """Read an OBJ file faithfully. Raises `InputError`."""
    raw = _parse(file, _EVERYTHING, progress)
    face_part, part_names, face_material, material_names, smoothing = _states(file, raw)
    return Mesh(
        positions=raw.positions,
        face_start=raw.face_start,
        corner_vertex=np.ascontiguousarray(raw.corners[0]),
        face_part=face_part,
        part_names=part_names,
        corner_uv=_take(raw.textures, raw.corners[1]),
        corner_normal=_unit(_take(raw.normals, raw.corners[2])),
        face_material=face_material,
        material_names=material_names,
        face_smoothing=smoothing,
        source=file.source("obj"),
        notices=_notices(file, raw),
    )


def read_obj_surface(
    file: FileBytes, *, normals: bool = True, progress: Progress = silent
) -> Surface:
    """Read the triangles of an OBJ file, quickly. Raises `InputError`."""
    raw = _parse(file, _WITH_NORMALS if normals else _PLACES, progress)
    corner_vertex = raw.corners[0]
    check_positions(file, raw.positions)
    check_indices(file, corner_vertex, len(raw.positions))
    face_part, part_names, *_ = _states(file, raw)
    triangles, face = cut_polygons(raw.positions, raw.face_start, corner_vertex)
    return Surface(
        raw.positions,
        triangles,
        face_part if face is None else face_part[face],
        part_names,
        file.source("obj"),
        _notices(file, raw),
        normals_of_corners(
            raw.normals, raw.corners[1], raw.positions, raw.face_start, corner_vertex
        )
        if len(raw.normals)
        else None,
    )


def _parse(file: FileBytes, row: tuple[int, int, int], progress: Progress) -> _Raw:
    data = file.data
    if data[:2].tobytes() in _UTF16:
        raise file.error("this text is in UTF-16.", "Save it as UTF-8 or plain ASCII.")
    if data[:3].tobytes() == _BOM:
        data = data[3:]
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        pieces = _pieces(data)
        counted = list(pool.map(lambda p: scan.count_lines(data, p[0], p[1]), pieces))
        if sum(int(c[scan.CONTINUED]) for c in counted):
            data = data.copy()
            scan.join_continued(data)
            pieces = _pieces(data)
            counted = list(pool.map(lambda p: scan.count_lines(data, p[0], p[1]), pieces))
        counts = np.array(counted)
        total = counts.sum(axis=0)
        _check_counts(file, total)
        if row == _WITH_NORMALS and total[scan.NORMAL] == 0:
            row = _PLACES
        raw = _Raw(
            data,
            np.empty((total[scan.VERTEX], 3)),
            np.empty((total[scan.TEXTURE] if row[1] >= 0 else 0, 2)),
            np.empty(
                (total[scan.NORMAL] if row[2] >= 0 else 0, 3),
                np.float64 if row == _EVERYTHING else np.float32,
            ),
            np.zeros(total[scan.FACE] + 1, np.int64),
            np.empty((max(row) + 1, total[scan.CORNERS]), np.int32),
            np.empty((_event_count(total), 3), np.int64),
            total,
        )
        base = np.cumsum(np.vstack([np.zeros(scan.SLOTS, np.int64), counts]), axis=0)

        def work(k: int) -> None:
            _parse_piece(file, raw, pieces[k], base[k], counts[k], row)
            progress(f"parse {file.stem}", k + 1, len(pieces))

        list(pool.map(work, range(len(pieces))))
    return raw


def _parse_piece(
    file: FileBytes,
    raw: _Raw,
    piece: tuple[int, int],
    base: NDArray[np.int64],
    count: NDArray[np.int64],
    row: tuple[int, int, int],
) -> None:
    room = [
        np.empty((int(count[kind]) * width if row == _EVERYTHING else 0, 2), np.int64)
        for kind, width in ((scan.VERTEX, 3), (scan.TEXTURE, 2), (scan.NORMAL, 3))
    ]
    before = np.array(
        [
            base[scan.VERTEX],
            base[scan.TEXTURE],
            base[scan.NORMAL],
            base[scan.FACE],
            base[scan.CORNERS],
            _event_count(base),
        ]
    )
    totals = raw.counts[[scan.VERTEX, scan.TEXTURE, scan.NORMAL]]
    error, place, face, *long = scan.parse_lines(
        raw.data,
        piece[0],
        piece[1],
        before,
        totals,
        raw.positions,
        raw.textures,
        raw.normals,
        raw.face_start[1:],
        raw.corners,
        raw.events,
        room[0],
        room[1],
        room[2],
        row,
    )
    if error != scan.FINE:
        raise file.error(
            f"line {count_text(line_number(raw.data, place))}: "
            + _MESSAGES[error].format(token=token_at(raw.data, place)[:40]),
            "The file is damaged or cut off; export it again.",
            face=int(face) if error in (scan.BAD_CORNER, scan.ZERO_INDEX, scan.BAD_RANGE) else None,
        )
    for values, rows, n in zip((raw.positions, raw.textures, raw.normals), room, long, strict=True):
        refine(raw.data, rows[:n], values)


def _event_count(counts: NDArray[np.int64]) -> int:
    return int(counts[[scan.OBJECT, scan.GROUP, scan.MATERIAL, scan.SMOOTHING]].sum())


def _pieces(data: NDArray[np.uint8]) -> list[tuple[int, int]]:
    """Cut the bytes into runs of whole lines."""
    cuts = [0]
    while cuts[-1] < len(data):
        target = min(cuts[-1] + _PIECE, len(data))
        end = scan.skip_line(data, target, len(data)) + 1 if target < len(data) else target
        cuts.append(min(end, len(data)))
    return list(itertools.pairwise(cuts))


def _check_counts(file: FileBytes, total: NDArray[np.int64]) -> None:
    if total[scan.VERTEX] == 0:
        raise file.error(
            "this does not read as an OBJ file: it has no vertex (“v”) lines.",
            "Export the mesh again.",
        )
    if total[scan.FACE] == 0:
        raise file.error(
            "this file holds no faces, only points.", "Export the mesh with its faces."
        )
    if max(total[scan.CORNERS], total[scan.VERTEX]) > MOST_ITEMS:
        raise file.error("this file holds more than 2,147,483,647 face corners.", "Split it.")


def _take(rows: NDArray[np.floating[Any]], index: Ints) -> Floats | None:
    if not len(rows) or index.max(initial=-1) < 0:
        return None
    out: Floats = np.where((index >= 0)[:, None], rows[index], np.nan)
    return out


def _unit(normals: Floats | None) -> Floats | None:
    return None if normals is None else unit_or_nan(normals)


def _states(
    file: FileBytes, raw: _Raw
) -> tuple[Ints, tuple[str, ...], Ints | None, tuple[str, ...], Ints | None]:
    """Turn the o, g, usemtl and s lines into one number per face."""
    faces = int(raw.counts[scan.FACE])
    current: dict[int, str] = {}
    names: dict[str, int] = {}
    materials: dict[str, int] = {}
    part_runs, material_runs, smoothing_runs = [(0, file.stem)], [(0, -1)], [(0, 0)]
    for kind, place, face in raw.events.tolist():
        text = _rest_of_line(raw.data, place)
        if kind in (scan.OBJECT, scan.GROUP):
            current[kind] = text
            name = current.get(scan.OBJECT) or current.get(scan.GROUP) or file.stem
            part_runs.append((face, name))
        elif kind == scan.MATERIAL:
            material_runs.append((face, materials.setdefault(text, len(materials))))
        else:
            smoothing_runs.append((face, _smoothing_number(file, text, face)))
    part_runs = _last_of_each(part_runs, faces)
    part_ids = [(face, names.setdefault(name, len(names))) for face, name in part_runs]
    return (
        _spread(part_ids, faces),
        tuple(names),
        _spread(_last_of_each(material_runs, faces), faces) if materials else None,
        tuple(materials),
        _spread(_last_of_each(smoothing_runs, faces), faces) if len(smoothing_runs) > 1 else None,
    )


def _rest_of_line(data: NDArray[np.uint8], place: int) -> str:
    end = scan.skip_line(data, place, len(data))
    return decode_name(data[place : min(end, place + 4096)].tobytes())


def _smoothing_number(file: FileBytes, text: str, face: int) -> int:
    if text.lower() in ("off", "null", ""):
        return 0
    try:
        number = int(text.split()[0])
    except ValueError:
        number = 1 if text.lower() == "on" else -1
    if not 0 <= number <= MOST_ITEMS:
        raise InputError(
            f"“s {text[:40]}” is not a smoothing group.",
            file=file.path,
            face=face,
            cure="Export it again without smoothing groups.",
        )
    return number


def _last_of_each(runs: list[tuple[int, _State]], faces: int) -> list[tuple[int, _State]]:
    """Keep the last state set before each face; drop states that no face follows."""
    following = [*(face for face, _ in runs[1:]), faces]
    return [run for run, after in zip(runs, following, strict=True) if run[0] < after]


def _spread(runs: list[tuple[int, int]], faces: int) -> Ints:
    starts = np.array([r[0] for r in runs] + [faces], dtype=np.int64)
    values = np.array([r[1] for r in runs], dtype=np.int32)
    return np.repeat(values, np.diff(starts))


def _notices(file: FileBytes, raw: _Raw) -> tuple[Notice, ...]:
    sizes = np.diff(raw.face_start)
    thin = int((sizes < 3).sum())
    if not thin:
        return ()
    return (
        Notice(
            "faces-without-three-corners",
            f"{file.name}: {count_text(thin)} faces have fewer than three corners; rays cannot "
            "hit them.",
            "Delete them.",
            thin,
        ),
    )
