"""The letters of drawn text: DejaVu Sans, which lies among Matplotlib's files.

Part names may hold letters that Pillow's own font lacks. pyvista brings Matplotlib; nothing of it
but these files is used, so it is not imported.
"""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path

from PIL import ImageFont


@cache
def font(size: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Return DejaVu Sans of a height in pixels."""
    return ImageFont.truetype(font_file(bold), size)


def font_file(bold: bool = False) -> str:
    """Return the path of DejaVu Sans."""
    found = importlib.util.find_spec("matplotlib")
    assert found is not None and found.origin is not None
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return str(Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" / name)
