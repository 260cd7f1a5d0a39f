"""The data of a PLY file: tables where rows have a fixed layout, walks where they have not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.ply_header import Element, Header
from cagecheck.formats.text_numbers import (
    BAD,
    LONG,
    line_number,
    parse_integer,
    parse_number,
    refine,
    skip_space,
    skip_token,
    token_at,
)
from cagecheck.loops import njit
from cagecheck.words.numbers import count_text

FINE, CUT_OFF, BAD_COUNT, BAD_NUMBER = range(4)
_MOST_WHOLE = 2.0**53  # float64 counts exactly up to here


@dataclass(frozen=True, eq=False)
class Lists:
    """One list property: values (sum of sizes,) and sizes (n,) or one size for all."""

    values: NDArray[Any]
    sizes: NDArray[np.int64] | int

    @property
    def row_sizes(self) -> NDArray[np.int64] | None:
        """(n,) sizes, or None where one size serves all."""
        return None if isinstance(self.sizes, int) else self.sizes


@dataclass(frozen=True, eq=False)
class Rows:
    """The rows of one element, in file order.

    begin : byte where they begin. scalars : name to (n,) array. lists : name to `Lists`.
    """

    element: Element
    begin: int
    scalars: dict[str, NDArray[Any]]
    lists: dict[str, Lists]


def walk(
    file: FileBytes, header: Header, wanted: dict[str, set[str]], *, exact: bool = True
) -> Iterator[Rows]:
    """Yield the rows of every element in turn, with the properties in ``wanted[element]``.

    Binary tables are views into the file's bytes. With `exact`, long numbers in text are rounded
    exactly. Raises `InputError` where the file ends early or a value is not a number.
    """
    place = header.body
    text = header.order == "text"
    for element in header.elements:
        # +1: the last value of a text file needs no line end.
        if element.count * element.least_bytes(text) > len(file.data) - place + text:
            raise _cut_off(file, element)
        if not element.properties:
            continue
        names = wanted.get(element.name, set())
        if text:
            rows, place = _text_rows(file, element, place, names, exact)
        elif element.has_lists:
            rows, place = _list_rows(file, element, place, names, header.order)
        else:
            rows, place = _table(file, element, place, names, header.order)
        yield rows


def row_type(element: Element, order: str, sizes: dict[int, int] | None = None) -> np.dtype[Any]:
    """Return the packed NumPy type of one row; `sizes` gives the lengths of lists by property."""
    fields: list[Any] = []
    for k, prop in enumerate(element.properties):
        if prop.count_code:
            assert sizes is not None
            fields.append((f"n{k}", order + prop.count_code))
            fields.append((f"p{k}", order + prop.code, (sizes[k],)))
        else:
            fields.append((f"p{k}", order + prop.code))
    return np.dtype(fields)


def _cut_off(file: FileBytes, element: Element) -> Exception:
    return file.error(
        f"the file ends before its {count_text(element.count)} “{element.name}” rows do.",
        "It is cut off or damaged; export it again.",
    )


def _table(
    file: FileBytes, element: Element, place: int, names: set[str], order: str
) -> tuple[Rows, int]:
    dtype = row_type(element, order)
    rows = np.frombuffer(file.data, dtype, element.count, place)
    scalars = {p.name: rows[f"p{k}"] for k, p in enumerate(element.properties) if p.name in names}
    return Rows(element, place, scalars, {}), place + element.count * dtype.itemsize


def _list_rows(
    file: FileBytes, element: Element, place: int, names: set[str], order: str
) -> tuple[Rows, int]:
    same = _same_sizes(file, element, place, order)
    if same is not None:
        dtype = row_type(element, order, same)
        table = np.frombuffer(file.data, dtype, element.count, place)
        scalars, lists = {}, {}
        for k, prop in enumerate(element.properties):
            if prop.name in names and prop.count_code:
                lists[prop.name] = Lists(table[f"p{k}"].reshape(-1), same[k])
            elif prop.name in names:
                scalars[prop.name] = table[f"p{k}"]
        return Rows(element, place, scalars, lists), place + table.nbytes
    return _walk_binary(file, element, place, names, order)


def _same_sizes(file: FileBytes, element: Element, place: int, order: str) -> dict[int, int] | None:
    """Return the list lengths when every row has those of the first one, else None."""
    if element.count == 0:
        return None
    sizes: dict[int, int] = {}
    at = place
    for k, prop in enumerate(element.properties):
        if prop.count_code:
            code = np.dtype(order + prop.count_code)
            if at + code.itemsize > len(file.data):
                return None
            size = int(np.frombuffer(file.data, code, 1, at)[0])
            if size < 0:
                return None
            sizes[k] = size
            at += code.itemsize + size * prop.size
        else:
            at += prop.size
    dtype_size = at - place
    if dtype_size * element.count > len(file.data) - place:
        return None
    table = np.frombuffer(file.data, row_type(element, order, sizes), element.count, place)
    return sizes if all((table[f"n{k}"] == n).all() for k, n in sizes.items()) else None


def _walk_binary(
    file: FileBytes, element: Element, place: int, names: set[str], order: str
) -> tuple[Rows, int]:
    layout = np.array(
        [
            (
                np.dtype(p.count_code).itemsize if p.count_code else 0,
                int(p.count_code is not None and p.count_code[0] == "i"),
                p.size,
            )
            for p in element.properties
        ],
        dtype=np.int64,
    )
    at = np.empty((len(layout), element.count), np.int64)
    sizes = np.empty((len(layout), element.count), np.int64)
    end, error, row = _find_values(file.data, place, layout, order == ">", at, sizes)
    if error == CUT_OFF:
        raise _cut_off(file, element)
    if error == BAD_COUNT:
        raise file.error(
            f"row {row} of “{element.name}” (counting from 0) has a negative count.",
            "It is damaged; export it again.",
        )
    scalars: dict[str, NDArray[Any]] = {}
    lists: dict[str, Lists] = {}
    for k, prop in enumerate(element.properties):
        if prop.name not in names:
            continue
        packed = np.empty(int(sizes[k].sum()) * prop.size, np.uint8)
        _gather(file.data, at[k], sizes[k] * prop.size, packed)
        values = packed.view(order + prop.code)
        if prop.count_code:
            lists[prop.name] = Lists(values, sizes[k])
        else:
            scalars[prop.name] = values
    return Rows(element, place, scalars, lists), end


@njit(nogil=True, cache=True)
def _find_values(
    data: NDArray[np.uint8],
    place: int,
    layout: NDArray[np.int64],
    big: bool,
    at: NDArray[np.int64],
    sizes: NDArray[np.int64],
) -> tuple[int, int, int]:
    """Find where each property's values begin and how many there are, row by row."""
    end = len(data)
    for row in range(at.shape[1]):
        for k in range(len(layout)):
            width = layout[k, 0]
            size = np.int64(1)
            if width:
                if place + width > end:
                    return place, CUT_OFF, row
                size = np.int64(0)
                for b in range(width):
                    byte = data[place + b] if big else data[place + width - 1 - b]
                    size = size * 256 + np.int64(byte)
                if layout[k, 1] and size >= 1 << (8 * width - 1):
                    return place, BAD_COUNT, row
                place += width
            at[k, row] = place
            sizes[k, row] = size
            if size * layout[k, 2] > end - place:
                return place, CUT_OFF, row
            place += size * layout[k, 2]
    return place, FINE, 0


@njit(nogil=True, cache=True)
def _gather(
    data: NDArray[np.uint8],
    at: NDArray[np.int64],
    sizes: NDArray[np.int64],
    out: NDArray[np.uint8],
) -> None:
    k = 0
    for row in range(len(at)):
        for i in range(at[row], at[row] + sizes[row]):
            out[k] = data[i]
            k += 1


def _text_rows(
    file: FileBytes, element: Element, place: int, names: set[str], exact: bool
) -> tuple[Rows, int]:
    props = element.properties
    is_list = np.array([p.count_code is not None for p in props])
    at = np.empty((len(props), element.count), np.int64)
    sizes = np.empty((len(props), element.count), np.int64)
    end, error, _ = _find_text(file.data, place, is_list, at, sizes)
    if error == CUT_OFF:
        raise _cut_off(file, element)
    if error == BAD_COUNT:
        raise _bad_text(file, end, "is not a count")
    scalars: dict[str, NDArray[Any]] = {}
    lists: dict[str, Lists] = {}
    for k, prop in enumerate(props):
        if prop.name not in names:
            continue
        values = _text_values(file, at[k], sizes[k], exact and prop.code == "f8")
        if prop.code[0] != "f":
            whole = (values == np.floor(values)) & (np.abs(values) < _MOST_WHOLE)
            if not whole.all():
                raise file.error(
                    f"a “{prop.name}” of “{element.name}” is not a whole number.",
                    "It is damaged; export it again.",
                )
            values = values.astype(np.int64)
        if prop.count_code:
            lists[prop.name] = Lists(values, sizes[k])
        else:
            scalars[prop.name] = values
    return Rows(element, place, scalars, lists), end


def text_places(file: FileBytes, element: Element, begin: int) -> NDArray[np.int64]:
    """Return (properties, n, 2): where each scalar's text begins and ends, for a text file."""
    is_list = np.array([p.count_code is not None for p in element.properties])
    at = np.empty((len(is_list), element.count), np.int64)
    sizes = np.empty_like(at)
    _find_text(file.data, begin, is_list, at, sizes)
    return np.stack([at, _token_ends(file.data, at)], axis=-1)


@njit(nogil=True, cache=True)
def _token_ends(data: NDArray[np.uint8], at: NDArray[np.int64]) -> NDArray[np.int64]:
    out = np.empty_like(at)
    for k in range(at.shape[0]):
        for row in range(at.shape[1]):
            out[k, row] = skip_token(data, at[k, row], len(data))
    return out


def _text_values(
    file: FileBytes, at: NDArray[np.int64], sizes: NDArray[np.int64], exact: bool
) -> NDArray[np.float64]:
    total = int(sizes.sum())
    values = np.empty(total)
    long = np.empty((total if exact else 0, 2), np.int64)
    error, place, count = _parse_text(file.data, at, sizes, values, long)
    if error:
        raise _bad_text(file, place, "is not a number")
    refine(file.data, long[:count], values)
    return values


def _bad_text(file: FileBytes, place: int, what: str) -> Exception:
    token = token_at(file.data, place)[:40]
    return file.error(
        f"line {count_text(line_number(file.data, place))}: “{token}” {what}.",
        "The file is damaged; export it again.",
    )


@njit(nogil=True, cache=True)
def _find_text(
    data: NDArray[np.uint8],
    place: int,
    is_list: NDArray[np.bool_],
    at: NDArray[np.int64],
    sizes: NDArray[np.int64],
) -> tuple[int, int, int]:
    end = len(data)
    i = place
    for row in range(at.shape[1]):
        for k in range(len(is_list)):
            size = 1
            if is_list[k]:
                i = skip_space(data, i, end)
                if i >= end:
                    return i, CUT_OFF, row
                start = i
                size, i, fine = parse_integer(data, i, end)
                if not fine or size < 0 or (i < end and data[i] > 32):
                    return start, BAD_COUNT, row
                if 2 * size > end - i + 1:
                    return i, CUT_OFF, row
            i = skip_space(data, i, end)
            at[k, row] = i
            sizes[k, row] = size
            for _ in range(size):
                i = skip_space(data, i, end)
                if i >= end:
                    return i, CUT_OFF, row
                i = skip_token(data, i, end)
    return i, FINE, 0


@njit(nogil=True, cache=True)
def _parse_text(
    data: NDArray[np.uint8],
    at: NDArray[np.int64],
    sizes: NDArray[np.int64],
    values: NDArray[np.float64],
    long: NDArray[np.int64],
) -> tuple[int, int, int]:
    end = len(data)
    k = 0
    count = 0
    for row in range(len(at)):
        i = at[row]
        for _ in range(sizes[row]):
            i = skip_space(data, i, end)
            start = i
            values[k], i, status = parse_number(data, i, end)
            if status == BAD:
                return BAD_NUMBER, start, 0
            if status == LONG and count < len(long):
                long[count, 0] = start
                long[count, 1] = k
                count += 1
            k += 1
    return FINE, 0, count
