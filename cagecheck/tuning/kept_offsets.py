"""The file of offsets that an artist keeps while the rest is solved around them.

CSV with a header: ``vertex`` (counted from 0, in the file's order) and ``offset_out`` (or
``offset``). A line with an offset sets the vertex to it; a line without one locks the vertex at
the offset that the given cage has there. Vertices not listed are free.
"""

from __future__ import annotations

import os

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError
from cagecheck.files import read_plain
from cagecheck.formats.stored import parse_rows
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage, Directions
from cagecheck.tuning.start import start_of
from cagecheck.words.numbers import as_given, count_text
from cagecheck.words.sentences import names_words

OFFSET_COLUMNS = ("offset_out", "offset")


def read_keep(path: str | os.PathLike[str], vertex_count: int, current: Floats | None) -> Floats:
    """Read kept offsets.

    Parameters
    ----------
    path : str | os.PathLike[str]
        The file.
    vertex_count : int
        How many vertices the low poly has, V.
    current : (V,) float64 or None
        The offsets that locked vertices have now.

    Returns
    -------
    (V,) float64
        World units, NaN where a vertex is free.

    Raises
    ------
    InputError
        The file does not read, names a vertex that does not exist, holds a negative offset, or
        locks a vertex that has no current offset.
    """
    values = np.full(vertex_count, np.nan)
    for number, vertex, offset in _rows(path):
        where = f"line {number}"
        if not 0 <= vertex < vertex_count:
            raise InputError(
                f"{where} names vertex {count_text(vertex)}, but the low poly has "
                f"{count_text(vertex_count)}.",
                file=str(path),
                cure="Vertices count from 0, in the low-poly file's own order.",
            )
        if offset is None:
            if current is None or not np.isfinite(current[vertex]):
                raise InputError(
                    f"{where} locks vertex {count_text(vertex)}, but no cage is given to lock it "
                    "at.",
                    file=str(path),
                    cure="Write the offset beside it, or pass `offset`, `push` or `cage`.",
                )
            offset = float(current[vertex])
        if not (np.isfinite(offset) and offset >= 0):
            raise InputError(
                f"{where}: an offset to keep must be zero or more, not {as_given(offset)}.",
                file=str(path),
            )
        values[vertex] = offset
    return values


def kept_offsets(
    wanted: list[str], low: LowPoly, cage: Cage | None, directions: Directions = "averaged"
) -> Floats:
    """Return the offsets that are kept: of parts, of materials, and of files.

    Parameters
    ----------
    wanted : list[str]
        ``part:NAME``, ``material:NAME``, or a file, see `read_keep`.
    low : LowPoly
        The low poly.
    cage : Cage | None
        Where they are kept, unless a file says so.
    directions : Directions, optional
        See `cage_from_offset`.

    Returns
    -------
    (V,) float64
        World units, NaN where a vertex is free.

    Raises
    ------
    InputError
        A name that the low poly does not have, no cage to keep it at, or see `read_keep`.
    """
    out = np.full(low.mesh.vertex_count, np.nan)
    current = None
    if cage is not None:
        current = start_of(low, cage, directions).offsets[low.position_id]
    for text in wanted:
        kind, _, name = text.partition(":")
        if kind not in ("part", "material"):
            read = read_keep(text, low.mesh.vertex_count, current)
            out = np.where(np.isfinite(read), read, out)
            continue
        if current is None:
            raise InputError(
                f"`keep` {text} has no cage to keep it at.",
                cure="Pass the cage as `cage`, `push` or `offset`.",
            )
        mine = low.triangles[_triangles_of(kind, name, low)].ravel()
        out[mine] = current[mine]
    return out


def _triangles_of(kind: str, name: str, low: LowPoly) -> NDArray[np.bool_]:
    """Return (T,) bool: the triangles of a part or of a material."""
    if kind == "part":
        names, number = tuple(low.part_names), low.triangle_part
    else:
        material = low.mesh.face_material
        names = tuple(low.mesh.material_names)
        number = np.full(len(low.triangles), -1) if material is None else material[low.cut.face]
    if name not in names:
        has = f"It has {names_words(names)}." if names else f"It has no {kind}s."
        raise InputError(f"the low poly has no {kind} named {name!r}.", cure=has)
    return np.asarray(number == names.index(name))


def _rows(path: str | os.PathLike[str]) -> list[tuple[int, int, float | None]]:
    """Return (line number, vertex, offset or None) of every line."""
    try:
        lines = [
            [cell.strip() for cell in row]
            for row in parse_rows(read_plain(path).decode("utf-8-sig"))
        ]
    except FileNotFoundError:
        raise InputError(
            "there is no such file.", file=str(path), cure="Check the name after `keep`."
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError("this cannot be read as text.", file=str(path)) from error
    except ValueError as error:
        raise InputError(f"this is no table ({error}).", file=str(path)) from error
    header = lines[0] if lines else []
    column = next((header.index(n) for n in OFFSET_COLUMNS if n in header), None)
    if "vertex" not in header or column is None:
        raise InputError(
            "the first line must name the columns vertex and offset_out.", file=str(path)
        )
    at = header.index("vertex")
    out: list[tuple[int, int, float | None]] = []
    for number, row in enumerate(lines[1:], start=2):
        if not any(row):
            continue
        try:
            offset = float(row[column]) if len(row) > column and row[column] else None
            out.append((number, int(row[at]), offset))
        except (ValueError, IndexError) as error:
            raise InputError(f"line {number} does not hold numbers.", file=str(path)) from error
    return out
