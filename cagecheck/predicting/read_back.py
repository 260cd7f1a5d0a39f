"""What result folders hold, read back: documents and arrays."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.files import read_plain
from cagecheck.formats import stored
from cagecheck.formats.file_bytes import load_bytes
from cagecheck.formats.ply_header import read_header
from cagecheck.formats.stored import Field


def read_arrays(
    path: Path, fields: Mapping[str, Field], lengths: dict[str, int]
) -> dict[str, NDArray[Any]]:
    """Return arrays of an NPZ file, see `cagecheck.formats.stored.read_arrays`.

    Raises
    ------
    InputError
        The file is damaged, or lacks one of them.
    """
    try:
        return stored.read_arrays(path, fields, lengths)
    except (OSError, ValueError) as error:
        raise InputError(
            f"this file is damaged or of another run ({error}).",
            file=str(path),
            cure="Predict again with `force`.",
        ) from None


def check_ranges(
    folder: Path,
    arrays: Mapping[str, NDArray[Any]],
    fields: Mapping[str, Field],
    lengths: Mapping[str, int],
) -> None:
    """Refuse numbers of things that lead beyond their lists, once all are read.

    Raises
    ------
    InputError
        There are some.
    """
    try:
        stored.check_ranges(arrays, fields, lengths)
    except ValueError as error:
        raise InputError(
            f"the files of this folder are damaged or not from one run ({error}).",
            file=str(folder),
            cure="Make it again with `force`.",
        ) from None


def read_json(path: Path) -> dict[str, Any]:
    """Return the JSON object of a file.

    Raises
    ------
    InputError
        It is not one, or cannot be read.
    """
    try:
        document = stored.parse_json(read_plain(path))
    except (OSError, ValueError):
        document = None
    if not isinstance(document, dict):
        raise InputError("this is not a document that cagecheck wrote.", file=str(path))
    return document


def read_heat(path: Path) -> tuple[NDArray[Any], NDArray[np.int32]]:
    """Return a heat map: (K,) vertices with their properties by name, and (M, 3) triangles.

    Raises
    ------
    InputError
        It is not a heat map that cagecheck wrote, or is damaged.
    """
    file = load_bytes(path)
    header = read_header(file)
    damaged = file.error("this is not a heat map that cagecheck wrote, or it is damaged.")
    if header.order != "<" or [e.name for e in header.elements] != ["vertex", "face"]:
        raise damaged
    vertex, face = header.elements
    row = np.dtype([(p.name, "<" + p.code) for p in vertex.properties])
    corner = np.dtype([("n", "u1"), ("v", "<i4", 3)])
    body = header.body + vertex.count * row.itemsize
    if len(file.data) != body + face.count * corner.itemsize or row.names is None:
        raise damaged
    rows = file.data[header.body : body].view(row)
    triangles = np.ascontiguousarray(file.data[body:].view(corner)["v"])
    if not set("xyz") <= set(row.names) or not all(np.isfinite(rows[k]).all() for k in "xyz"):
        raise damaged
    if len(triangles) and not 0 <= triangles.min() <= triangles.max() < len(rows):
        raise damaged
    return rows, triangles
