"""The stretch of a mended frame as colours on its meshes."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from cagecheck.mending.result import MendedFrame
from cagecheck.mending.stretch import per_place
from cagecheck.report.colour_bar import measure_colours, write_colour_bar
from cagecheck.report.heatmap import HeatMap, write_heat_ply
from cagecheck.words.sentences import percent_text


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
    return HeatMap(
        positions=np.concatenate(points),
        triangles=np.concatenate(faces).astype(np.int32),
        low_triangle=np.zeros(sum(map(len, faces)), np.int32),
        sample=np.zeros(len(values), np.int64),
        colours=measure_colours(np.abs(values), move > 0, most),
        fields={"stretch": values.astype(np.float32), "move": move.astype(np.float32)},
        vertex_of_sample=np.zeros(0, np.int32),
    )


def write_stretch_map(frame: MendedFrame, most: float, path: Path) -> None:
    """Write it as binary PLY with stretch and move of every place."""
    write_heat_ply(stretch_map(frame, most), path)


def write_stretch_legend(most: float, path: Path) -> None:
    """Write the colour bar as a picture."""
    title = "stretch or squeeze; grey: did not move"
    write_colour_bar(title, "0 %", f"{percent_text(100 * most)} %", path)
