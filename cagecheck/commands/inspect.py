"""`cagecheck inspect`: what is wrong with the meshes before anything is baked."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from cagecheck.commands.options import LowPath, Output, add_command
from cagecheck.commands.pairs import say_pairs
from cagecheck.commands.terminal import EXIT_CLEAN, EXIT_DEFECTS, Terminal
from cagecheck.commands.terminal import place as spelled
from cagecheck.files import refuse_results
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.inspecting import Finding, Inspection, Place, inspect_low, inspect_pair, part_rows
from cagecheck.inspecting.finding import SEVERITIES
from cagecheck.inspecting.write import inspection_document, write_inspection
from cagecheck.maps.pad import needed_padding
from cagecheck.meshes.alignment import transform_surface
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Surface, scale_of
from cagecheck.meshes.pairs import Pairing, pair_parts
from cagecheck.meshes.tiles import NO_TILE
from cagecheck.options import MAPS, OUTPUT, again, option
from cagecheck.predicting.inputs import MeshOptions
from cagecheck.predicting.settings import Sampling
from cagecheck.words.lengths import unit_note
from cagecheck.words.numbers import count_text

_PLACES_SAID = 3
FailOn = Literal["error", "warning"]


def register(app: typer.Typer) -> None:
    """Add the `inspect` command."""
    add_command(app, "inspect", inspect)


@dataclass(frozen=True)
class Wanted:
    """What the maps will be like, and when the exit code is 1."""

    map_size: int = again(Sampling, "map_size", group=MAPS)
    padding: float | None = option(
        None, MAPS, "Wanted space between islands in texels (else one per 256 of --size).",
        metavar="TEXELS", least=0, in_help=True,
    )  # fmt: skip
    one_map: bool = option(False, MAPS, "All materials share one set of maps (else one each).")
    fail_on: FailOn = option("error", OUTPUT, "From which severity on the exit code is 1.")


def inspect(
    low: LowPath,
    high: Annotated[
        Path | None, typer.Argument(help="The high poly, if there is one yet.", metavar="HIGH")
    ] = None,
    *,
    wanted: Wanted,
    reading: MeshOptions,
    output: Output,
) -> int:
    """Inspect a low poly, and how a high poly fits it, before baking.

    Finds faults of topology, polygons, UVs, texel density, hard edges and parts; says where, how
    many, what each does to the bake and what to do. With --out a page, a picture and the whole as
    JSON. Exit code 0 when nothing is an error, 1 when something is (or a warning, with --fail-on
    warning), 2 when a file cannot be used.

    Example:
      cagecheck inspect hero_low.obj hero_high.ply --size 2048 --out inspected
    """
    terminal = Terminal(output.as_json)
    refuse_results(output.out, "inspect.html", output.force)
    size, one_map = wanted.map_size, wanted.one_map
    padding = float(needed_padding(size)) if wanted.padding is None else wanted.padding
    with terminal.progress() as progress:
        mesh = read_mesh(low, pose=reading.moment.pose(), progress=progress)
        prepared = prepare_low(mesh, rule=reading.normals, quads=reading.quads)
        surface: Surface | None = None
        pairing: Pairing | None = None
        if high is None:
            inspection = inspect_low(
                prepared, map_size=size, padding=padding, one_map=one_map, progress=progress
            )
        else:
            surface = transform_surface(
                read_surface(high, normals=False, pose=reading.moment.pose(), progress=progress),
                reading.high_scale,
                reading.high_axes,
            )
            pairing = pair_parts(
                prepared.part_names,
                surface.part_names,
                reading.pair or [],
                pairing=not reading.no_pairing,
            )
            inspection = inspect_pair(
                prepared,
                surface,
                pairing.matrix(),
                map_size=size,
                padding=padding,
                one_map=one_map,
                progress=progress,
            )
        files: list[Path] = []
        if output.out is not None:
            files = write_inspection(
                inspection, output.out, pairing=pairing, force=output.force, progress=progress
            )
    paths = {"low": str(low), "high": None if high is None else str(high)}
    written = {} if output.out is None else {"written": [str(path) for path in files]}
    pose = reading.moment.pose()
    posed = {} if pose is None else {"pose": pose.to_dict()}
    terminal.result(inspection_document(inspection, pairing) | paths | posed | written)
    _say(terminal, inspection, pairing, low, size)
    if files:
        terminal.say("Written: " + ", ".join(str(path) for path in files))
    failing = inspection.count("error")
    failing += inspection.count("warning") if wanted.fail_on == "warning" else 0
    return EXIT_DEFECTS if failing else EXIT_CLEAN


def _say(
    terminal: Terminal,
    inspection: Inspection,
    pairing: Pairing | None,
    low: Path,
    size: int,
) -> None:
    terminal.notices(inspection.notices)
    if pairing is not None:
        say_pairs(terminal, pairing)
    _say_parts(terminal, inspection, low, size)
    _say_materials(terminal, inspection)
    if not inspection.findings:
        terminal.conclude("Nothing found.")
        return
    verbose = terminal.verbose
    first = [f for f in inspection.findings if f.matters or verbose]
    if first:
        terminal.table(
            "Findings",
            ("severity", "found", "mesh", "count", "of", "parts"),
            [(f.severity, f.check.title, f.side, f.count, f.check.unit, _parts(f)) for f in first],
        )
    for finding in first:
        _say_finding(terminal, finding, inspection.low.diagonal())
    _say_often_meant(terminal, [f for f in inspection.findings if not (f.matters or verbose)])
    terminal.say()
    counts = ", ".join(f"{severity}: {inspection.count(severity)}" for severity in SEVERITIES)
    terminal.conclude(f"Kinds of findings: {counts}.")
    terminal.say(f"Normals: {inspection.low.normal_rule.describe()}.")
    terminal.say(f"Lengths are in {unit_note(scale_of(inspection.low.mesh.source))}.")


def _say_often_meant(terminal: Terminal, findings: list[Finding]) -> None:
    """Print one line for each finding that sound models have too."""
    if not findings:
        return
    terminal.say()
    terminal.say("Often meant, and then no fault (--verbose tells where, and what to do):")
    for f in findings:
        why = f" {f.check.often_meant}" if f.check.often_meant else ""
        terminal.say(f"  {f.check.title}: {f.amount}.{why}")


def _say_parts(terminal: Terminal, inspection: Inspection, low: Path, size: int) -> None:
    rows = [
        (
            row["part"],
            row["faces"],
            row["triangles"],
            ", ".join(map(str, row["tiles"])) or "none",
            row.get("texels_per_unit"),
            row.get("low_tenth"),
            row.get("high_tenth"),
            row.get("l2_stretch"),
        )
        for row in part_rows(inspection)
    ]
    terminal.table(
        f"Parts of {low.name} (texels per unit at {size} x {size}; stretch 1 is none)",
        ("part", "faces", "triangles", "tiles", "texels/unit", "a tenth below", "above", "stretch"),
        rows,
    )


def _say_materials(terminal: Terminal, inspection: Inspection) -> None:
    tiles = inspection.tiles
    if tiles is None or len({row.material for row in tiles.rows}) + len(tiles.tiles) <= 2:
        return
    held: dict[tuple[int, str], list[Any]] = {}
    for row in tiles.rows:
        held.setdefault((row.tile, row.material), []).append(row)
    terminal.table(
        "Tiles",
        ("tile", "material", "parts", "% of tile"),
        [
            (
                str(tile) if tile != NO_TILE else "none",
                material,
                ", ".join(dict.fromkeys(r.part for r in rows)),
                100 * sum(r.uv_area for r in rows),
            )
            for (tile, material), rows in sorted(held.items())
        ],
    )


def _parts(finding: Finding) -> str:
    names = sorted(finding.by_part, key=lambda n: -finding.by_part[n])
    told = names[:_PLACES_SAID]
    if finding.check.unit != "parts":
        told = [f"{n} ({count_text(finding.by_part[n])})" for n in told]
    more = f", and {len(names) - _PLACES_SAID} more" if len(names) > _PLACES_SAID else ""
    return ", ".join(told) + more


def _say_finding(terminal: Terminal, finding: Finding, size: float) -> None:
    terminal.say()
    terminal.say(f"{finding.severity.upper()} [{finding.check.code}] {finding.check.title}")
    terminal.say(f"  {finding.text}")
    said = finding.places if terminal.verbose else finding.places[:_PLACES_SAID]
    for place in said:
        terminal.say(f"  - {_place(place, finding.side, size)}")
    if finding.count > len(said) < len(finding.places):
        terminal.say("  - … (--verbose names more)")
    terminal.say(f"  Harm: {finding.check.harm}")
    terminal.say(f"  Cure: {finding.cure}")


def _place(place: Place, side: str, size: float) -> str:
    words = [] if place.part is None else [f"part {place.part}"]
    if place.faces:
        name = "triangle" if side == "high" else "face"
        many = "s" if len(place.faces) > 1 else ""
        words.append(f"{name}{many} {', '.join(map(str, place.faces))}")
    if place.tile is not None:
        words.append(f"tile {place.tile}")
    if place.position is not None:
        words.append(f"at {spelled(place.position, size=size)}")
    if place.note:
        words.append(place.note)
    return ", ".join(words)
