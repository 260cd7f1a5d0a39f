"""A picture of a few values over one number, with axes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from PIL import Image, ImageDraw

from cagecheck.arrays.types import Floats
from cagecheck.report.colours import Rgb
from cagecheck.report.fonts import font
from cagecheck.words.numbers import figures

_WIDTH, _HEIGHT = 900, 540
_LEFT, _RIGHT, _TOP, _BOTTOM = 80, 24, 50, 64
# Drawn this much larger and reduced, so that slanted lines are smooth.
_FINER = 3
_TEXT, _TITLE, _STROKE, _TICK, _DASH = 15, 18, 2.5, 6, 12
_INK, _SOFT, _RULE, _PAPER = (28, 32, 38), (68, 68, 68), (205, 203, 196), (255, 255, 255)
# About so many steps along an axis: numbers stay apart and can be read between.
_STEPS = 6


@dataclass(frozen=True, eq=False)
class Line:
    """Values (N,) to draw, and how."""

    values: Floats
    label: str
    colour: Rgb
    is_dashed: bool = False


def ticks(top: float) -> Floats:
    """Return round numbers from 0 to at most `top`, some `_STEPS` of them."""
    if not top > 0:
        return np.zeros(1)
    rough = top / _STEPS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= rough * (1 - 1e-9))
    out: Floats = step * np.arange(math.floor(top / step * (1 + 1e-9)) + 1, dtype=np.float64)
    return out


def draw_lines(
    path: Path | BinaryIO,
    title: str,
    labels: tuple[str, str],
    x: Floats,
    lines: list[Line],
    mark: tuple[float, str],
) -> None:
    """Write a PNG of lines over x (N,), ascending from 0, both axes from 0.

    labels : of both axes; mark : a place on x to set a rule at, and what to write beside it.
    """
    right = max(float(x[-1]), mark[0]) or 1.0
    top = 1.05 * max(float(line.values.max(initial=0.0)) for line in lines) or 1.0
    picture = _Picture(right, top)
    picture.axes(title, labels)
    picture.rule(*mark)
    for line in lines:
        picture.line(x, line)
    picture.legend(lines)
    picture.save(path)


class _Picture:
    """The picture under way; all measures in pixels of the result."""

    def __init__(self, right: float, top: float) -> None:
        self._right, self._top = right, top
        self._image = Image.new("RGB", (_WIDTH * _FINER, _HEIGHT * _FINER), _PAPER)
        self._draw = ImageDraw.Draw(self._image)

    def _at(self, x: float, y: float) -> tuple[float, float]:
        across = _LEFT + (_WIDTH - _LEFT - _RIGHT) * x / self._right
        return across, _HEIGHT - _BOTTOM - (_HEIGHT - _TOP - _BOTTOM) * y / self._top

    def _stroke(self, points: list[tuple[float, float]], colour: Rgb, width: float) -> None:
        fine = [(a * _FINER, b * _FINER) for a, b in points]
        self._draw.line(fine, colour, round(width * _FINER), joint="curve")

    def _write(self, place: tuple[float, float], text: str, anchor: str, size: int = _TEXT) -> None:
        fine = place[0] * _FINER, place[1] * _FINER
        self._draw.text(fine, text, _INK, font(size * _FINER), anchor=anchor)

    def axes(self, title: str, labels: tuple[str, str]) -> None:
        for value in ticks(self._right):
            a, b = self._at(float(value), 0.0)
            self._stroke([(a, b), (a, b + _TICK)], _SOFT, 1)
            self._write((a, b + _TICK + 3), figures(value, 6), "mt")
        for value in ticks(self._top):
            a, b = self._at(0.0, float(value))
            self._stroke([(a, b), (_WIDTH - _RIGHT, b)], _RULE, 0.7)
            self._write((a - _TICK, b), figures(value, 6), "rm")
        corner = self._at(0.0, 0.0)
        self._stroke([self._at(0.0, self._top), corner, self._at(self._right, 0.0)], _SOFT, 1)
        self._write((_LEFT, 14), title, "lt", _TITLE)
        self._write(((_LEFT + _WIDTH - _RIGHT) / 2, _HEIGHT - 10), labels[0], "mb")
        self._write_upright(labels[1])

    def _write_upright(self, text: str) -> None:
        letters = font(_TEXT * _FINER)
        box = letters.getbbox(text)
        sheet = Image.new("RGB", (math.ceil(box[2]) + 2, math.ceil(box[3]) + 2), _PAPER)
        ImageDraw.Draw(sheet).text((0, 0), text, _INK, letters)
        turned = sheet.transpose(Image.Transpose.ROTATE_90)
        middle = (_TOP + _HEIGHT - _BOTTOM) / 2 * _FINER
        self._image.paste(turned, (12 * _FINER, round(middle - turned.height / 2)))

    def line(self, x: Floats, line: Line) -> None:
        points = [self._at(float(a), float(b)) for a, b in zip(x, line.values, strict=True)]
        for piece in _dashes(points) if line.is_dashed else [points]:
            self._stroke(piece, line.colour, _STROKE)

    def rule(self, place: float, text: str) -> None:
        across, bottom = self._at(place, 0.0)
        for k in range(_TOP, int(bottom), 6):
            self._stroke([(across, k), (across, k + 2)], _SOFT, 1)
        # On whichever side has more room.
        is_left = across < _WIDTH / 2
        self._write((across + (8 if is_left else -8), _TOP + 4), text, "lt" if is_left else "rt")

    def legend(self, lines: list[Line]) -> None:
        for k, line in enumerate(lines):
            left, height = float(_WIDTH - _RIGHT - 150), _HEIGHT / 2 + 24 * k
            sample = [(left, height), (left + 40, height)]
            for piece in _dashes(sample) if line.is_dashed else [sample]:
                self._stroke(piece, line.colour, _STROKE)
            self._write((left + 50, height), line.label, "lm")

    def save(self, path: Path | BinaryIO) -> None:
        small = self._image.resize((_WIDTH, _HEIGHT), Image.Resampling.BOX)
        small.save(path, format="PNG")


def _dashes(points: list[tuple[float, float]]) -> list[list[tuple[float, float]]]:
    """Cut a line into dashes as long as the gaps between them."""
    place = np.array(points)
    steps = np.linalg.norm(np.diff(place, axis=0), axis=1)
    way = np.concatenate([[0.0], np.cumsum(steps)])
    out = []
    for begin in np.arange(0.0, way[-1], 2 * _DASH):
        inner = way[(way > begin) & (way < begin + _DASH)]
        at = np.concatenate([[begin], inner, [min(begin + _DASH, way[-1])]])
        out.append([(float(np.interp(s, way, place[:, 0])), float(np.interp(s, way, place[:, 1])))
                    for s in at])  # fmt: skip
    return out
