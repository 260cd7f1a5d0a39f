"""What result folders hold, read back: documents and arrays."""

from __future__ import annotations

import json
import zipfile
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.formats.file_bytes import load_bytes
from cagecheck.formats.ply_header import read_header

# What NumPy and the unpacking raise at files that are cut off or changed.
_DAMAGE = (
    OSError, ValueError, EOFError, KeyError, RuntimeError, zipfile.BadZipFile, zlib.error,
)  # fmt: skip


def read_arrays(path: Path, names: Iterable[str] | None = None) -> dict[str, NDArray[Any]]:
    """Return the arrays of an NPZ file by name, on request only some of them.

    Raises
    ------
    InputError
        The file is damaged or lacks one.
    """
    try:
        with np.load(path, allow_pickle=False) as stored:
            return {name: stored[name] for name in (stored.files if names is None else names)}
    except _DAMAGE:
        raise InputError(
            "this file is damaged.", file=str(path), cure="Run cagecheck predict again."
        ) from None


def read_json(path: Path) -> dict[str, Any]:
    """Return the JSON object of a file.

    Raises
    ------
    InputError
        It is not one, or cannot be read.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
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
    if len(triangles) and not 0 <= triangles.min() <= triangles.max() < len(rows):
        raise damaged
    return rows, triangles
