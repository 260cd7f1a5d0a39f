"""The findings on the low poly as a picture: front and back, places in colour and numbered."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from cagecheck.arrays.types import Floats
from cagecheck.inspecting.inspection import Inspection
from cagecheck.inspecting.page import FOLDED, Laid, lay_findings, verdict
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.scene import Scene
from cagecheck.rendering.camera import Outlooks, up_axis, whole_camera
from cagecheck.rendering.flat import flat_lit
from cagecheck.rendering.pictures import ACROSS
from cagecheck.rendering.view import View, see
from cagecheck.report.colours import CLEAN_COLOUR, Rgb
from cagecheck.report.fonts import font
from cagecheck.words.sentences import names_words

# Side of one view, pixels: two fit a wide screen.
CELL = 760
# Where views look from: the model's front and back, a little from the side and above.
FRONT, BACK = (0.42, 0.18, 0.9), (-0.42, 0.18, -0.9)
# Numbers on one view: as many as leave the model to be seen.
MARKS = 12
BAR, LINE, TEXT, MARK, EDGE = 34, 26, 16, 15, 10
PAPER, INK, SOFT, SHEET = (244, 242, 236), (28, 32, 38), (90, 96, 106), (253, 252, 249)


def write_picture(inspection: Inspection, path: Path) -> None:
    """Draw the picture and write it as PNG."""
    Image.fromarray(draw_inspection(inspection)).save(path, format="PNG", optimize=True)


def draw_inspection(inspection: Inspection) -> NDArray[np.uint8]:
    """Return (height, width, 3) uint8: the model from both sides over the findings' names."""
    laid = lay_findings(inspection)
    low = inspection.low
    scene = Scene(Surface(low.positions, low.triangles, low.triangle_part, low.part_names))
    positions = low.positions[np.unique(low.triangles)]
    axis = up_axis(positions)
    views = []
    for x, up, toward in (FRONT, BACK):
        front = (x, up, toward) if axis == 1 else (x, -toward, up)
        views.append(View(whole_camera(positions, axis, front=front), CELL, CELL))
    cells = [flat_lit(see(scene, view, ACROSS), low.face_normals, _colours(laid), PAPER)
             for view in views]  # fmt: skip
    entries = _entries(inspection, laid)
    width = 2 * CELL
    sheet = Image.new("RGB", (width, BAR + CELL + LINE * (1 + len(entries)) + EDGE), PAPER)
    pen = ImageDraw.Draw(sheet)
    outlooks = Outlooks(low.positions, low.triangles)
    for k, (name, cell) in enumerate(zip(("front", "back"), cells, strict=True)):
        pen.text((k * CELL + EDGE, 7), name, fill=INK, font=font(TEXT, bold=True))
        sheet.paste(Image.fromarray(cell), (k * CELL, BAR))
        for number, across, down in _marks(inspection, laid, views[k], outlooks):
            _draw_mark(pen, number, (k * CELL + across, BAR + down))
    top = BAR + CELL
    pen.text(
        (EDGE, top + 4),
        _shortened(verdict(inspection), width),
        fill=INK,
        font=font(TEXT, bold=True),
    )
    for row, (colour, words) in enumerate(entries, start=1):
        y = top + row * LINE
        pen.rectangle((EDGE, y + 6, EDGE + 14, y + 20), fill=colour, outline=INK)
        pen.text((EDGE + 24, y + 3), _shortened(words, width - 24), fill=INK, font=font(TEXT))
    return np.asarray(sheet)


def _colours(laid: Laid) -> Floats:
    """Return (T, 3) the colour of every triangle of the low poly."""
    palette = np.full((256, 3), CLEAN_COLOUR, np.float64)
    for category in laid.categories:
        palette[category.code] = category.colour
    return palette[laid.code]


def _marks(
    inspection: Inspection, laid: Laid, view: View, outlooks: Outlooks
) -> list[tuple[int, float, float]]:
    """Return number and pixel of the first places that this view sees, apart from each other."""
    out: list[tuple[int, float, float]] = []
    eye = np.array(view.camera.eye)
    slope = np.tan(np.radians(view.fov_degrees / 2))
    for number in _in_turn(inspection, laid):
        place = laid.places[number - 1]
        free = np.flatnonzero(outlooks.seen_from(place.points, eye))
        if len(free) == 0 or len(out) == MARKS:
            continue
        seen = place.points[free]
        middle = seen[int(np.argmin(np.linalg.norm(seen - seen.mean(axis=0), axis=1)))]
        right, up, toward = view.axes() @ (middle - eye)
        across = (1 + right / (-toward * slope)) * view.width / 2
        down = (1 - up / (-toward * slope)) * view.height / 2
        if all(np.hypot(across - x, down - y) > 2 * MARK for _, x, y in out):
            out.append((number, float(across), float(down)))
    return out


def _in_turn(inspection: Inspection, laid: Laid) -> list[int]:
    """Return the numbers of the places that matter: the first of every finding, then the second."""
    seen: dict[int, int] = {}
    turns = []
    for number, place in enumerate(laid.places, start=1):
        if inspection.findings[place.finding].matters:
            turn = seen[place.finding] = seen.get(place.finding, 0) + 1
            turns.append((turn, number))
    return [number for _, number in sorted(turns)]


def _draw_mark(pen: ImageDraw.ImageDraw, number: int, at: tuple[float, float]) -> None:
    letters = font(TEXT - 2, bold=True)
    half = pen.textlength(str(number), font=letters) / 2 + 5
    x, y = at
    pen.rectangle((x - half, y - 11, x + half, y + 11), fill=SHEET, outline=INK)
    pen.text(at, str(number), fill=INK, font=letters, anchor="mm")


def _entries(inspection: Inspection, laid: Laid) -> list[tuple[Rgb, str]]:
    """Return the legend: colour and words of every category that shows, with its first numbers."""
    out = []
    for category in laid.categories:
        numbers = [
            str(k)
            for k, place in enumerate(laid.places, start=1)
            if laid.code_of[place.finding] == category.code
        ]
        folded = category.code == FOLDED
        if not numbers or (folded and not (laid.code == FOLDED).any()):
            continue
        words = category.title if folded else f"{category.title}: {names_words(numbers, MARKS)}"
        out.append((category.colour, words))
    return out


def _shortened(text: str, width: int) -> str:
    """Return text that fits a width, cut at a word."""
    letters = font(TEXT, bold=True)
    if letters.getlength(text) <= width - 2 * EDGE:
        return text
    words = text.split()
    while words and letters.getlength(" ".join(words) + " …") > width - 2 * EDGE:
        words.pop()
    return " ".join(words) + " …"
