"""`cagecheck predict`: what a bake would record, and where that is wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from cagecheck.commands.options import HighPath, LowPath, Output, add_command
from cagecheck.commands.pairs import say_pairs
from cagecheck.commands.terminal import (
    EXIT_CLEAN,
    EXIT_DEFECTS,
    Terminal,
    place,
)
from cagecheck.defects.entries import Entry
from cagecheck.defects.headline import folded_words, headline
from cagecheck.defects.region_words import amount_words, size_words
from cagecheck.errors import InputError
from cagecheck.files import refuse_existing, refuse_results
from cagecheck.maps.high_normals import HighNormals
from cagecheck.meshes.mesh import Surface, scale_of
from cagecheck.meshes.pairs import Pairing
from cagecheck.options import MAPS, OUTPUT
from cagecheck.predicting.inputs import CageFiles, MeshOptions, read_cage, read_inputs
from cagecheck.predicting.maps.write_maps import MAP_KINDS, MapFiles, MapFormat
from cagecheck.predicting.next_steps import WayStep, way_words
from cagecheck.predicting.predict import predict
from cagecheck.predicting.preview import write_preview
from cagecheck.predicting.result import Prediction, prediction_document
from cagecheck.predicting.settings import HighShading, Settings
from cagecheck.predicting.write import write_prediction
from cagecheck.words.lengths import length_words, unit_note
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import count_words, names_words, sentence_case

MapsOption = Annotated[
    str | None,
    typer.Option(
        "--maps",
        help="Also write the maps that the bake would give, of --size texels: some of normal, "
        "object (object-space normals), height, part, material, defect, between commas.",
        metavar="KINDS",
        rich_help_panel=MAPS,
    ),
]
SupersampleOption = Annotated[
    int,
    typer.Option(
        "--supersample", help="Rays per texel of the maps: 1, 4 or 16.", metavar="N",
        rich_help_panel=MAPS,
    ),
]  # fmt: skip
PreviewOption = Annotated[
    Path | None,
    typer.Option(
        "--preview",
        help="Also draw the low poly lit with the maps that the bake would give, beside the high "
        "poly, as a PNG file.",
        metavar="FILE",
        rich_help_panel=OUTPUT,
    ),
]
# Notices of meshes that do not lie on each other: until that is mended, no cure below it counts.
MISFITS = ("scale-mismatch", "axis-mismatch")
# Entries that fit one screen; the files hold all of them.
ENTRIES_SHOWN = 15


def register(app: typer.Typer) -> None:
    """Add the `predict` command."""
    add_command(app, "predict", predict_command)


def predict_command(
    low: LowPath,
    high: HighPath,
    *,
    files: CageFiles,
    settings: Settings,
    reading: MeshOptions,
    maps: MapsOption = None,
    map_files: MapFiles,
    supersample: SupersampleOption = 1,
    shading: HighShading,
    preview: PreviewOption = None,
    output: Output,
) -> int:
    """Predict the artefacts of a bake before baking.

    Casts rays from the low poly through the cage, finds every surface they cross, and reports
    where the bake would miss, catch the wrong surface or slant. Exit code 0 when clean, 1 when
    defects are found, 2 when a file cannot be used.

    Example:
      cagecheck predict hero_low.obj hero_high.ply --offset 0.02 --out hero-check
    """
    terminal = Terminal(output.as_json)
    form = map_format(maps, map_files, low.stem) if maps else None
    if form is not None and output.out is None:
        raise InputError("--maps needs a folder to write to.", cure="Give --out.")
    refuse_results(output.out, "regions.json", output.force)
    if preview is not None:
        refuse_existing(preview, output.force)
    with terminal.progress() as progress:
        own_normals = shading.high_normals == "file"
        scene = read_inputs(low, high, reading, high_normals=own_normals, progress=progress)
        chosen, more = read_cage(
            scene.low, offset=settings.offset, push=files.push, cage=files.cage,
            directions=settings.directions, progress=progress,
        )  # fmt: skip
        result = predict(
            scene.low, scene.high, cage=chosen, paired=scene.pairing.matrix(), settings=settings,
            progress=progress,
        )  # fmt: skip
        result = replace(result, notices=(*scene.notices, *more, *result.notices), reading=reading)
        written: list[Path] = []
        if output.out:
            written = write_prediction(
                result, output.out, maps=form, supersample=supersample,
                high_normals=shading.high_normals, force=output.force, progress=progress,
            )  # fmt: skip
        if preview is not None:
            written.append(write_preview(result, preview, force=output.force, progress=progress))
    terminal.result(prediction_document(result))
    say_prediction(terminal, result, scene.pairing, in_files=output.out is not None)
    if form is not None:
        terminal.say(
            f"Maps show {_normals_used(shading.high_normals, scene.high)} of the high poly."
        )
    say_files(terminal, written, output.out)
    return EXIT_CLEAN if result.clean else EXIT_DEFECTS


def _normals_used(chosen: HighNormals, high: Surface) -> str:
    """Say what maps are shaded with; `file` without usable normals is smooth."""
    used = "smooth" if chosen == "file" and high.normals is None else chosen
    return {
        "file": "the own normals",
        "smooth": "smooth normals",
        "area": "smooth normals weighted by area",
        "face": "the face normals",
    }[used]


def map_format(kinds: str, files: MapFiles, asset: str) -> MapFormat:
    """Return the format of predicted maps; raise `InputError` for kinds and bits that are none."""
    names = [name.strip() for name in kinds.split(",")]
    for name in names:
        if name not in MAP_KINDS:
            raise InputError(
                f"“{name}” is no kind of map.", cure=f"Choose among {', '.join(MAP_KINDS)}."
            )
    chosen = tuple(kind for kind in MAP_KINDS if kind in names)
    return MapFormat(**vars(files), kinds=chosen, asset=asset).checked()


def say_prediction(
    terminal: Terminal, result: Prediction, pairing: Pairing | None, *, in_files: bool
) -> None:
    """Print a prediction: pairing, settings, totals, worst regions, verdict."""
    if terminal.as_json:
        return
    if pairing is not None:
        say_pairs(terminal, pairing)
    terminal.notices(result.notices)
    chosen = result.settings
    terminal.say(
        f"{count_text(len(result.points))} rays on "
        f"{count_text(result.scene.surface.triangle_count)} triangles; cage: "
        f"{result.cage.label}; depth {length_words(chosen.depth)}, reach "
        f"{length_words(chosen.reach)} ({unit_note(scale_of(result.low.mesh.source))}); "
        f"maps {chosen.map_size} square; engine: {result.engine}."
    )
    say_totals(terminal, result)
    terminal.say(headline(result.entries))
    say_entries(terminal, result.entries, result.ways, in_files=in_files)
    terminal.conclude(verdict(result))


def say_totals(terminal: Terminal, result: Prediction) -> None:
    """Print one row per defect."""
    mapped = bool((result.low.uv_area != 0).any())
    rows = [
        (t["name"], t["regions"], t["area"], t["percent"],
         round(t["texels"]) if mapped else None, round(t["texels_seen"]) if mapped else None)
        for t in result.totals()
    ]  # fmt: skip
    columns = ("defect", "regions", "area (sq. units)", "% of low poly", "texels", "of which show")
    terminal.table("Defects", columns, rows)


def say_entries(
    terminal: Terminal, entries: Sequence[Entry], ways: Sequence[WayStep], *, in_files: bool
) -> None:
    """Print what shows, by the way in which it is mended, in the order to see to it.

    in_files : whether the rest is in files that were written.
    """
    showing = [entry for entry in entries if entry.shows]
    shown = showing if terminal.verbose else showing[:ENTRIES_SHOWN]
    rest = "in the files" if in_files else "with --verbose"
    size = max((abs(x) for e in entries for x in e.first.centroid), default=0.0)
    for step in ways:
        mine = [entry for entry in shown if entry.way is step.way]
        left = sum(entry.way is step.way for entry in showing) - len(mine)
        terminal.say(f"{sentence_case(step.way.title)}: {way_words(step)}")
        if step.next:
            terminal.say(f"      next: {step.next}")
        for entry in mine:
            _say_entry(terminal, entry, size)
        if left:
            terminal.say(f"      and {count_text(left)} more of these {rest}")
    if folded := folded_words(entries):
        terminal.say(f"+ {folded}" if terminal.verbose else f"+ {folded} ({rest})")
    for entry in entries:
        if terminal.verbose and not entry.shows:
            _say_entry(terminal, entry, size)


def _say_entry(terminal: Terminal, entry: Entry, size: float) -> None:
    r = entry.first
    tile = f", tile {r.tile}" if r.tile else ""
    terminal.say(
        f"{r.number:>4}  {r.name} on {r.part}{tile}, at {place(r.centroid, size=size)}: "
        f"{size_words(r.to_dict())}"
    )
    if entry.others:
        terminal.say(f"      {others_words(entry)}")
    terminal.say(f"      cause: {r.cause}")
    terminal.say(f"      cure:  {first_words(entry)}{r.cure}")


def others_words(entry: Entry) -> str:
    """Say how many regions an entry has besides the first, in how many places, how large."""
    where = "" if entry.places > len(entry.others) else f", in {count_words(entry.places, 'place')}"
    size = amount_words(entry.texels, entry.area, entry.texels_seen, entry.area_seen)
    return f"and {count_text(len(entry.others))} more like it on this part{where}; together {size}"


def first_words(entry: Entry) -> str:
    """Say what must be mended before this entry, or nothing."""
    if not entry.see_first:
        return ""
    return f"after {names_words([str(n) for n in entry.see_first])}, which spoils the whole part: "


def verdict(result: Prediction) -> str:
    """Return the verdict in a sentence or two."""
    model = "Numbers hold for the stated rays and sampling; look at the bake all the same."
    if result.clean:
        return f"Clean: no defect found. {model}"
    first = result.entries[0].first
    regions = count_words(len(result.regions), "region")
    kinds = count_words(len({r.name for r in result.regions}), "kind")
    misfit = "".join(
        f"First see to this: {notice.text} {notice.cure} "
        for notice in result.notices
        if notice.code in MISFITS
    )
    return (
        f"{misfit}{regions} with {kinds} of defect; see to "
        f"this first: {first.name} on {first.part}. {model} `cagecheck tune` finds offsets per "
        "vertex."
    )


def say_files(terminal: Terminal, files: list[Path], out: Path | None) -> None:
    """Print what was written and what to do with it."""
    if not files:
        return
    terminal.say("Written: " + ", ".join(str(path) for path in files))
    if out is None:
        return
    terminal.say(f"Look at it: cagecheck view {quote(str(out))}")
