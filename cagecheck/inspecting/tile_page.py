"""The page of what lies on which tile: a picture of each, coloured by part, and its table."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from cagecheck.defects.kinds import CLEAN
from cagecheck.files import replace_file
from cagecheck.inspecting.page import triangles_apart
from cagecheck.inspecting.tile_table import TileRow, TileTable, describe_tile
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.tiles import NO_TILE
from cagecheck.report.colours import DEFECT_COLOURS, Rgb
from cagecheck.report.content import Column
from cagecheck.report.sheet import Picture, Sheet, SheetRow, SheetTable, sheet_html
from cagecheck.report.tile_pictures import draw_tiles, heat_uv
from cagecheck.words.numbers import count_text, figures
from cagecheck.words.sentences import count_words, names_words, percent_text

# Parts of one tile in turn; with more of them colours come again, and names tell.
PART_COLOURS: tuple[Rgb, ...] = tuple(c for c in DEFECT_COLOURS.values() if c != (0, 0, 0))
LIMITS = (
    "A face belongs to the tile of its UV centroid. Texels per unit hold for maps of the stated "
    "size; overlaps are counted twice in the share of a tile."
)
_TABLE = (
    Column("part"), Column("material"), Column("faces", True), Column("% of tile", True),
    Column("texels per unit", True), Column("least", True), Column("most", True),
)  # fmt: skip


def write_tile_page(
    low: LowPoly, table: TileTable, path: str | os.PathLike[str], *, force: bool = False
) -> Path:
    """Write a page of the tiles: a picture of each, and what lies there.

    Parameters
    ----------
    low : LowPoly
        The low poly, with UVs.
    table : TileTable
        What `tile_table` returns of it.
    path : str | os.PathLike[str]
        The file to write.
    force : bool, optional
        Replace a file that exists.

    Returns
    -------
    Path
        The file.
    """
    text = sheet_html(tile_sheet(low, table))
    with replace_file(path, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return Path(path)


def tile_sheet(low: LowPoly, table: TileTable) -> Sheet:
    """Return what the page holds."""
    colour_of = _part_colours(table)
    return Sheet(
        heading="UV tiles",
        title=low.mesh.source.name if low.mesh.source else "low poly",
        clean=not _troubles(table),
        verdict=tile_verdict(table),
        facts=(
            ("tiles", ", ".join(map(str, table.tiles)) or "none"),
            ("parts", count_text(len({row.part for row in table.rows}))),
            ("maps", f"{table.map_size} × {table.map_size} texels per tile"),
        ),
        pictures=tuple(_pictures(low, colour_of)),
        tables=tuple(_tables(table, colour_of)),
        limits=LIMITS,
    )


def _part_colours(table: TileTable) -> dict[tuple[int, str], Rgb]:
    """Return a colour for every part of a tile."""
    out = {}
    for tile in {row.tile for row in table.rows}:
        parts = dict.fromkeys(row.part for row in table.rows if row.tile == tile)
        for k, part in enumerate(parts):
            out[tile, part] = PART_COLOURS[k % len(PART_COLOURS)]
    return out


def _troubles(table: TileTable) -> list[str]:
    """Return what is wrong, in sentences."""
    out = []
    for faces, one, more in (
        (table.crossing, "crosses a tile’s border", "cross a tile’s border"),
        (table.outside, "lies outside the tiles", "lie outside the tiles"),
        (table.without_uv, "has no UVs", "have no UVs"),
    ):
        if len(faces):
            out.append(f"{count_words(len(faces), 'face')} {one if len(faces) == 1 else more}.")
    return out


def tile_verdict(table: TileTable) -> str:
    """Say whether every face lies on a tile, and how materials and tiles go together."""
    said = _troubles(table) or [
        f"Every face lies on one of {count_words(len(table.tiles), 'tile')}."
        if len(table.tiles) > 1
        else "Every face lies on one tile."
    ]
    for name, tiles in table.spanning_materials().items():
        said.append(f"Material {name} spans {len(tiles)} tiles: {', '.join(map(str, tiles))}.")
    for tile, names in table.mixed_tiles().items():
        said.append(f"Tile {tile} holds {len(names)} materials: {names_words(names)}.")
    return " ".join(said)


def _pictures(low: LowPoly, colour_of: dict[tuple[int, str], Rgb]) -> list[Picture]:
    heat = triangles_apart(low)
    uv, tile = heat_uv(low, heat)
    palette = {k: colour for k, colour in enumerate(PART_COLOURS)}
    code = np.full(len(low.triangles), CLEAN, np.uint8)
    for (number, part), colour in colour_of.items():
        if part in low.part_names:
            mine = (low.tile == number) & (low.triangle_part == low.part_names.index(part))
            code[mine] = PART_COLOURS.index(colour)
    none = np.zeros(len(low.triangles), np.uint16)
    return [
        Picture(
            picture.png(palette),
            f"tile {picture.tile}",
            f"What lies on tile {picture.tile}, coloured by part.",
        )
        for picture in draw_tiles(heat, uv, tile, code, none)
    ]


def _tables(table: TileTable, colour_of: dict[tuple[int, str], Rgb]) -> list[SheetTable]:
    out = []
    for tile in sorted({row.tile for row in table.rows}, key=lambda t: (t == NO_TILE, t)):
        rows = [row for row in table.rows if row.tile == tile]
        filled = percent_text(100 * sum(row.uv_area for row in rows))
        title = "Outside the tiles" if tile == NO_TILE else f"Tile {describe_tile(tile)}"
        note = f"{filled} % of the tile is filled." if tile != NO_TILE else ""
        cells = tuple(SheetRow(_cells(row), colour_of[tile, row.part]) for row in rows)
        out.append(SheetTable(title, _TABLE, cells, note))
    return out


def _cells(row: TileRow) -> tuple[str, ...]:
    known = (row.density, row.density_min, row.density_max)
    return (
        row.part,
        row.material,
        count_text(row.faces),
        percent_text(100 * row.uv_area),
        *(figures(value, 3) if np.isfinite(value) else "–" for value in known),
    )
