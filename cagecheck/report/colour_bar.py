"""The legend of a measure that is drawn as colours: one bar, with numbers at its ends."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from cagecheck.arrays.types import Floats
from cagecheck.report.colours import CLEAN_COLOUR, cividis

_BAR = (256, 24)


def measure_colours(values: Floats, some: NDArray[np.bool_], most: float) -> NDArray[np.uint8]:
    """Return (N, 4) RGBA of values (N,) from 0 to `most`; those not in `some` (N,) are clean."""
    out = np.full((len(values), 4), 255, np.uint8)
    out[:, :3] = CLEAN_COLOUR
    out[some] = cividis(values[some] / max(most, 1e-300))
    return out


def write_colour_bar(title: str, begin: str, end: str, path: Path) -> None:
    """Write the bar as a picture, with words above it and at both of its ends."""
    width, height = _BAR
    image = Image.new("RGB", (width + 40, height + 70), "white")
    ramp = cividis(np.linspace(0, 1, width))[:, :3]
    image.paste(Image.fromarray(np.repeat(ramp[None], height, axis=0)), (20, 34))
    draw = ImageDraw.Draw(image)
    font = ImageFont.load_default(12)
    draw.text((20, 10), title, "black", font)
    draw.text((20, height + 40), begin, "black", font)
    draw.text((20 + width, height + 40), end, "black", font, anchor="ra")
    image.save(path, format="PNG")
