"""`cagecheck locate`: where and why a baked normal map is wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated

import typer

from cagecheck.commands.options import HighPath, LowPath, Output, add_command
from cagecheck.commands.predict import say_entries
from cagecheck.commands.terminal import EXIT_CLEAN, EXIT_DEFECTS, Terminal
from cagecheck.defects.headline import headline
from cagecheck.files import refuse_results
from cagecheck.locating.beside_maps import find_beside
from cagecheck.locating.locate import Location, locate
from cagecheck.locating.one_map import LocatedMap
from cagecheck.locating.page import depth_words, offset_words, totals
from cagecheck.locating.page import verdict as page_verdict
from cagecheck.locating.read_maps import find_maps, read_map
from cagecheck.locating.variants import LocateSettings
from cagecheck.locating.write import location_document, write_location
from cagecheck.maps.texels import tiles_touched
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.options import MAPS
from cagecheck.predicting.inputs import CageFiles, MeshOptions, read_cage, read_inputs
from cagecheck.rays.cage import Cage
from cagecheck.words.numbers import share_text


def register(app: typer.Typer) -> None:
    """Add the `locate` command."""
    add_command(app, "locate", locate_command)


def locate_command(
    maps: Annotated[
        str,
        typer.Argument(
            metavar="MAP", help="A normal map, a folder, or a pattern with {tile}, <UDIM> or *."
        ),
    ],
    low: LowPath,
    high: HighPath,
    beside: Annotated[
        list[str] | None,
        typer.Option(
            "--beside",
            metavar="KIND=MAP",
            rich_help_panel=MAPS,
            help="Another map of the same bake: object, height, position, part or occlusion. May "
            "repeat. Without KIND= its name says which.",
        ),
    ] = None,
    *,
    cages: CageFiles,
    settings: LocateSettings,
    reading: MeshOptions,
    output: Output,
) -> int:
    """Explain where a baked normal map is wrong, and why.

    First says how the map is to be read (tile, channels, basis). Then compares it, texel by texel,
    with every surface that its rays could have recorded, and says which one each bad place shows,
    what the bake's offset probably was, and what to do. Give the cage that it was baked with.
    Exit code 0 when nothing is wrong, 1 when something is, 2 when a file cannot be used.

    Example:
      cagecheck locate hero_normal.{tile}.png hero_low.obj hero_high.ply --out why
    """
    terminal = Terminal(output.as_json)
    refuse_results(output.out, "location.json", output.force)
    with terminal.progress() as progress:
        scene = read_inputs(low, high, reading, progress=progress)
        tiles = tiles_touched(scene.low)
        baked = [read_map(path, tile) for path, tile in find_maps(maps, tiles)]
        others = find_beside(beside or [], tiles)
        chosen, more = read_cage(
            scene.low, offset=settings.offset, push=cages.push, cage=cages.cage,
            directions=settings.directions, progress=progress,
        )  # fmt: skip
        maker: Callable[[LowPoly], Cage] | None = None
        if chosen is not None:

            def maker(variant: LowPoly) -> Cage:
                again, _ = read_cage(
                    variant, push=cages.push, cage=cages.cage, directions=settings.directions
                )
                assert again is not None
                return again

        result = locate(
            baked, scene.low.mesh, scene.high, cage=maker, paired=scene.pairing.matrix(),
            beside=others,
            settings=replace(settings, rule=reading.normals, quads=reading.quads),
            progress=progress,
        )  # fmt: skip
        result = replace(result, notices=(*scene.notices, *more, *result.notices))
        out = output.out
        files = write_location(result, out, force=output.force, progress=progress) if out else []
    terminal.result(location_document(result))
    say_location(terminal, result, in_files=bool(files))
    if files:
        terminal.say("Written: " + ", ".join(str(path) for path in files))
        terminal.say(f"Look at it: open {out / 'report.html'} in a browser." if out else "")
    return EXIT_CLEAN if result.clean else EXIT_DEFECTS


# Causes that the terminal lists without --verbose; the document holds all.
MOST_CAUSES = 5


def say_location(terminal: Terminal, result: Location, *, in_files: bool) -> None:
    """Print how the maps were read, what is wrong, the likely offset, the verdict."""
    if terminal.as_json:
        return
    terminal.notices(result.notices)
    for found in result.maps:
        _say_map(terminal, found)
    _say_offset(terminal, result)
    terminal.table(
        "Settings of the bake, as the maps tell them",
        ("setting", "value", "how sure"),
        [(s.name, s.value, s.sure) for s in result.bake],
    )
    if len(result.causes) > 1:
        terminal.say("What to mend first:")
        shown = result.causes if terminal.verbose else result.causes[:MOST_CAUSES]
        for number, cause in enumerate(shown, start=1):
            terminal.say(f"  {number}. [{cause.code}] {cause.text}; {cause.cure}.")
    rows = [
        (t["name"], t["regions"], t["texels"], t["texels_seen"], t["area"]) for t in totals(result)
    ]
    columns = ("fault", "regions", "texels", "of which show", "area (sq. units)")
    terminal.table("Faults", columns, rows)
    terminal.table(
        "Defects that rays of such a bake have, and what the maps show of them",
        ("defect", "texels", "of which show"),
        [(d.defect.title, round(d.texels), round(d.texels_seen)) for d in result.defects],
    )
    if result.regions:
        terminal.say(headline(result.entries))
    say_entries(terminal, result.entries, result.ways, in_files=in_files)
    terminal.conclude(verdict(result))


def _say_map(terminal: Terminal, found: LocatedMap) -> None:
    width, height = found.source.size
    reading = found.reading
    terminal.say(
        f"{found.source.name}: {width} x {height}, {found.source.depth_words}; read as tile "
        f"{reading.tile}, {reading.space} space, {reading.basis.describe()}; agreement "
        f"{share_text(reading.agreement)}"
    )
    for fault in found.conventions:
        terminal.say(f"  convention [{fault.code}]: {fault.text}; {fault.cure}.")
    if not found.conventions:
        terminal.say("  conventions: as glTF 2.0 has them (green up, MikkTSpace, linear values).")


def _say_offset(terminal: Terminal, result: Location) -> None:
    terminal.say(f"Offset of the bake: {offset_words(result.offset)}.")
    if (depth := depth_words(result.offset)) is not None:
        terminal.say(f"Depth of the bake: {depth}.")


def verdict(result: Location) -> str:
    """Return the verdict in a sentence or two."""
    if result.clean:
        return "Clean: every texel shows the surface that belongs to it. Look at it all the same."
    return f"{page_verdict(result)} Cures are proposals until a new bake shows them."
