"""`cagecheck tiles`: what lies on which UDIM tile; map names; materials per tile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from cagecheck.chores.materials.per_tile import (
    DEFAULT_NAMES,
    restore_tiles,
    write_tile_materials,
)
from cagecheck.chores.rename.apply import apply_renames, finish_renames, undo_renames
from cagecheck.chores.rename.journal import Journal
from cagecheck.chores.rename.plan import MapPlan, RenameOptions, RenamePlan, plan_renames
from cagecheck.commands.options import ForceFlag, JsonFlag, Output, add_command
from cagecheck.commands.terminal import EXIT_CLEAN, EXIT_DEFECTS, Terminal
from cagecheck.errors import InputError
from cagecheck.files import OutputFolder, refuse_results
from cagecheck.formats.read import read_mesh
from cagecheck.inspecting.tile_page import tile_verdict, write_tile_page
from cagecheck.inspecting.tile_table import TileTable, describe_tile, tile_table
from cagecheck.maps.map_names import DEFAULT_PATTERN
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.tiles import NO_TILE
from cagecheck.options import MAPS, OUTPUT, again
from cagecheck.predicting.settings import Sampling
from cagecheck.words.numbers import count_text, figures

LowArgument = Annotated[Path, typer.Argument(help="The low poly, with UVs.", metavar="LOW")]


@dataclass(frozen=True)
class MapSize:
    """The size that texel densities are for."""

    map_size: int = again(Sampling, "map_size", group=MAPS, help="The maps are N x N texels.")


_FACES_NAMED = 5


def register(app: typer.Typer) -> None:
    """Add the `tiles` commands."""
    tiles = typer.Typer(
        help="UDIM tiles: what lies where, names of maps, materials per tile.",
        no_args_is_help=True,
    )
    add_command(tiles, "show", show)
    add_command(tiles, "rename", rename)
    add_command(tiles, "materials", materials)
    app.add_typer(tiles, name="tiles")


def show(low: LowArgument, maps: MapSize, output: Output) -> int:
    """Show what lies on which tile: parts, materials, area.

    With the texel density of each part on it; with --out also a page with a picture of every tile.
    Exit code 1 when faces cross tile borders, lie outside the tiles or have no UVs.

    Example:
      cagecheck tiles show hero_low.obj --size 2048 --out tiles
    """
    terminal, size = Terminal(output.as_json), maps.map_size
    refuse_results(output.out, "tiles.html", output.force)
    mesh = _read_low(low)
    table = tile_table(mesh, size)
    files: list[Path] = []
    if output.out is not None:
        with OutputFolder(output.out, force=output.force) as folder:
            write_tile_page(mesh, table, folder.add("tiles.html"))
        files = folder.paths()
    written = {"written": [str(path) for path in files]} if files else {}
    terminal.result(table.to_dict() | written)
    terminal.say(f"{low.name}: texels per unit at {size} x {size}")
    _say_tiles(terminal, table)
    _say_troubles(terminal, table)
    if files:
        terminal.say("Written: " + ", ".join(str(path) for path in files))
    terminal.conclude(tile_verdict(table))
    troubled = len(table.crossing) + len(table.outside) + len(table.without_uv)
    return EXIT_DEFECTS if troubled else EXIT_CLEAN


def rename(
    folder: Annotated[Path, typer.Argument(help="The folder of baked maps.", metavar="FOLDER")],
    mesh: Annotated[
        Path | None, typer.Option("--mesh", help="The low poly, with UVs.", metavar="FILE")
    ] = None,
    pattern: Annotated[
        str,
        typer.Option(metavar="PATTERN", help="New names: {asset} {map} {tile} {material} {ext}."),
    ] = DEFAULT_PATTERN,
    asset: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The asset's name; by default the mesh's file name."),
    ] = None,
    kind: Annotated[
        str | None,
        typer.Option(metavar="KIND", help="The kind of map for files whose names tell no other."),
    ] = None,
    tile: Annotated[
        list[str] | None,
        typer.Option(metavar="FILE=TILE", help="Set a file's tile by hand. May repeat."),
    ] = None,
    compose: Annotated[
        bool, typer.Option("--compose", help="Join maps of several materials on one tile.")
    ] = False,
    names_only: Annotated[
        bool, typer.Option("--names-only", help="Do not look into the pictures.")
    ] = False,
    apply: Annotated[
        bool, typer.Option("--apply", help="Rename. Without it the plan is only shown.")
    ] = False,
    finish: Annotated[
        bool, typer.Option("--finish", help="Finish a renaming that was interrupted.")
    ] = False,
    undo: Annotated[
        bool, typer.Option("--undo", help="Bring the old names back (the newest renaming).")
    ] = False,
    as_json: JsonFlag = False,
) -> int:
    """Give baked maps their tile numbers and names.

    A number in a file's name tells its tile, else the part or material named there, else content.
    Shows the plan and changes nothing, unless --apply is passed. Exit code 1 when a map stays
    unclear or would get another's name.

    Example:
      cagecheck tiles rename bakes --mesh hero_low.obj --apply
    """
    if sum((apply, finish, undo)) > 1:
        raise InputError("--apply, --finish and --undo exclude each other.")
    terminal = Terminal(as_json)
    if finish or undo:
        return _say_journal(terminal, finish_renames(folder) if finish else undo_renames(folder))
    if mesh is None:
        raise InputError("the mesh is missing.", cure="Pass --mesh LOW.")
    options = RenameOptions(
        pattern=pattern,
        asset=asset,
        kind=kind,
        given=_given_tiles(tile or []),
        compose=compose,
        content=not names_only,
    )
    low = _read_low(mesh)
    with terminal.progress() as progress:
        plan = plan_renames(folder, low, options, progress=progress)
        journal = apply_renames(plan, low, progress=progress) if apply else None
    _say_plan(terminal, plan, journal, apply)
    return EXIT_DEFECTS if plan.of("unclear", "clash") else EXIT_CLEAN


def materials(
    mesh: LowArgument,
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            metavar="FILE",
            help="The mesh to write (OBJ, GLB), or layer (USD).",
            rich_help_panel=OUTPUT,
        ),
    ],
    names: Annotated[
        str,
        typer.Option(metavar="PATTERN", help="Names of the materials: {asset} {tile} {material}."),
    ] = DEFAULT_NAMES,
    asset: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The asset's name; by default the mesh's file name."),
    ] = None,
    first_tile: Annotated[
        bool, typer.Option("--first-tile", help="Move all UVs into tile 1001; writes a record.")
    ] = False,
    restore: Annotated[
        Path | None, typer.Option(help="Move UVs back by this record.", metavar="FILE")
    ] = None,
    force: ForceFlag = False,
    as_json: JsonFlag = False,
) -> int:
    """Write the mesh with one material per tile.

    Everything else stays as it is.
    Of USD scenes a layer with the bindings is written (extra usd), without --first-tile.
    FBX, PLY and STL are not written: export the mesh as OBJ or GLB.

    Examples:
      cagecheck tiles materials hero.obj --out tiles.obj --first-tile;
      cagecheck tiles materials tiles.obj --restore tiles.json --out back.obj
    """
    terminal = Terminal(as_json)
    if restore is not None and first_tile:
        raise InputError("--restore and --first-tile exclude each other.")
    if restore is not None:
        result = restore_tiles(mesh, restore, out, force=force)
    else:
        result = write_tile_materials(
            mesh, out, names=names, asset=asset, to_first_tile=first_tile, force=force
        )
    terminal.result(result.to_dict())
    terminal.notices(result.notices)
    for material in result.materials:
        terminal.say(
            f"  {material.tile}  {material.name}  (was {', '.join(material.replaces) or 'none'})"
        )
    terminal.conclude("Wrote " + ", ".join(str(path) for path in result.files))
    return EXIT_CLEAN


def _read_low(path: Path) -> LowPoly:
    return prepare_low(read_mesh(path))


def _say_tiles(terminal: Terminal, table: TileTable) -> None:
    """Print a table per tile; a column for the material only where there are several."""
    materials = table.materials_of_tile()
    for tile in sorted({row.tile for row in table.rows}, key=lambda tile: (tile == NO_TILE, tile)):
        rows = [row for row in table.rows if row.tile == tile]
        held = materials.get(tile, tuple({row.material for row in rows}))
        filled = 100 * sum(row.uv_area for row in rows)
        several = len(held) > 1
        head = "outside the tiles" if tile == NO_TILE else describe_tile(tile)
        terminal.table(
            f"{head}: {len(held)} materials" if several else f"{head}: {held[0]}",
            ("part", *(["material"] if several else []), "faces", "% of tile", "texels/unit",
             "least", "most"),
            [
                (
                    row.part,
                    *([row.material] if several else []),
                    row.faces,
                    100 * row.uv_area,
                    row.density,
                    row.density_min,
                    row.density_max,
                )
                for row in rows
            ],
        )  # fmt: skip
        terminal.say(f"  {figures(filled, 3)} % of the tile (overlaps counted twice)")


def _say_troubles(terminal: Terminal, table: TileTable) -> None:
    for faces, what, cure in (
        (table.crossing, "cross a tile border", "Move their UVs into one tile."),
        (table.outside, "lie outside the tiles", "Move their UVs to u 0-10 and v 0 and up."),
        (table.without_uv, "have no UVs", "Unwrap them."),
    ):
        if len(faces):
            named = faces if terminal.verbose else faces[:_FACES_NAMED]
            some = ", ".join(map(str, named))
            more = ", ..." if len(faces) > len(named) else ""
            terminal.say(f"{count_text(len(faces))} faces {what} (face {some}{more}). {cure}")
    for name, tiles in table.spanning_materials().items():
        terminal.say(f"material {name} spans {len(tiles)} tiles: {', '.join(map(str, tiles))}")
    for number, names in table.mixed_tiles().items():
        terminal.say(
            f"tile {describe_tile(number)} holds {len(names)} materials: " + ", ".join(names)
        )


def _given_tiles(pairs: Sequence[str]) -> dict[str, int]:
    out = {}
    for pair in pairs:
        name, _, number = pair.rpartition("=")
        if not name or not number.isdecimal():
            raise InputError(f"--tile {pair} cannot be read.", cure="Write --tile FILE=1002.")
        out[name] = int(number)
    return out


def _say_plan(terminal: Terminal, plan: RenamePlan, journal: Journal | None, apply: bool) -> None:
    terminal.result(
        plan.to_dict() | {"applied": journal is not None, "journal": _journal_path(journal)}
    )
    for entry in plan.maps:
        terminal.say(_plan_line(entry))
    changing = len(plan.of("rename", "compose"))
    left = len(plan.of("unclear", "clash"))
    if journal is not None:
        terminal.conclude(f"Done: {changing} maps. --undo brings the old names back.")
    elif not changing:
        terminal.conclude("Nothing to rename.")
    elif not apply:
        terminal.conclude(
            f"{changing} maps would change. Nothing was changed; pass --apply to do it."
        )
    if left:
        terminal.conclude(f"{left} maps were left alone. Set a tile by hand with --tile FILE=1002.")


def _plan_line(entry: MapPlan) -> str:
    """Say one map's plan on one line, with names whole so that they can be read and copied."""
    if entry.action in ("rename", "compose"):
        joined = " (joined)" if entry.action == "compose" else ""
        return f"  {entry.source} -> {entry.target}{joined}  [{entry.tile}: {entry.reason}]"
    if entry.action == "keep":
        return f"  {entry.source}  has its name already"
    return f"  {entry.source}  {entry.action}: {entry.reason}"


def _say_journal(terminal: Terminal, journal: Journal) -> int:
    terminal.result(
        {
            "state": journal.state,
            "journal": _journal_path(journal),
            "moves": [vars(move) for move in journal.moves],
        }
    )
    renamed = sum(move.source is not None for move in journal.moves)
    made = len(journal.moves) - renamed
    if journal.state == "undone":
        terminal.conclude(
            f"{renamed} files are back at their old names; {made} joined maps removed."
        )
    else:
        terminal.conclude(f"{renamed} files are at their new names; {made} joined maps made.")
    return EXIT_CLEAN


def _journal_path(journal: Journal | None) -> str | None:
    return None if journal is None else str(journal.path)
