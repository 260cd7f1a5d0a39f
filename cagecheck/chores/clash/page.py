"""The page of a search for clashes: the worst frame in pictures, every pair of parts in a table."""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.find import Clash, Clashes
from cagecheck.files import replace_file
from cagecheck.meshes.mesh import Surface
from cagecheck.rays.scene import Scene
from cagecheck.rendering.camera import Outlooks, place_camera, up_axis, whole_camera
from cagecheck.rendering.flat import flat_lit
from cagecheck.rendering.pictures import ACROSS
from cagecheck.rendering.view import View, see
from cagecheck.report.colour_bar import measure_colours
from cagecheck.report.content import Column
from cagecheck.report.heatmap import HeatMap
from cagecheck.report.sheet import Picture, Sheet, SheetRow, SheetTable, sheet_html
from cagecheck.words.lengths import length_words, units_words
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import count_words, names_words

# Side of a picture, pixels, and close views of so many of the deepest clashes.
CELL, CLOSE_VIEWS = 560, 3
# A close view is so many depths wide, within these shares of the scene.
DEPTHS, LEAST_SHARE, MOST_SHARE = 8.0, 0.05, 0.5
FRONT, BACK = (0.42, 0.18, 0.9), (-0.42, 0.18, -0.9)
PAPER = (244, 242, 236)
# Rows that a page is read to; clash.csv has all.
MOST_ROWS = 500
HOW = {
    "through": "passes into",
    "inside": "lies wholly inside",
    "sheets": "passes through the open sheet",
}
LIMITS = (
    "Colours run from the surface to the deepest clash of all frames; what does not clash is light "
    "grey. Parts that lie wholly inside another may be meant. Parts are not checked against "
    "themselves, and between two open parts depth is an estimate."
)


@dataclass(frozen=True, eq=False)
class ShownFrame:
    """The frame that a page shows, see `shown_frame`.

    Attributes
    ----------
    name : str
        What the frame is called.
    clashes : Clashes
        Its clashes, without the parts themselves.
    heat : HeatMap
        Its heat map.
    parts : tuple[tuple[int, str], ...]
        Mesh and name of its parts.
    """

    name: str
    clashes: Clashes
    heat: HeatMap
    parts: tuple[tuple[int, str], ...]


def shown_frame(name: str, clashes: Clashes, heat: HeatMap) -> ShownFrame:
    """Keep of a frame what a page shows of it, and let go of what is large.

    Parameters
    ----------
    name : str
        What the frame is called.
    clashes : Clashes
        What `find_clashes` returns.
    heat : HeatMap
        What `write_clash_map` returns.
    """
    parts = tuple((solid.mesh, solid.name) for solid in clashes.parts)
    return ShownFrame(name, replace(clashes, parts=(), involved=(), sides={}), heat, parts)


def write_clash_page(
    results: Sequence[tuple[str, Clashes]],
    path: str | os.PathLike[str],
    *,
    shown: ShownFrame | None = None,
    files: Sequence[str] = (),
    force: bool = False,
) -> Path:
    """Write the clashes of one or more frames as a page.

    Parameters
    ----------
    results : sequence of (str, Clashes)
        Name and clashes of every frame.
    path : str | os.PathLike[str]
        The file to write.
    shown : ShownFrame, optional
        The frame to draw, see `shown_frame`; none for a page without pictures.
    files : Sequence[str], optional
        Names of the records beside the page, for links.
    force : bool, optional
        Replace a file that exists.

    Returns
    -------
    Path
        The file.
    """
    text = sheet_html(clash_sheet(results, shown, tuple(files)))
    with replace_file(path, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return Path(path)


def clash_sheet(
    results: Sequence[tuple[str, Clashes]],
    shown: ShownFrame | None = None,
    files: tuple[str, ...] = (),
) -> Sheet:
    """Return what the page holds."""
    deepest = max((hit.depth or 0.0 for _, found in results for hit in found.found), default=0.0)
    open_parts = list(dict.fromkeys(p for _, found in results for p in found.open_parts))
    metres = results[0][1].metres_per_unit if results else None
    facts = [
        ("frames", count_text(len(results))),
        ("deepest clash", units_words(deepest, metres)),
        ("touching up to", units_words(max(found.limit for _, found in results), metres)),
    ]
    if open_parts:
        facts.append(("open parts", names_words(open_parts)))
    return Sheet(
        heading="clashes",
        title=results[0][0] if len(results) == 1 else f"{results[0][0]} to {results[-1][0]}",
        clean=not any(found.passing for _, found in results),
        verdict=clash_verdict(results),
        facts=tuple(facts),
        tables=_table(results),
        pictures=() if shown is None else tuple(_pictures(shown, deepest)),
        limits=LIMITS,
        files=files,
    )


def clash_verdict(results: Sequence[tuple[str, Clashes]]) -> str:
    """Say in a sentence whether surfaces cross."""
    bad = sum(bool(found.passing) for _, found in results)
    if not bad:
        return "No parts pass through each other."
    if len(results) > 1:
        return f"{bad} of {len(results)} frames have parts that pass through each other."
    return "There are parts that pass through each other."


def pairs_of(name: str, found: Clashes) -> list[tuple[str, list[Clash]]]:
    """Return frame and clashes of every pair of parts, the deepest first."""
    pairs: dict[frozenset[tuple[int, str]], list[Clash]] = {}
    for hit in found.found:
        key = frozenset({(hit.mesh, hit.part), (hit.other_mesh, hit.other)})
        pairs.setdefault(key, []).append(hit)
    return [(name, hits) for hits in pairs.values()]


def _table(results: Sequence[tuple[str, Clashes]]) -> tuple[SheetTable, ...]:
    pairs = [pair for name, found in results for pair in pairs_of(name, found)]
    if not pairs:
        return ()
    columns = (Column("frame"), Column("part"), Column("how"), Column("other part"),
               Column("depth, units", True), Column("places", True),
               Column("crossing line, units", True), Column("deepest at"))  # fmt: skip
    rows = []
    for name, hits in pairs[:MOST_ROWS]:
        hit = hits[0]
        depth = "unknown" if hit.depth is None else length_words(hit.depth)
        length = sum(h.length for h in hits)
        where = ", ".join(length_words(float(x)) for x in hit.point)
        rows.append(
            SheetRow(
                (name, hit.part, HOW[hit.kind], hit.other, depth, count_text(len(hits)),
                 length_words(length) if length else "–", f"({where}), face {hit.face}")
            )
        )  # fmt: skip
    left = len(pairs) - len(rows)
    note = f"{count_words(left, 'pair')} more in clash.csv." if left else ""
    return (SheetTable("Parts that clash", columns, tuple(rows), note),)


# Pictures -----------------------------------------------------------------------------------------


def _pictures(shown: ShownFrame, deepest: float) -> list[Picture]:
    heat = shown.heat
    depth = heat.fields["depth"].astype(np.float64)
    colours = measure_colours(depth, heat.fields["clash"] > 0, deepest)[:, :3].astype(np.float64)
    axis = up_axis(heat.positions)
    every = np.arange(len(heat.triangles))
    scene = _scene(heat, every)
    out = []
    for name, (x, up, toward) in (("front", FRONT), ("back", BACK)):
        front = (x, up, toward) if axis == 1 else (x, -toward, up)
        view = View(whole_camera(heat.positions, axis, front=front), CELL, CELL)
        out.append(
            Picture(
                _png(_drawn(heat, scene, every, colours, view)), f"{shown.name}, {name}",
                f"The {name} of the parts, coloured by the depth of clashes.",
            )
        )  # fmt: skip
    for hit in shown.clashes.found[:CLOSE_VIEWS]:
        out.append(_close(shown, hit, colours, axis))
    return out


def _close(shown: ShownFrame, hit: Clash, colours: Floats, axis: int) -> Picture:
    """Draw the deepest place of a clash, without the part that would hide it."""
    heat = shown.heat
    hidden = shown.parts.index((hit.other_mesh, hit.other))
    kept = np.flatnonzero(heat.fields["part"][heat.triangles[:, 0]] != hidden)
    corners = heat.positions[heat.triangles[kept]]
    away = np.linalg.norm(corners.mean(axis=1) - hit.point, axis=1)
    nearest = corners[int(np.argmin(away))]
    normal = np.cross(nearest[1] - nearest[0], nearest[2] - nearest[0])
    normal /= np.linalg.norm(normal) or 1.0
    (outlook,) = Outlooks(heat.positions, heat.triangles[kept]).find(
        [hit.point[None]], [normal[None]]
    )
    size = float(np.linalg.norm(np.ptp(heat.positions, axis=0)))
    near = min(DEPTHS * (hit.depth or 0.0), MOST_SHARE * size)
    distance = 2 * max(near, LEAST_SHARE * size)
    camera = place_camera([float(x) for x in hit.point], outlook.direction, distance, axis)
    depth = "unknown depth" if hit.depth is None else f"{length_words(hit.depth)} units deep"
    words = f"{hit.part} {HOW[hit.kind]} {hit.other}, {depth}"
    return Picture(
        _png(_drawn(heat, _scene(heat, kept), kept, colours, View(camera, CELL, CELL))),
        f"{words}; {hit.other} is left out here",
        f"The deepest place, close: {words}.",
    )


def _scene(heat: HeatMap, kept: NDArray[np.int64]) -> Scene:
    triangles = heat.triangles[kept]
    return Scene(Surface(heat.positions, triangles, np.zeros(len(triangles), np.int32)))


def _drawn(
    heat: HeatMap, scene: Scene, kept: NDArray[np.int64], colours: Floats, view: View
) -> NDArray[np.uint8]:
    triangles = heat.triangles[kept]
    corners = heat.positions[triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return flat_lit(see(scene, view, ACROSS), normals, colours[triangles], PAPER)


def _png(picture: NDArray[np.uint8]) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, format="PNG", optimize=True)
    return stream.getvalue()
