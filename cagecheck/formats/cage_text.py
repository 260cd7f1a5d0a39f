"""OBJ, PLY and STL files with only their positions changed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.formats import obj_scan
from cagecheck.formats.encode_stl import facet_normals
from cagecheck.formats.encode_text import number_text
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.ply import AXES
from cagecheck.formats.ply_body import row_type, text_places, walk
from cagecheck.formats.ply_header import Element, read_header
from cagecheck.formats.replace_spans import replace_spans
from cagecheck.formats.stl import FACET, HEADER_BYTES, is_binary, text_spans
from cagecheck.meshes.mesh import Mesh


class CannotKeepError(Exception):
    """The source file's form cannot hold the cage; says why."""


def rewrite_obj(
    file: FileBytes, mesh: Mesh, cage: Floats, moved: NDArray[np.bool_]
) -> Iterator[bytes]:
    """Return the OBJ file with the coordinates of moved vertices replaced."""
    data = file.data.copy()
    data[:3] = np.where(data[:3].tobytes() == b"\xef\xbb\xbf", 32, data[:3])
    obj_scan.join_continued(data)
    spans = obj_scan.vertex_spans(data, mesh.vertex_count)
    rows = np.flatnonzero(moved)
    values = cage[rows].tolist()
    texts = [" ".join(number_text(x) for x in row) for row in values]
    return replace_spans(file.data, spans[rows], texts)


def rewrite_ply(file: FileBytes, mesh: Mesh, cage: Floats, moved: NDArray[np.bool_]) -> Any:
    """Return the PLY file with the coordinates of moved vertices replaced."""
    header = read_header(file)
    vertex = next(e for e in header.elements if e.name == "vertex")
    columns = [vertex.index(axis) or 0 for axis in AXES]
    if any(vertex.properties[k].code[0] != "f" for k in columns):
        raise CannotKeepError("its coordinates are whole numbers")
    if vertex.has_lists and header.order != "text":
        raise CannotKeepError("its vertices carry lists")
    begin = next(r.begin for r in walk(file, header, {}) if r.element.name == "vertex")
    if header.order == "text":
        return _rewrite_ply_text(file, vertex, begin, columns, cage, moved)
    data = file.data.copy()
    table = np.frombuffer(data, row_type(vertex, header.order), vertex.count, begin)
    for axis, k in enumerate(columns):
        column = table[f"p{k}"]
        column[moved] = cage[moved, axis]
    return [data]


def _rewrite_ply_text(
    file: FileBytes,
    vertex: Element,
    begin: int,
    columns: list[int],
    cage: Floats,
    moved: NDArray[np.bool_],
) -> Iterator[bytes]:
    places = text_places(file, vertex, begin)
    rows = np.flatnonzero(moved)
    spans: list[NDArray[np.int64]] = []
    texts: list[str] = []
    for axis, k in enumerate(columns):
        spans.append(places[k][rows])
        texts.extend(number_text(x) for x in cage[rows, axis].tolist())
    return replace_spans(file.data, np.concatenate(spans), texts)


def rewrite_stl(file: FileBytes, mesh: Mesh, cage: Floats, moved: NDArray[np.bool_]) -> Any:
    """Return the STL file with the corners of moved vertices and their facets' normals replaced."""
    corners = cage[mesh.corner_vertex].reshape(-1, 3, 3)
    touched = moved[mesh.corner_vertex].reshape(-1, 3)
    normals = facet_normals(corners)
    rows = np.flatnonzero(touched.any(axis=1))
    if is_binary(file):
        data = file.data.copy()
        facets = np.frombuffer(data, FACET, len(corners), HEADER_BYTES)
        facets["corners"][touched] = corners[touched]
        facets["normal"][rows] = normals[rows]
        return [data]
    corner_spans, normal_spans = text_spans(file, len(corners))
    flat = np.flatnonzero(touched.ravel())
    values = corners.reshape(-1, 3)[flat].tolist()
    texts = [" ".join(number_text(x) for x in row) for row in values]
    has_normal = rows[normal_spans[rows, 1] > 0]
    texts += [" ".join(f"{x:.9g}" for x in row) for row in normals[has_normal].tolist()]
    spans = np.concatenate([corner_spans[flat], normal_spans[has_normal]])
    return replace_spans(file.data, spans, texts)
