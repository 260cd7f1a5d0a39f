"""The flat parts of the viewer's picture, drawn as RGBA images: title, regions, legend, record.

They are the same in the window and in a picture file.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from cagecheck.defects.kinds import Defect
from cagecheck.defects.region_words import size_words
from cagecheck.meshes.tiles import NO_TILE
from cagecheck.report.cividis import cividis_table
from cagecheck.report.colours import CAGE_COLOUR, DEFECT_COLOURS, HIGH_LINE_COLOUR
from cagecheck.report.fields import NO_VALUE_COLOUR, Legend
from cagecheck.report.fonts import font
from cagecheck.words.numbers import count_text, decimals, figures
from cagecheck.words.sentences import percent_text

Picture = NDArray[np.uint8]
Rgb = tuple[int, int, int]

INK, SOFT, PAPER, RULE, LIT = (
    (28, 32, 38),
    (92, 98, 108),
    (250, 249, 246),
    (205, 203, 196),
    (225, 233, 241),
)
CUT_COLOURS: dict[str, Rgb] = {
    # Apart in lightness too; the high poly's is a dark shade of its own.
    "low": (20, 20, 20),
    "cage": CAGE_COLOUR,
    "high": HIGH_LINE_COLOUR,
}
_SIZE, _SMALL, _LARGE = 13, 12, 17
_LINE = 18
_PAD = 12
# The list: where its rows begin and how high each is, pixels.
LIST_TOP = _PAD - 2 + _LINE + 5
ROW_HIGH = 2 * _LINE - 2
_TITLES = {d.title: d for d in Defect}


@dataclass(frozen=True)
class ListRow:
    """A region as the list shows it."""

    number: int
    name: str
    place: str
    texels: str
    chosen: bool


def region_colour(name: str) -> Rgb:
    """Return the colour of a region's defect by its title."""
    return DEFECT_COLOURS[_TITLES[name]]


class _Sheet:
    """A panel under way: lines of text and colours from the top down."""

    def __init__(self, width: int, height: int) -> None:
        self.image = Image.new("RGBA", (width, height), (*PAPER, 236))
        self.draw = ImageDraw.Draw(self.image)
        self.draw.rectangle((0, 0, width - 1, height - 1), outline=(*RULE, 255))
        self.width = width
        self.y = _PAD - 2

    def text(
        self,
        words: str,
        *,
        size: int = _SIZE,
        bold: bool = False,
        colour: Rgb = INK,
        x: int = _PAD,
        right: bool = False,
    ) -> None:
        face = font(size, bold)
        at = self.width - _PAD if right else x
        self.draw.text((at, self.y), words, fill=colour, font=face, anchor="ra" if right else "la")

    def down(self, by: int = _LINE) -> None:
        self.y += by

    def chip(self, colour: Rgb, x: int = _PAD) -> None:
        self.draw.rectangle((x, self.y + 2, x + 11, self.y + 13), fill=colour, outline=INK)

    def done(self) -> Picture:
        cut = min(self.y + _PAD - 4, self.image.height)
        return np.asarray(self.image.crop((0, 0, self.width, cut)))


def fit(words: str, face: ImageFont.FreeTypeFont, room: float) -> str:
    """Return the words, cut with an ellipsis where they are longer than `room` pixels."""
    if face.getlength(words) <= room:
        return words
    while words and face.getlength(words + "…") > room:
        words = words[:-1]
    return words + "…"


def wrap(words: str, face: ImageFont.FreeTypeFont, room: float) -> list[str]:
    """Return the words on lines of at most `room` pixels."""
    lines: list[str] = []
    line = ""
    for word in words.split():
        longer = f"{line} {word}".strip()
        if line and face.getlength(longer) > room:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line]


def title_panel(title: str, lines: Sequence[str], width: int) -> Picture:
    """Return the title with lines below it."""
    sheet = _Sheet(width, 400)
    for line in wrap(title, font(_LARGE, True), width - 2 * _PAD):
        sheet.text(line, size=_LARGE, bold=True)
        sheet.down(_LINE + 6)
    for words in lines:
        for line in wrap(words, font(_SIZE), width - 2 * _PAD):
            sheet.text(line, colour=SOFT)
            sheet.down()
    return sheet.done()


def list_panel(
    rows: Sequence[ListRow],
    count: int,
    width: int,
    folded: int = 0,
    first: int = 0,
    listed: int = 0,
) -> Picture:
    """Return the list of regions: each two lines, the chosen one lit, with a bar where it scrolls.

    count : of all regions; folded : how many of them will not show and are left out. first : how
    many stand above the first row; listed : how many there are to scroll through.
    """
    sheet = _Sheet(width, 80 + 2 * _LINE * len(rows) + 20)
    sheet.text("what to see to, in order", bold=True)
    sheet.text(count_text(count), colour=SOFT, right=True)
    sheet.down(_LINE + 5)
    if not rows:
        sheet.text("none: the bake comes out clean", colour=SOFT)
        sheet.down()
    for row in rows:
        if row.chosen:
            sheet.draw.rectangle((1, sheet.y - 2, width - 2, sheet.y + 2 * _LINE - 5), fill=LIT)
        sheet.chip(region_colour(row.name))
        sheet.text(f"{row.number}  {row.name}", bold=row.chosen, x=_PAD + 20)
        sheet.down(_LINE - 2)
        room = width - 2 * _PAD - 20 - font(_SMALL).getlength(row.texels) - 8
        sheet.text(fit(row.place, font(_SMALL), room), size=_SMALL, colour=SOFT, x=_PAD + 20)
        sheet.text(row.texels, size=_SMALL, colour=SOFT, right=True)
        sheet.down()
    if rows and listed > len(rows):
        high = ROW_HIGH * len(rows)
        top, bottom = (LIST_TOP + high * n / listed for n in (first, first + len(rows)))
        sheet.draw.rectangle((width - 7, LIST_TOP, width - 4, LIST_TOP + high), fill=RULE)
        sheet.draw.rectangle((width - 7, top, width - 4, max(bottom, top + 12)), fill=SOFT)
    if folded:
        sheet.text(f"+ {count_text(folded)} that will not show", size=_SMALL, colour=SOFT)
        sheet.down()
    return sheet.done()


def legend_panel(legend: Legend, width: int, cut: bool = False) -> Picture:
    """Return what the colours mean, with units; with `cut` also the lines of the cut."""
    sheet = _Sheet(width, 420)
    for line in wrap(legend.title, font(_SIZE, True), width - 2 * _PAD):
        sheet.text(line, bold=True)
        sheet.down()
    sheet.down(4)
    if legend.rows:
        _category_rows(sheet, legend)
    elif legend.high > legend.low:
        _ramp_rows(sheet, legend)
    if legend.missing:
        sheet.chip(NO_VALUE_COLOUR)
        sheet.text("no value", x=_PAD + 20)
        sheet.down()
    if cut:
        _cut_rows(sheet)
    return sheet.done()


def _category_rows(sheet: _Sheet, legend: Legend) -> None:
    sheet.text("% of the low poly", size=_SMALL, colour=SOFT, right=True)
    sheet.down()
    for row in legend.rows:
        sheet.chip(row.colour)
        sheet.text(row.label, x=_PAD + 20)
        sheet.text(_percent(row.percent), right=True)
        sheet.down()


def _percent(value: float) -> str:
    return (
        decimals(value, 1)
        if value >= 10
        else decimals(value, 2)
        if value >= 0.01 or value == 0
        else "<0.01"
    )


def _ramp_rows(sheet: _Sheet, legend: Legend) -> None:
    wide = sheet.width - 2 * _PAD
    strip = np.repeat(cividis_table()[None, np.linspace(0, 255, wide).astype(int)], 16, axis=0)
    sheet.image.paste(Image.fromarray(strip), (_PAD, sheet.y))
    sheet.draw.rectangle((_PAD, sheet.y, _PAD + wide - 1, sheet.y + 15), outline=INK)
    sheet.down(20)
    below, above = legend.beyond
    middle = (legend.low + legend.high) / 2
    sheet.text(("≤ " if below else "") + figures(legend.low, 3), size=_SMALL)
    sheet.draw.text(
        (sheet.width / 2, sheet.y), figures(middle, 3), fill=INK, font=font(_SMALL), anchor="ma"
    )
    sheet.text(("≥ " if above else "") + figures(legend.high, 3), size=_SMALL, right=True)
    sheet.down(_LINE - 2)
    sheet.text(f"in {legend.unit}", size=_SMALL, colour=SOFT)
    sheet.down()


def _cut_rows(sheet: _Sheet) -> None:
    sheet.down(4)
    sheet.text("in the cut", bold=True)
    sheet.down()
    for name, words in (
        ("high", "high poly"),
        ("low", "low poly"),
        ("cage", "cage"),
    ):
        sheet.draw.line(
            (_PAD, sheet.y + 8, _PAD + 26, sheet.y + 8), fill=CUT_COLOURS[name], width=3
        )
        sheet.text(words, x=_PAD + 36)
        sheet.down()
    sheet.draw.line((_PAD, sheet.y + 8, _PAD + 26, sheet.y + 8), fill=SOFT, width=1)
    sheet.text("ray, in its defect's colour", x=_PAD + 36)
    sheet.down()


def rows_panel(title: str, rows: Sequence[tuple[str, str]], width: int) -> Picture:
    """Return a card of (name, value) rows; long values wrap."""
    sheet = _Sheet(width, 900)
    for line in wrap(title, font(_SIZE, True), width - 2 * _PAD):
        sheet.text(line, bold=True)
        sheet.down()
    sheet.down(4)
    for name, value in rows:
        sheet.text(name, size=_SMALL, colour=SOFT)
        for line in wrap(value, font(_SMALL), width - 2 * _PAD - 92):
            sheet.text(line, size=_SMALL, x=_PAD + 92)
            sheet.down(_LINE - 2)
        sheet.down(2)
    return sheet.done()


def region_panel(region: dict[str, Any], width: int) -> Picture:
    """Return the card of a region: what, where, how large, why, what to do."""
    worst = "-" if region["worst"] is None else f"{figures(region['worst'])} {region['unit']}"
    rows = [
        ("part", region["part"]),
        ("tile", str(region["tile"]) if region["tile"] != NO_TILE else "none"),
        ("size", f"{size_words(region)}, {percent_text(region['percent'])} % of the part"),
        ("worst", worst),
        ("cause", region["cause"]),
        ("cure", region["cure"]),
    ]
    return rows_panel(f"{region['number']}  {region['name']}", rows, width)


def hints_panel(hints: Sequence[tuple[str, str]], width: int) -> Picture:
    """Return what can be done, shortly: always to be seen."""
    sheet = _Sheet(width, 40 + _LINE * len(hints))
    for name, words in hints:
        sheet.text(name, size=_SMALL, bold=True)
        sheet.text(words, size=_SMALL, x=_PAD + 104)
        sheet.down(_LINE - 1)
    return sheet.done()


def keys_panel(keys: Sequence[tuple[str, str]], width: int) -> Picture:
    """Return what the keys do."""
    return rows_panel("keys", keys, width)


def scale_panel(words: str, length: int) -> Picture:
    """Return a scale bar of `length` pixels with its length in words."""
    sheet = _Sheet(length + 2 * _PAD, 60)
    sheet.text(words, size=_SMALL)
    sheet.down()
    x0, x1, y = _PAD, _PAD + length - 1, sheet.y + 3
    sheet.draw.line((x0, y, x1, y), fill=INK, width=2)
    for x in (x0, x1):
        sheet.draw.line((x, y - 4, x, y + 4), fill=INK, width=2)
    sheet.down(8)
    return sheet.done()


def line_panel(words: str) -> Picture:
    """Return one short line of text."""
    room = round(font(_SMALL).getlength(words)) + 2 * _PAD
    sheet = _Sheet(room, 60)
    sheet.text(textwrap.shorten(words, 400), size=_SMALL, colour=SOFT)
    sheet.down(_LINE - 2)
    return sheet.done()
