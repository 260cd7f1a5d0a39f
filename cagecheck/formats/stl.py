"""STL files, text and binary: triangle soups whose equal corners are welded.

Text files have a part per ``solid``, binary files one part named after the file. STL stores no
UVs; its facet normals are only the triangles' own, so they are not read.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Ints
from cagecheck.formats.checks import MOST_ITEMS, check_positions
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.text_numbers import (
    BAD,
    decode_name,
    line_number,
    parse_number,
    skip_blanks,
    skip_line,
    skip_space,
    skip_token,
    token_at,
)
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.weld_points import weld_points
from cagecheck.progress import Progress, silent
from cagecheck.words.numbers import count_text

HEADER_BYTES = 84
FACET = np.dtype(
    [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
)  # 50 bytes, packed
_FACET_BITS = np.dtype([("normal", "<u4", 3), ("corners", "<u4", (3, 3)), ("attribute", "<u2")])
_CURE = "The file is damaged or cut off; export it again."


def is_binary(file: FileBytes) -> bool:
    """Tell binary from text: the size fits the count exactly, or it does not read as text."""
    data = file.data
    if len(data) >= HEADER_BYTES and len(data) == HEADER_BYTES + FACET.itemsize * _count(data):
        return True
    head = data[:2048].tobytes()
    # Some writers leave the solid's own lines out.
    return not (head.lstrip().lower().startswith((b"solid", b"facet")) and b"\x00" not in head)


def read_stl_mesh(file: FileBytes, *, progress: Progress = silent) -> Mesh:
    """Read an STL file, corners welded in order of first use. Raises `InputError`."""
    positions, triangles, part, names = _read(file)
    return Mesh(
        positions=positions.astype(np.float64),
        face_start=np.arange(0, 3 * len(triangles) + 1, 3, dtype=np.int64),
        corner_vertex=triangles.reshape(-1),
        face_part=part,
        part_names=names,
        source=file.source("stl"),
    )


def read_stl_surface(
    file: FileBytes, *, normals: bool = True, progress: Progress = silent
) -> Surface:
    """Read the triangles of an STL file. Raises `InputError`.

    The facet normals of STL are those of its triangles: there are none to keep.
    """
    positions, triangles, part, names = _read(file)
    return Surface(positions, triangles, part, names, file.source("stl"))


def _read(file: FileBytes) -> tuple[NDArray[np.float32], Ints, Ints, tuple[str, ...]]:
    corners, part, names = _binary(file) if is_binary(file) else _text(file)
    if len(corners) == 0:
        raise file.error("this file holds no triangles.", "Export the mesh again.")
    positions, triangles = weld_points(corners)
    check_positions(file, positions)
    return positions, triangles, part, names


def _count(data: NDArray[np.uint8]) -> int:
    return int(data[80:84].view("<u4")[0])


def _binary(file: FileBytes) -> tuple[NDArray[np.uint32], Ints, tuple[str, ...]]:
    """Return the (T, 3, 3) bits of the corners where they lie in the file, parts and names."""
    if len(file.data) < HEADER_BYTES:
        raise file.error("this does not read as an STL file.", _CURE)
    count = _count(file.data)
    there = (len(file.data) - HEADER_BYTES) // FACET.itemsize
    if count > there:
        raise file.error(
            f"its header promises {count_text(count)} triangles, but there is room for "
            f"{count_text(there)} only.",
            _CURE,
        )
    if 3 * count > MOST_ITEMS:
        raise file.error("this file holds more than 715,827,882 triangles.", "Split it.")
    facets = np.frombuffer(file.data, _FACET_BITS, count, HEADER_BYTES)
    return facets["corners"], np.zeros(count, np.int32), (file.stem,)


def _text(file: FileBytes) -> tuple[NDArray[np.uint32], Ints, tuple[str, ...]]:
    counts = _count_text(file.data)
    vertices, facets, solids = (int(n) for n in counts)
    if vertices != 3 * facets:
        raise file.error(
            f"its {count_text(facets)} facets have {count_text(vertices)} corners, not three each.",
            _CURE,
        )
    corners = np.empty((vertices, 3), np.float32)
    solid_at = np.empty((solids, 2), np.int64)
    part = np.zeros(facets, np.int32)
    error, place = _parse_text(file.data, corners, solid_at)
    if error:
        raise file.error(
            f"line {count_text(line_number(file.data, place))}: "
            f"“{token_at(file.data, place)[:40]}” is "
            "not a number.",
            _CURE,
        )
    names: dict[str, int] = {}
    ends = [*solid_at[1:, 1].tolist(), facets][:solids]  # there may be facets and no solid
    for (place, first), after in zip(solid_at.tolist(), ends, strict=True):
        if after > first:
            end = skip_line(file.data, place, len(file.data))
            text = decode_name(file.data[place : min(end, place + 4096)].tobytes()) or file.stem
            part[first:after] = names.setdefault(text, len(names))
    return corners.view(np.uint32).reshape(-1, 3, 3), part, tuple(names) or (file.stem,)


@njit(nogil=True, cache=True)
def _word(data: NDArray[np.uint8], i: int, stop: int) -> int:
    """Return 1 for ``vertex``, 2 for ``facet``, 3 for ``solid``, else 0, whatever the case."""
    size = stop - i
    if size == 6:
        word, kind = (118, 101, 114, 116, 101, 120), 1
        for k in range(6):
            if data[i + k] | 32 != word[k]:
                return 0
        return kind
    if size == 5:
        is_facet, is_solid = True, True
        facet, solid = (102, 97, 99, 101, 116), (115, 111, 108, 105, 100)
        for k in range(5):
            is_facet &= data[i + k] | 32 == facet[k]
            is_solid &= data[i + k] | 32 == solid[k]
        return 2 if is_facet else (3 if is_solid else 0)
    return 0


@njit(nogil=True, cache=True)
def _count_text(data: NDArray[np.uint8]) -> tuple[int, int, int]:
    end = len(data)
    vertices, facets, solids = 0, 0, 0
    i = 0
    while i < end:
        i = skip_space(data, i, end)
        stop = skip_token(data, i, end)
        kind = _word(data, i, stop)
        vertices += kind == 1
        facets += kind == 2
        solids += kind == 3
        i = skip_line(data, stop, end) + 1
    return vertices, facets, solids


@njit(nogil=True, cache=True)
def _parse_text(
    data: NDArray[np.uint8], corners: NDArray[np.float32], solid_at: NDArray[np.int64]
) -> tuple[int, int]:
    end = len(data)
    vertex, facet, solid = 0, 0, 0
    i = 0
    while i < end:
        i = skip_space(data, i, end)
        stop = skip_token(data, i, end)
        kind = _word(data, i, stop)
        i = stop
        if kind == 1:
            for k in range(3):
                i = skip_blanks(data, i, end)
                start = i
                value, i, status = parse_number(data, i, end)
                if status == BAD:
                    return 1, start
                corners[vertex, k] = value
            vertex += 1
        elif kind == 2:
            facet += 1
        elif kind == 3:
            solid_at[solid, 0] = stop
            solid_at[solid, 1] = facet
            solid += 1
        i = skip_line(data, i, end) + 1
    return 0, 0


def text_spans(file: FileBytes, facets: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where a text file's numbers stand: (3 facets, 2) of corners, (facets, 2) of normals.

    A facet without a normal has the span (0, 0).
    """
    corner_spans = np.zeros((3 * facets, 2), np.int64)
    normal_spans = np.zeros((facets, 2), np.int64)
    _find_spans(file.data, corner_spans, normal_spans)
    return corner_spans, normal_spans


@njit(nogil=True, cache=True)
def _find_spans(
    data: NDArray[np.uint8], corner_spans: NDArray[np.int64], normal_spans: NDArray[np.int64]
) -> None:
    end = len(data)
    vertex, facet = 0, 0
    i = 0
    while i < end:
        i = skip_space(data, i, end)
        stop = skip_token(data, i, end)
        kind = _word(data, i, stop)
        i = stop
        if kind == 2:
            i = skip_blanks(data, i, end)
            i = skip_token(data, i, end)  # the word "normal"
        if kind == 1 or kind == 2:
            i = skip_blanks(data, i, end)
            begin = i
            numbers = 0
            while numbers < 3 and i < end and data[i] > 32:
                numbers += 1
                i = skip_token(data, i, end)
                last = i
                i = skip_blanks(data, i, end)
            if kind == 1:
                corner_spans[vertex, 0] = begin
                corner_spans[vertex, 1] = last
                vertex += 1
            else:
                if numbers == 3:
                    normal_spans[facet, 0] = begin
                    normal_spans[facet, 1] = last
                facet += 1
        i = skip_line(data, i, end) + 1
