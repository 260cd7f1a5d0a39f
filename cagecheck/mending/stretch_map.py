"""The stretch of a mended frame as colours on its meshes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from cagecheck.mending.result import MendedFrame
from cagecheck.mending.stretch import per_place
from cagecheck.report.colours import CLEAN_COLOUR, cividis
from cagecheck.report.heatmap import HeatMap, write_heat_ply
from cagecheck.words.sentences import percent_text

_BAR = (256, 24)


def stretch_map(frame: MendedFrame, most: float) -> HeatMap:
    """Lay the stretch over the parts that may move; `most` is the stretch of the last colour."""
    points, faces, stretch, moves, base = [], [], [], [], 0
    for part in frame.parts:
        points.append(part.after)
        faces.append(part.cloth.triangles + base)
        stretch.append(per_place(part.cloth.triangles, part.stretch, len(part.after)))
        moves.append(np.linalg.norm(part.move, axis=1))
        base += len(part.after)
    values, move = np.concatenate(stretch), np.concatenate(moves)
    colours = np.full((len(values), 4), 255, np.uint8)
    colours[:, :3] = CLEAN_COLOUR
    some = move > 0
    colours[some] = cividis(np.abs(values[some]) / max(most, 1e-300))
    return HeatMap(
        positions=np.concatenate(points),
        triangles=np.concatenate(faces).astype(np.int32),
        low_triangle=np.zeros(sum(map(len, faces)), np.int32),
        sample=np.zeros(len(values), np.int64),
        colours=colours,
        fields={"stretch": values.astype(np.float32), "move": move.astype(np.float32)},
        vertex_of_sample=np.zeros(0, np.int32),
    )


def write_stretch_map(frame: MendedFrame, most: float, path: Path) -> None:
    """Write it as binary PLY with stretch and move of every place."""
    write_heat_ply(stretch_map(frame, most), path)


def write_stretch_legend(most: float, path: Path) -> None:
    """Write the colour bar as a picture."""
    width, height = _BAR
    image = Image.new("RGB", (width + 40, height + 70), "white")
    ramp = cividis(np.linspace(0, 1, width))[:, :3]
    image.paste(Image.fromarray(np.repeat(ramp[None], height, axis=0)), (20, 34))
    draw, font = ImageDraw.Draw(image), ImageFont.load_default(12)
    draw.text((20, 10), "stretch or squeeze; grey: did not move", "black", font)
    draw.text((20, height + 40), "0 %", "black", font)
    end = f"{percent_text(100 * most)} %"
    draw.text((20 + width, height + 40), end, "black", font, anchor="ra")
    image.save(path, format="PNG")
