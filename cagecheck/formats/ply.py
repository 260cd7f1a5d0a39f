"""PLY files, text and binary of either byte order: one part, named after the file.

Corner UVs come from the vertices (``u v``, ``s t``, ``texture_u texture_v`` …) or from the faces'
own list (``texcoord``, two numbers a corner); normals from ``nx ny nz``. Names of properties are
common practice, except x, y, z and vertex_indices (Turk 1994).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.errors import Notice
from cagecheck.formats.checks import MOST_ITEMS, check_indices, check_positions, unit_or_nan
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.ply_body import Lists, Rows, walk
from cagecheck.formats.ply_header import Element, Header, read_header
from cagecheck.meshes.mesh import Mesh, Surface, SurfaceNormals
from cagecheck.meshes.surface_normals import unit_rows
from cagecheck.meshes.triangulate_large import cut_polygons
from cagecheck.progress import Progress, silent
from cagecheck.words.numbers import count_text

AXES = ("x", "y", "z")
NORMAL = ("nx", "ny", "nz")
UV_PAIRS = (
    ("u", "v"),
    ("s", "t"),
    ("texture_u", "texture_v"),
    ("texture_s", "texture_t"),
    ("texcoord_u", "texcoord_v"),
    ("u1", "v1"),
)
CORNER_LISTS = ("vertex_indices", "vertex_index")
FACE_UV = "texcoord"


def read_ply_mesh(file: FileBytes, *, progress: Progress = silent) -> Mesh:
    """Read a PLY file faithfully. Raises `InputError`."""
    header = read_header(file)
    vertex, _ = _elements(file, header)
    uv_names = next((p for p in UV_PAIRS if vertex.index(*p[:1]) is not None
                     and vertex.index(p[1]) is not None), None)  # fmt: skip
    has_normals = _has_normals(vertex)
    wanted = {
        "vertex": {*AXES, *(NORMAL if has_normals else ()), *(uv_names or ())},
        "face": {*CORNER_LISTS, FACE_UV},
    }
    rows = {r.element.name: r for r in walk(file, header, wanted)}
    positions = _columns(rows["vertex"], AXES)
    sizes, corner_vertex = _corners(file, rows["face"], len(positions))
    start = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    uv = None
    notices: tuple[Notice, ...] = ()
    if FACE_UV in rows["face"].lists:
        uv, notices = _face_uv(file, rows["face"].lists[FACE_UV], sizes)
    if uv is None and uv_names:
        uv = _columns(rows["vertex"], uv_names)[corner_vertex]
    normal = unit_or_nan(_columns(rows["vertex"], NORMAL)) if has_normals else None
    return Mesh(
        positions=positions,
        face_start=start,
        corner_vertex=corner_vertex,
        face_part=np.zeros(len(sizes), np.int32),
        part_names=(file.stem,),
        corner_uv=uv,
        corner_normal=None if normal is None else normal[corner_vertex],
        source=file.source("ply", header),
        notices=notices,
    )


def read_ply_surface(
    file: FileBytes, *, normals: bool = True, progress: Progress = silent
) -> Surface:
    """Read the triangles of a PLY file. Raises `InputError`."""
    header = read_header(file)
    vertex, _ = _elements(file, header)
    own = NORMAL if normals and _has_normals(vertex) else ()
    wanted = {"vertex": {*AXES, *own}, "face": set(CORNER_LISTS)}
    rows = {r.element.name: r for r in walk(file, header, wanted, exact=False)}
    positions = _positions(file, rows["vertex"])
    check_positions(file, positions)
    sizes, corner_vertex = _corners(file, rows["face"], len(positions))
    if (sizes == 3).all():
        triangles = corner_vertex.reshape(-1, 3)
    else:
        start = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
        triangles, _ = cut_polygons(positions, start, corner_vertex)
    return Surface(
        positions,
        triangles,
        np.zeros(len(triangles), np.int32),
        (file.stem,),
        file.source("ply"),
        normals=SurfaceNormals(unit_rows(_single(rows["vertex"], NORMAL))) if own else None,
    )


def _has_normals(vertex: Element) -> bool:
    found = [vertex.index(name) for name in NORMAL]
    return all(k is not None and not vertex.properties[k].count_code for k in found)


def _elements(file: FileBytes, header: Header) -> tuple[Element, Element]:
    """Return the vertex and face elements, checked for what a mesh needs."""
    named = {e.name: e for e in header.elements}
    cure = "Export the mesh again as PLY with polygons."
    if len(named) < len(header.elements):
        raise file.error("two elements of its header have the same name.", cure)
    vertex, face = named.get("vertex"), named.get("face")
    if vertex is None or vertex.count == 0:
        raise file.error("this file holds no vertices.", cure)
    places = [vertex.index(axis) for axis in AXES]
    if any(k is None or vertex.properties[k].count_code for k in places):
        raise file.error("its vertices lack x, y or z.", cure)
    if any(p.count_code for p in vertex.properties if p.name in {n for u in UV_PAIRS for n in u}):
        raise file.error("its vertices have lists where one number is due.", cure)
    if "tristrips" in named and (face is None or face.count == 0):
        raise file.error("its faces are triangle strips, which cagecheck does not read.", cure)
    if face is None or face.count == 0:
        raise file.error("this file holds no faces, only points.", cure)
    k = face.index(*CORNER_LISTS)
    prop = None if k is None else face.properties[k]
    if prop is None or not prop.count_code or prop.code[0] == "f":
        raise file.error("its faces have no list of vertices.", cure)
    if max(vertex.count, face.count) > MOST_ITEMS:
        raise file.error(
            f"its header promises {count_text(max(vertex.count, face.count))} rows, more than the "
            "file can hold.",
            "It is damaged; export it again.",
        )
    return vertex, face


def _columns(rows: Rows, names: tuple[str, ...]) -> Floats:
    out = np.empty((rows.element.count, len(names)))
    for k, name in enumerate(names):
        out[:, k] = rows.scalars[name]
    return out


def _positions(file: FileBytes, rows: Rows) -> NDArray[np.floating[Any]]:
    """Return (V, 3) positions, float32 where the file has no more."""
    columns = [rows.scalars[axis] for axis in AXES]
    codes = [rows.element.properties[rows.element.index(axis) or 0].code for axis in AXES]
    single = all(code in ("f4", "i1", "u1", "i2", "u2") for code in codes)
    if single:
        return _single(rows, AXES)
    out = np.empty((rows.element.count, 3))
    for k, column in enumerate(columns):
        out[:, k] = column
    return out


def _single(rows: Rows, names: tuple[str, str, str]) -> NDArray[np.float32]:
    """Return (n, 3) float32 columns."""
    out = np.empty((rows.element.count, 3), np.float32)
    with np.errstate(over="ignore"):
        for k, name in enumerate(names):
            out[:, k] = rows.scalars[name]
    return out


def _corners(
    file: FileBytes, rows: Rows, vertices: int
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Return (F,) corner counts and (C,) int32 vertex indices, all in range."""
    lists = next(rows.lists[name] for name in CORNER_LISTS if name in rows.lists)
    if len(lists.values) > MOST_ITEMS:
        raise file.error("this file holds more than 2,147,483,647 face corners.", "Split it.")
    # One strided pass out of the file's rows; the checks then run over packed numbers.
    values = np.ascontiguousarray(lists.values)
    check_indices(file, values, vertices, lists.sizes if isinstance(lists.sizes, int) else 0)
    sizes = lists.row_sizes
    if sizes is None:
        sizes = np.full(rows.element.count, lists.sizes, np.int64)
    if values.dtype.kind == "u" and values.dtype == np.dtype("=u4"):
        return sizes, values.view(np.int32)
    return sizes, values.astype(np.int32, copy=False)


def _face_uv(
    file: FileBytes, lists: Lists, sizes: NDArray[np.int64]
) -> tuple[Floats | None, tuple[Notice, ...]]:
    """Return the faces' own UVs where every face gives two numbers a corner, NaN where none."""
    given = lists.row_sizes
    if given is None:
        given = np.full(len(sizes), lists.sizes, np.int64)
    full = given == 2 * sizes
    if not (full | (given == 0)).all():
        wrong = int((~(full | (given == 0))).sum())
        notice = Notice(
            "face-uvs-ignored",
            f"{file.name}: {count_text(wrong)} faces do not give two UV numbers a corner; the "
            "faces' own UVs are left out.",
            "Export the UVs again.",
            wrong,
        )
        return None, (notice,)
    if not full.any():
        return None, ()
    out = np.full((int(sizes.sum()), 2), np.nan)
    out[np.repeat(full, sizes)] = np.asarray(lists.values, np.float64).reshape(-1, 2)
    return out, ()
