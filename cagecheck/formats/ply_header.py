"""The header of a PLY file.

Source: Greg Turk, "The PLY Polygon File Format", 1994.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.text_numbers import decode_name

_LONGEST_HEADER = 1 << 20
_MOST_COUNT = 1 << 40  # more items than any disk holds; keeps later arithmetic in int64

TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip


@dataclass(frozen=True)
class Property:
    """One property: name, NumPy type code, and the count's type code for a list."""

    name: str
    code: str
    count_code: str | None = None

    @property
    def size(self) -> int:
        """Bytes of one value."""
        return np.dtype(self.code).itemsize


@dataclass(frozen=True)
class Element:
    """One element: name, how many, its properties."""

    name: str
    count: int
    properties: tuple[Property, ...]

    @property
    def has_lists(self) -> bool:
        """Whether rows differ in length."""
        return any(p.count_code for p in self.properties)

    def least_bytes(self, text: bool) -> int:
        """Fewest bytes a row can take."""
        if text:
            return 2 * len(self.properties)
        return sum(np.dtype(p.count_code or p.code).itemsize for p in self.properties)

    def index(self, *names: str) -> int | None:
        """Return the number of the first property that has one of the names."""
        for k, p in enumerate(self.properties):
            if p.name in names:
                return k
        return None


@dataclass(frozen=True)
class Header:
    """order : ``text``, ``<`` or ``>``. body : where the data begins."""

    order: str
    elements: tuple[Element, ...]
    body: int


def read_header(file: FileBytes) -> Header:
    """Parse the header. Raises `InputError` where it is not one."""
    head = file.data[:_LONGEST_HEADER].tobytes()
    end = head.find(b"end_header")
    line_end = head.find(b"\n", end)
    if not head.startswith(b"ply") or end < 0 or line_end < 0:
        raise _bad(file, "this does not read as a PLY file: its header is missing or cut off.")
    order = ""
    elements: list[Element] = []
    for raw in head[:end].replace(b"\r", b"\n").split(b"\n")[1:]:
        words = decode_name(raw).split()
        if not words or words[0] in ("comment", "obj_info"):
            continue
        if words[0] == "format" and len(words) >= 2:
            order = {"ascii": "text", "binary_little_endian": "<", "binary_big_endian": ">"}.get(
                words[1], ""
            )
        elif words[0] == "element" and len(words) == 3 and words[2].isdecimal():
            elements.append(Element(words[1], min(int(words[2][:20]), _MOST_COUNT), ()))
        elif words[0] == "property" and elements:
            last = elements.pop()
            prop = _property(file, words)
            elements.append(Element(last.name, last.count, (*last.properties, prop)))
        elif words[0] in ("format", "element", "property"):
            raise _bad(file, f"its header has the line “{' '.join(words)[:60]}”, which PLY lacks.")
        # Other lines are let pass: some programs break comments over lines.
    if not order:
        raise _bad(file, "its header names no format that PLY has.")
    return Header(order, tuple(elements), line_end + 1)


def _property(file: FileBytes, words: list[str]) -> Property:
    if len(words) == 3 and words[1] in TYPES:
        return Property(words[2], TYPES[words[1]])
    is_list = len(words) == 5 and words[1] == "list" and words[3] in TYPES
    if is_list and TYPES.get(words[2], "f")[0] != "f":
        return Property(words[4], TYPES[words[3]], TYPES[words[2]])
    raise _bad(file, f"its header has the line “{' '.join(words)[:60]}”, which PLY lacks.")


def _bad(file: FileBytes, what: str) -> Exception:
    return file.error(what, "The file is damaged; export it again.")
