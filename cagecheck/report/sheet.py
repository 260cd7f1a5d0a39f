"""Pages without a model: a verdict, pictures and tables, in the style of the report page.

They hold no script, so that they open in anything that shows HTML, and load nothing from anywhere.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from cagecheck.report.colours import Rgb, hex_of
from cagecheck.report.content import Column
from cagecheck.report.page import read_text
from cagecheck.version import __version__


@dataclass(frozen=True)
class Cell:
    """A cell of a table: words, a verdict (`good` or `bad`) or none, links of label and address."""

    text: str
    mood: str = ""
    links: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class SheetRow:
    """A row of a table, with a colour chip before its first cell."""

    cells: tuple[Cell | str, ...]
    colour: Rgb | None = None


@dataclass(frozen=True)
class SheetTable:
    """A table, and what there is to say of it."""

    title: str
    columns: tuple[Column, ...]
    rows: tuple[SheetRow, ...]
    note: str = ""


@dataclass(frozen=True)
class Picture:
    """A picture: a PNG, the line below it, and what it shows for those who cannot see it."""

    png: bytes
    caption: str
    words: str


@dataclass(frozen=True)
class Sheet:
    """A page; `heading` is the small line above the title, `limits` what the numbers hold for.

    files : the records that lie beside the page, by name.
    """

    heading: str
    title: str
    clean: bool
    verdict: str
    facts: tuple[tuple[str, str], ...]
    tables: tuple[SheetTable, ...]
    pictures: tuple[Picture, ...] = ()
    limits: str = ""
    files: tuple[str, ...] = ()


def sheet_html(sheet: Sheet) -> str:
    """Return the page as one HTML file."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters["hex"] = hex_of
    environment.filters["base64"] = lambda data: base64.b64encode(data).decode("ascii")
    environment.tests["cell"] = lambda value: isinstance(value, Cell)
    template = environment.from_string(read_text("templates/sheet.html.j2"))
    return template.render(
        version=__version__, sheet=sheet, css=Markup(read_text("templates/report.css"))
    )
