"""The file of offsets that an artist keeps while the rest is solved around them.

CSV with a header: ``vertex`` (counted from 0, in the file's order) and ``offset_out`` (or
``offset``). A line with an offset sets the vertex to it; a line without one locks the vertex at
the offset that the given cage has there. Vertices not listed are free.
"""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError
from cagecheck.words.numbers import as_given, count_text

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
                    cure="Write the offset beside it, or pass `offset` or `push`.",
                )
            offset = float(current[vertex])
        if not (np.isfinite(offset) and offset >= 0):
            raise InputError(
                f"{where}: an offset to keep must be zero or more, not {as_given(offset)}.",
                file=str(path),
            )
        values[vertex] = offset
    return values


def _rows(path: str | os.PathLike[str]) -> list[tuple[int, int, float | None]]:
    """Return (line number, vertex, offset or None) of every line."""
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(
            "there is no such file.", file=str(path), cure="Check the name after `keep`."
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError("this cannot be read as text.", file=str(path)) from error
    lines = [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(text))]
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
