"""Tables of cells (CSV) that spreadsheets take as text: the one door for writing them.

A spreadsheet reads a cell that begins with one of a few characters as a formula, which may fetch or
run things (CWE-1236, "Improper Neutralization of Formula Elements in a CSV File"). Such a text gets
an apostrophe in front, which spreadsheets show as text; numbers, negative ones too, stay as they
are. `original` takes the apostrophe away again.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TextIO

# The wide forms are read as the narrow ones by spreadsheets in some languages.
_FORMULA = re.compile("'*[=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
_MARKED = re.compile("'" + _FORMULA.pattern)
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?|[+-](inf|nan)")


def harmless(value: Any) -> Any:
    """Return a cell's value; texts that begin like formulas get an apostrophe in front."""
    if isinstance(value, str) and _FORMULA.match(value) and not _NUMBER.fullmatch(value):
        return "'" + value
    return value


def original(cell: str) -> str:
    """Return a cell as it was before `harmless`."""
    return cell[1:] if _MARKED.match(cell) else cell


class Table:
    """Writes the lines of a table to an open text file."""

    def __init__(self, stream: TextIO, *, lineterminator: str = "\n") -> None:
        self._stream, self._end = stream, lineterminator

    def row(self, values: Iterable[Any]) -> None:
        """Write a line."""
        # Only characters of its own line end make the csv module quote a cell: with both of them
        # there, a cell with either stays one cell.
        line = io.StringIO()
        csv.writer(line, lineterminator="\r\n").writerow([harmless(value) for value in values])
        self._stream.write(line.getvalue()[:-2] + self._end)

    def rows(self, lines: Iterable[Iterable[Any]]) -> None:
        """Write lines."""
        for line in lines:
            self.row(line)

    def named(self, columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> None:
        """Write a header and a line per row, empty where a row has no such value."""
        self.row(columns)
        for row in rows:
            self.row([row.get(name, "") for name in columns])
