"""The push-distance file: one outward and one inward distance per low-poly vertex.

JSON (whole record, see `PushRecord`) or CSV (one row per vertex, header
``vertex,offset_out,offset_in,lower,upper,conflict``). Distances are in the units of the low-poly
file, vertices in its order.
"""

from __future__ import annotations

import io
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError
from cagecheck.files import read_plain
from cagecheck.formats.stored import number_list, parse_json, parse_number, parse_rows
from cagecheck.words.cells import Table
from cagecheck.words.numbers import count_text

PUSH_DOCUMENT = "cagecheck push distances"
PUSH_VERSION = 1
COLUMNS = ("vertex", "offset_out", "offset_in", "lower", "upper", "conflict")


@dataclass(frozen=True, eq=False)
class PushRecord:
    """Push distances of V vertices.

    Attributes
    ----------
    offset_out, offset_in : (V,) float64
        From the low poly to the cage and to the depth limit, world units.
    lower, upper : (V,) float64
        The tightest corridor of the samples around each vertex; NaN or infinity where nothing
        bounds it.
    conflict : (V,) bool
        No value would do.
    low, high : dict[str, Any] | None
        Path, format and SHA-256 of the source files, or None.
    """

    offset_out: Floats
    offset_in: Floats
    lower: Floats
    upper: Floats
    conflict: NDArray[np.bool_]
    low: dict[str, Any] | None = None
    high: dict[str, Any] | None = None

    def __repr__(self) -> str:
        return f"<PushRecord: {count_text(len(self.offset_out))} vertices>"


def read_push(path: str | os.PathLike[str]) -> tuple[Floats, str | None]:
    """Read push distances and the low poly that they are for.

    Reads the JSON and CSV forms, and plain text with one number per line.

    Parameters
    ----------
    path : str | os.PathLike[str]
        The file.

    Returns
    -------
    (V,) float64, str or None
        Outward distances in world units, and the SHA-256 of the low poly they were made for, where
        the file tells.

    Raises
    ------
    InputError
        The file is missing or holds no such list.
    """
    path = Path(path)
    try:
        text = read_plain(path).decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(
            "there is no such file.", file=str(path), cure="Check the name after `push`."
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError("this cannot be read as text.", file=str(path)) from error
    if path.suffix.lower() == ".json":
        return _from_json(text, path)
    return _from_table(text, path), None


def _from_json(text: str, path: Path) -> tuple[Floats, str | None]:
    try:
        document = parse_json(text)
        values = number_list(document["offset_out"])
    except (ValueError, TypeError, KeyError) as error:
        raise InputError(
            f"this is no push-distance file: it has no list “offset_out” ({error}).",
            file=str(path),
            cure="Use the push.json that `cagecheck tune` writes.",
        ) from error
    source = document.get("low")
    sha256 = source.get("sha256") if isinstance(source, dict) else None
    return _checked(values, path), sha256 if isinstance(sha256, str) else None


def _from_table(text: str, path: Path) -> Floats:
    try:
        rows = [row for row in parse_rows(text) if row]
        if not rows:
            raise InputError("this file is empty.", file=str(path))
        column = 0
        if "offset_out" in rows[0]:
            column = rows[0].index("offset_out")
            rows = rows[1:]
        values = np.array([parse_number(row[column]) for row in rows])
    except (ValueError, IndexError) as error:
        raise InputError(
            "this is no table of push distances.",
            file=str(path),
            cure="Give one number per line, or a CSV with a column “offset_out”.",
        ) from error
    return _checked(values, path)


def _checked(values: Floats, path: Path) -> Floats:
    if values.ndim != 1 or not np.isfinite(values).all():
        raise InputError("the push distances hold values that are not numbers.", file=str(path))
    return values


def push_json(record: PushRecord) -> str:
    """Return the JSON form (NaN and infinity become null)."""

    def numbers(values: Floats) -> list[float | None]:
        return [float(v) if np.isfinite(v) else None for v in values]

    document = {
        "document": PUSH_DOCUMENT,
        "version": PUSH_VERSION,
        "units": "units of the low-poly file",
        "low": record.low,
        "high": record.high,
        "vertex_count": len(record.offset_out),
        "offset_out": numbers(record.offset_out),
        "offset_in": numbers(record.offset_in),
        "lower": numbers(record.lower),
        "upper": numbers(record.upper),
        "conflict": [bool(c) for c in record.conflict],
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def push_csv(record: PushRecord) -> str:
    """Return the CSV form (empty cells where nothing bounds)."""
    out = io.StringIO()
    table = Table(out)
    table.row(COLUMNS)
    for v in range(len(record.offset_out)):
        bounds = [x if np.isfinite(x) else "" for x in (record.lower[v], record.upper[v])]
        table.row([v, record.offset_out[v], record.offset_in[v], *bounds, int(record.conflict[v])])
    return out.getvalue()
