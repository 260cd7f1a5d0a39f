"""`cagecheck tune`: offsets per vertex, checked by casting again."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, replace
from pathlib import Path
from shlex import quote
from typing import Annotated, Any

import numpy as np
import typer

from cagecheck.arrays.types import Floats
from cagecheck.commands.options import HighPath, LowPath, Output, add_command
from cagecheck.commands.terminal import (
    EXIT_CLEAN,
    EXIT_DEFECTS,
    Terminal,
)
from cagecheck.errors import InputError, Notice
from cagecheck.files import refuse_existing
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import scale_of
from cagecheck.options import MAPS, OFFSETS, OUTPUT, again, flags_given
from cagecheck.predicting.inputs import CageFiles, MeshOptions, read_cage, read_inputs
from cagecheck.predicting.settings import Settings
from cagecheck.progress import Progress
from cagecheck.rays.cage import Cage, cage_from_offset
from cagecheck.tuning.carried import carried_cage
from cagecheck.tuning.conflicts import Conflict, explain_conflicts
from cagecheck.tuning.kept_offsets import kept_offsets
from cagecheck.tuning.single import SingleNumber, single_numbers, uniform_prediction
from cagecheck.tuning.straighten.straighten import Straightening, straighten
from cagecheck.tuning.tune import TuneSettings, Tuning, tune
from cagecheck.tuning.words import (
    assurance_words,
    deep_words,
    harm_words,
    nought,
    places_words,
    plain_length,
    range_words,
    steady_words,
    straightening_words,
    texel_words,
)
from cagecheck.tuning.write import FIELD_KINDS, FieldKind, tuning_document, write_tuning
from cagecheck.words.lengths import length_words, unit_note
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import count_words

# Corridors come from this many samples at first; the check adds where they were too few.
TUNE_SAMPLES = 200_000
SINGLES_SHOWN = 30

KeepOption = Annotated[
    list[str] | None,
    typer.Option(
        "--keep",
        metavar="WHAT",
        help="What stays as --cage, --push or --offset has it: part:NAME, material:NAME, or a CSV "
        "with the columns vertex and offset_out (empty: as the cage has it). May repeat.",
        rich_help_panel=OFFSETS,
    ),
]
FromOption = Annotated[
    Path | None,
    typer.Option(
        "--from",
        metavar="FOLDER",
        help="Begin from what an earlier tune wrote, carried over to the low poly as it is now: "
        "only what the check finds wrong changes.",
        rich_help_panel=OFFSETS,
    ),
]
AfreshFlag = Annotated[
    bool,
    typer.Option(
        "--afresh",
        help="Compare with --cage or --push only; else tuning begins from it and changes only "
        "what the check finds wrong.",
        rich_help_panel=OFFSETS,
    ),
]
CopyCageFlag = Annotated[
    bool,
    typer.Option(
        "--copy-cage",
        help="Write the cage of a USD low poly as a copy of its file with only points changed, not "
        "as a layer over it.",
        rich_help_panel=OUTPUT,
    ),
]
StraightenFlag = Annotated[
    bool,
    typer.Option(
        "--straighten", help="Also find where turning rays towards the faces cures skew.",
        rich_help_panel=OFFSETS,
    ),
]  # fmt: skip
MapsOption = Annotated[
    str | None,
    typer.Option(
        "--maps",
        metavar="KINDS",
        help="Also write greyscale maps of --size texels, one per tile: offset, depth (how far "
        "inward), or both with a comma between. --straighten writes its map unasked.",
        rich_help_panel=MAPS,
    ),
]


@dataclass(frozen=True)
class TuneRays(Settings):
    """The settings of a prediction as `tune` begins with them."""

    samples: int = again(Settings, "samples", default=TUNE_SAMPLES)
    texels: int | None = again(
        Settings,
        "texels",
        help="Make the offsets hold at the centre of every texel of N x N maps, one per tile: "
        "about --samples of them are samples from the start, and all are checked.",
    )
    unseen_points: int = 0


def register(app: typer.Typer) -> None:
    """Add the `tune` command."""
    add_command(app, "tune", tune_command)


def tune_command(
    low: LowPath,
    high: HighPath,
    *,
    files: CageFiles,
    settings: TuneRays,
    tuning: TuneSettings,
    keep: KeepOption = None,
    earlier: FromOption = None,
    afresh: AfreshFlag = False,
    straightened: StraightenFlag = False,
    reading: MeshOptions,
    maps: MapsOption = None,
    copy_cage: CopyCageFlag = False,
    output: Output,
) -> int:
    """Find cage offsets per vertex, and check them by casting.

    They remove what offsets can remove; what they cannot is said. From --cage, --push or --from
    tuning begins, and changes only what is wrong. The cage to compare with is that one or --offset
    (else one offset from the scene). Exit code 0 when the check finds no miss and no overshoot,
    1 when any is left, 2 when a file cannot be used.

    Example:
      cagecheck tune hero_low.obj hero_high.ply --out hero-cage
    """
    terminal = Terminal(output.as_json)
    kinds = parse_kinds(maps)
    if kinds and output.out is None:
        raise InputError("--maps needs a folder to write to.", cure="Add --out FOLDER.")
    if output.out is not None:
        refuse_existing(output.out / "push.json", output.force)  # before the work, not after it
    with terminal.progress() as progress:
        scene = read_inputs(low, high, reading, progress=progress)
        chosen, more = _beginning(scene.low, settings, files, earlier, progress)
        result = tune(
            scene.low, scene.high, paired=scene.pairing.matrix(), settings=settings, cage=chosen,
            start=None if afresh else chosen, tuning=tuning,
            keep=_kept(keep, scene.low, settings, chosen), progress=progress,
        )  # fmt: skip
        result = replace(
            result,
            notices=(*scene.notices, *more, *result.notices),
            after=replace(result.after, reading=reading),
        )
        numbers = _numbers(result, progress)
        turned = straighten(result, progress=progress) if straightened else None
        conflicts = explain_conflicts(result, progress=progress)
        written = []
        if output.out is not None:
            written = write_tuning(
                result, numbers, output.out, straightening=turned, conflicts=conflicts, maps=kinds,
                copy_cage=copy_cage, force=output.force, progress=progress,
            )  # fmt: skip
    terminal.result(tuning_document(result, numbers, straightening=turned, conflicts=conflicts))
    say_tuning(terminal, result, numbers)
    say_conflicts(terminal, conflicts)
    if turned is not None:
        say_straightening(terminal, turned)
    if written:
        terminal.say("Written: " + ", ".join(str(path) for path in written))
        say_check(terminal, low, high, reading, written, result.depth)
    return EXIT_CLEAN if result.clean else EXIT_DEFECTS


def _beginning(
    low: LowPoly, settings: Settings, files: CageFiles, earlier: Path | None, progress: Progress
) -> tuple[Cage | None, tuple[Notice, ...]]:
    """Return the cage that tuning begins from or is compared with, None for a single distance."""
    if earlier is None:
        return read_cage(
            low, offset=settings.offset, push=files.push, cage=files.cage,
            directions=settings.directions, progress=progress,
        )  # fmt: skip
    if not (settings.offset is files.push is files.cage is None):
        raise InputError(
            "--from and one of --offset, --push and --cage name more than one cage.",
            cure="Give only one of them.",
        )
    return carried_cage(low, earlier, settings.directions)


def say_check(
    terminal: Terminal,
    low: Path,
    high: Path,
    reading: MeshOptions,
    files: list[Path],
    depth: float,
) -> None:
    """Print the command that predicts the tuned bake; its depth is rounded up, not down."""
    cage = next((path for path in files if path.stem == "cage"), None)
    how = ["--push", str(files[0].parent / "push.json")] if cage is None else ["--cage", str(cage)]
    step = 10.0 ** (np.floor(np.log10(depth)) - 3) if depth > 0 else 1.0
    deep = length_words(np.ceil(depth / step) * step)
    words = [str(low), str(high), *flags_given(reading), *how]
    terminal.say(f"Check it: cagecheck predict {' '.join(map(quote, words))} --depth {deep}")


def parse_kinds(text: str | None) -> tuple[FieldKind, ...]:
    """Return the kinds of maps that --maps names, in the order in which they are written."""
    if text is None:
        return ()
    named = {word.strip() for word in text.split(",")}
    unknown = sorted(named - set(FIELD_KINDS))
    if unknown:
        raise InputError(
            f"--maps knows {' and '.join(FIELD_KINDS)}, not {unknown[0]!r}.",
            cure="The size of the maps is --size.",
        )
    return tuple(kind for kind in FIELD_KINDS if kind in named)


def _kept(
    keep: list[str] | None, low: LowPoly, settings: Settings, cage: Cage | None
) -> Floats | None:
    if not keep:
        return None
    if cage is None and settings.offset is not None:
        cage = cage_from_offset(low, settings.offset, settings.directions)
    return kept_offsets(keep, low, cage, settings.directions)


def _numbers(result: Tuning, progress: Progress) -> list[SingleNumber]:
    uniform = uniform_prediction(result.before, progress)
    return single_numbers(uniform, result.margin, result.limit, result.depth)


def say_conflicts(terminal: Terminal, conflicts: tuple[Conflict, ...]) -> None:
    """Print what no offset cures, and the change that helped most when it was applied."""
    groups: dict[tuple[Hashable, ...], list[Conflict]] = {}
    for c in conflicts:
        kind = c.best.kind if c.best else None
        groups.setdefault((c.name, c.part, c.own, c.other, c.reason.code, kind), []).append(c)
    rows = []
    for alike in groups.values():
        c, best = alike[0], [other.best for other in alike if other.best is not None]
        before, after = sum(b.wrong_before for b in best), sum(b.wrong_after for b in best)
        more = f" (and {count_text(len(alike) - 1)} more)" if len(alike) > 1 else ""
        effect = f"{count_text(before)} to {count_text(after)} wrong" if best else "-"
        rows.append((f"{c.number}{more}", c.name, c.part, c.why, c.best_words, effect))
    if rows:
        terminal.table(
            "What the tuned cage leaves, and what was tried",
            ("no.", "defect", "part", "why", "best change", "when applied"),
            rows,
        )


def say_straightening(terminal: Terminal, turned: Straightening) -> None:
    """Print what rays turned by the map or per vertex, and the moved cage, change."""
    terminal.table(
        "Straightening, on new samples",
        ("defect", "% tuned", "% by map", "% by vertex", "% moved cage"),
        [(r["name"], r["percent_before"], r["percent_map"], r["percent_vertices"],
          r["percent_cage"]) for r in turned.table()],
    )  # fmt: skip
    for sentence in straightening_words(turned):
        terminal.say(sentence)


def say_tuning(terminal: Terminal, result: Tuning, numbers: list[SingleNumber]) -> None:
    """Print a tuning: settings, before and after, what the check is worth, single numbers."""
    terminal.notices(result.notices)
    used = result.offset_out[np.unique(result.low.triangles)]
    margin, held = result.margin, int(result.kept.sum())
    kept = f"; {count_words(held, 'vertex', 'vertices')} kept" if held else ""
    terminal.say(
        f"Offsets {range_words(used, margin)}; margin {length_words(margin)}; depth "
        f"{plain_length(result.depth, margin)} ({unit_note(scale_of(result.low.mesh.source))})"
        f"{kept}. Solver: {result.solver}."
    )
    rows: list[tuple[Any, ...]] = [
        (r["name"], r["percent_before"], r["percent_after"], round(r["texels_before"]),
         round(r["texels_after"]))
        for r in result.table()
    ]  # fmt: skip
    terminal.table(
        "Before and after, on samples not used for solving",
        ("defect", "% before", "% after", "texels before", "texels after"),
        rows,
    )
    shown = numbers if terminal.verbose else numbers[:SINGLES_SHOWN]
    more = len(numbers) - len(shown)
    terminal.table(
        "One number instead" + (f" ({more} more in single.csv)" if more else ""),
        ("scope", "name", "offset", "depth", "% missed", "% overshot", "% without surface", "harm"),
        [
            (
                n.scope,
                n.name,
                *(nought(x, margin) if n.bare < 100 else None for x in (n.offset_out, n.offset_in)),
                n.missed,
                n.overshot,
                n.bare,
                round(n.harm),
            )
            for n in shown
        ],
    )
    said = verdict(result)
    terminal.conclude(said[0])
    for sentence in said[1:]:
        terminal.say(sentence)


def verdict(result: Tuning) -> list[str]:
    """Return what holds now, in sentences."""
    out = [
        assurance_words(result),
        places_words(result),
        *filter(None, [harm_words(result), deep_words(result)]),
    ]
    texels = texel_words(result)
    if texels is not None:
        out.append(texels)
    folded = int(result.shell.folded.sum())
    if folded:
        out.append(
            f"{count_text(folded)} triangles of the shell fold; what they bend counts in what is "
            "seen."
        )
    out.append(steady_words(result))
    out.append("The check casts the rays that a bake would; look at the bake all the same.")
    return out
