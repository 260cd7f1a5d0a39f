"""The one door for files that cagecheck wrote and reads again: JSON, CSV and NPZ.

They may have been damaged, edited or made up since. What comes through here has the form that was
asked for; everything else is a `ValueError` with a reason in words, never anything else.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from cagecheck.files import open_plain
from cagecheck.words.cells import original

# Whole numbers of more digits are none of ours: 128 bits (a seed) have 39.
MOST_DIGITS = 39
# Packed arrays grow this much at most (they are written unpacked; zeros pack best).
MOST_GROWTH = 1000
SMALL_ENOUGH = 64 << 20


def parse_json(text: str | bytes) -> Any:
    """Return the values of a JSON text, all numbers finite. Raises `ValueError`."""
    try:
        return json.loads(
            text, parse_constant=_no_constant, parse_float=parse_number, parse_int=_whole
        )
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def parse_rows(text: str, delimiter: str = ",") -> list[list[str]]:
    """Return the cells of a CSV text, line by line. Raises `ValueError`."""
    try:
        lines = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        return [[original(cell) for cell in line] for line in lines]
    except csv.Error as error:
        raise ValueError(str(error)) from error


def parse_number(text: str) -> float:
    """Return a finite number. Raises `ValueError`."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{shortened(text)} is not a finite number")
    return value


def number_list(values: Any) -> NDArray[np.float64]:
    """Return the numbers of a JSON list. Raises `ValueError`."""
    if not isinstance(values, list) or not all(
        isinstance(value, int | float) and not isinstance(value, bool) for value in values
    ):
        raise ValueError("it is not a list of numbers")
    return np.array(values, np.float64)


def shortened(text: object, most: int = 40) -> str:
    """Return a text that may be of any length, short enough for a sentence."""
    said = str(text)
    return said if len(said) <= most else said[:most] + "…"


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is no number")


def _whole(text: str) -> int:
    if len(text.lstrip("-")) > MOST_DIGITS:
        raise ValueError(f"{shortened(text)} has too many digits")
    return int(text)


@dataclass(frozen=True)
class Field:
    """What an array of an NPZ file must be.

    `dtype` : what it is turned into; whole numbers, numbers and yes/no are never taken for each
    other. `shape` : lengths, or names of lengths (``"N"``, ``"N+1"``) that are the same wherever
    they stand. `is_finite` : it may hold neither NaN nor infinity. `within` : for whole numbers,
    the least value and the length that they stay below.
    """

    dtype: str
    shape: tuple[int | str, ...]
    is_finite: bool = False
    within: tuple[int, str] | None = None


def read_arrays(
    path: str | os.PathLike[str], fields: Mapping[str, Field], lengths: dict[str, int]
) -> dict[str, NDArray[Any]]:
    """Return the arrays `fields` of an NPZ file; what else it holds is left out.

    `lengths` has the lengths that are known before; those found here are added. Raises
    `ValueError` where anything does not fit, `OSError` where the file cannot be read.
    """
    with open_plain(path) as stream:
        held = unpacked(stream, list(fields))
    return fitted(held, fields, lengths)


def fitted(
    held: Mapping[str, NDArray[Any]], fields: Mapping[str, Field], lengths: dict[str, int]
) -> dict[str, NDArray[Any]]:
    """Return arrays as `fields` want them, see `read_arrays`. Raises `ValueError`."""
    return {name: _as_field(name, held[name], field, lengths) for name, field in fields.items()}


def check_ranges(
    arrays: Mapping[str, NDArray[Any]], fields: Mapping[str, Field], lengths: Mapping[str, int]
) -> None:
    """Raise `ValueError` where numbers of things lead beyond their lists, once all are known."""
    for name, field in fields.items():
        if field.within is None or not arrays[name].size:
            continue
        least, most = field.within
        if not least <= arrays[name].min() <= arrays[name].max() < length(most, lengths):
            raise ValueError(f"{name} holds numbers out of range")


def check_starts(name: str, first: NDArray[Any], count: int) -> None:
    """Raise `ValueError` where the starts of lists that lie one after another do not fit."""
    if not (first[0] == 0 and first[-1] == count and (first[1:] >= first[:-1]).all()):
        raise ValueError(f"{name} holds numbers out of range")


def unpacked(stream: Any, names: Sequence[str] | None = None) -> dict[str, NDArray[Any]]:
    """Return arrays of an open NPZ file by name (all without `names`). Raises `ValueError`."""
    try:
        size = stream.seek(0, os.SEEK_END)
        with zipfile.ZipFile(stream) as archive:
            held = {info.filename: info for info in archive.infolist()}
            wanted = [n[:-4] for n in held if n.endswith(".npy")] if names is None else names
            grown = sum(info.file_size for info in held.values())
            if grown > max(MOST_GROWTH * size, SMALL_ENOUGH):
                raise ValueError("it grows without end when it is unpacked")
            return {name: _one_array(archive, held, name) for name in wanted}
    except MemoryError:
        raise
    except (OSError, ValueError):
        raise
    except (
        zipfile.BadZipFile, zlib.error, EOFError, KeyError, NotImplementedError, RuntimeError,
        OverflowError, SyntaxError, TypeError, IndexError, AttributeError,
    ) as error:  # fmt: skip
        raise ValueError(f"it is damaged ({type(error).__name__})") from error


def _one_array(
    archive: zipfile.ZipFile, held: Mapping[str, zipfile.ZipInfo], name: str
) -> NDArray[Any]:
    info = held.get(name + ".npy")
    if info is None:
        raise ValueError(f"it lacks {name}")
    with archive.open(info) as stream:
        version = npy.read_magic(stream)
        read = npy.read_array_header_1_0 if version == (1, 0) else npy.read_array_header_2_0
        shape, is_fortran, dtype = read(stream)
        count = math.prod(shape)
        # Before anything of that size is made.
        if dtype.hasobject or count * dtype.itemsize != info.file_size - stream.tell():
            raise ValueError(f"{name} is not of the size that it says")
        held_bytes = bytearray(stream.read())  # so that the array may be written to
    data = np.frombuffer(held_bytes, dtype, count) if count else np.zeros(0, dtype)
    return data.reshape(shape, order="F" if is_fortran else "C")


def _as_field(name: str, data: NDArray[Any], field: Field, lengths: dict[str, int]) -> NDArray[Any]:
    wanted = np.dtype(field.dtype)
    families = {"i": "iu", "u": "iu", "f": "f", "b": "b"}
    if data.dtype.kind not in families[wanted.kind] or data.ndim != len(field.shape):
        raise ValueError(f"{name} is of another kind")
    for found, named in zip(data.shape, field.shape, strict=True):
        if isinstance(named, str) and _base(named)[0] not in lengths:
            if found < _base(named)[1]:
                raise ValueError(f"{name} is empty")
            lengths[_base(named)[0]] = found - _base(named)[1]
        if found != length(named, lengths):
            raise ValueError(f"{name} has another length than what it belongs to")
    if wanted.kind in "iu" and data.size:
        bounds = np.iinfo(wanted)
        if not bounds.min <= int(data.min()) <= int(data.max()) <= bounds.max:
            raise ValueError(f"{name} holds numbers out of range")
    if field.is_finite and not np.isfinite(data).all():
        raise ValueError(f"{name} holds values that are no numbers")
    with np.errstate(over="ignore", invalid="ignore"):
        return np.ascontiguousarray(data.astype(wanted, copy=False))


def length(named: int | str, lengths: Mapping[str, int]) -> int:
    """Return a length by name; ``"N+1"`` is one more than ``"N"``."""
    if isinstance(named, int):
        return named
    base, more = _base(named)
    return lengths[base] + more


def _base(named: str) -> tuple[str, int]:
    base, _, more = named.partition("+")
    return base, int(more or 0)
