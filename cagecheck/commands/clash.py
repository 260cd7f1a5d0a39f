"""`cagecheck clash`: parts that pass through each other, frame by frame."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from cagecheck.chores.clash.find import Clash, Clashes
from cagecheck.chores.clash.over_frames import ClashFiles, find_clash_frames
from cagecheck.chores.clash.page import clash_verdict
from cagecheck.commands.options import ForceFlag, JsonFlag, add_command
from cagecheck.commands.terminal import EXIT_CLEAN, EXIT_DEFECTS, Terminal, place
from cagecheck.errors import InputError
from cagecheck.files import refuse_results
from cagecheck.mending.over_files import mend_found
from cagecheck.mending.page import proposal_verdict
from cagecheck.mending.result import Mending
from cagecheck.mending.settings import MendSettings
from cagecheck.meshes.pose import Pose
from cagecheck.options import MENDING, OUTPUT
from cagecheck.words.lengths import metric_hint
from cagecheck.words.numbers import count_text, readable
from cagecheck.words.sentences import names_words, percent_text

_MOST_ROWS = 40


def register(app: typer.Typer) -> None:
    """Add the `clash` command."""
    add_command(app, "clash", clash)


def clash(
    meshes: Annotated[
        list[Path], typer.Argument(help="One mesh per frame (or layers).", metavar="MESH...")
    ],
    together: Annotated[
        bool, typer.Option("--together", help="The meshes are layers of one scene, not frames.")
    ] = False,
    with_: Annotated[
        list[Path] | None,
        typer.Option(
            "--with", metavar="FILE", help="A mesh that stands in every frame. May repeat."
        ),
    ] = None,
    pieces: Annotated[
        bool, typer.Option("--pieces", help="Take every connected piece as a part.")
    ] = False,
    frames: Annotated[
        str | None,
        typer.Option(
            "--frames",
            metavar="A:B:STEP",
            help="Frames of glTF and USD files that move (0:120:5); the meshes are one scene.",
        ),
    ] = None,
    animation: Annotated[
        str | None,
        typer.Option("--animation", metavar="NAME", help="Which, if a glTF file holds several."),
    ] = None,
    rate: Annotated[
        float,
        typer.Option(
            "--rate", metavar="R", help="Frames a second, for glTF, which counts seconds."
        ),
    ] = Pose.rate,
    ignore: Annotated[
        float | None,
        typer.Option(metavar="LENGTH", help="Depth up to which parts count as only touching."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Folder for a page, heat-map meshes, CSV and JSON.",
            rich_help_panel=OUTPUT,
        ),
    ] = None,
    mend: Annotated[
        Path | None,
        typer.Option(
            "--mend",
            metavar="FOLDER",
            help="Move the outer part out of what it clashes with; folder for the mended meshes.",
            rich_help_panel=MENDING,
        ),
    ] = None,
    rest: Annotated[
        list[Path] | None,
        typer.Option(
            "--rest",
            metavar="FILE",
            help="A mesh of the frames in a pose without clashes. May repeat.",
            rich_help_panel=MENDING,
        ),
    ] = None,
    *,
    mending: MendSettings,
    force: ForceFlag = False,
    as_json: JsonFlag = False,
) -> int:
    """Find parts that pass through each other: where and how deep.

    With --mend they are moved apart; the files it writes are a proposal to look at. Exit code 1
    when surfaces cross in any frame, and with --mend when any cross still. Parts wholly inside
    another are listed, but may be meant (an eye in its socket). Parts are not checked against
    themselves.

    Examples:
      cagecheck clash walk_*.obj --with body.obj --out clashes;
      cagecheck clash hero.glb --frames 0:120:5 --animation walk --mend mended
    """
    terminal = Terminal(as_json)
    if mend is None and (rest or mending != MendSettings()):
        raise InputError(
            "options of mending are given, but not where the mended meshes go.",
            cure="Name a folder with `mend`.",
        )
    if mend is not None and pieces:
        raise InputError("`mend` moves parts by name and takes no `pieces`.")
    refuse_results(mend, "mend.json", force)
    files = ClashFiles(tuple(meshes), tuple(with_ or []), together, frames, animation, rate)
    mended = None
    with terminal.progress() as progress:
        found = find_clash_frames(
            files,
            ignore=ignore,
            pieces=pieces,
            out=out,
            keep=mend is not None,
            force=force,
            progress=progress,
        )
    results, document, paths = found.results, found.document, list(found.written)
    if mend is not None:
        with terminal.progress() as progress:
            more, mended = mend_found(
                found,
                mend,
                mending,
                rest=rest or [],
                ignore=ignore,
                force=force,
                progress=progress,
            )
        paths += more
        document = document | {"mending": mended.to_dict()}
    terminal.result(document | {"written": [str(path) for path in paths]})
    _say(terminal, results, paths if mended is None else [])
    if mended is not None:
        _say_mended(terminal, mended, [name for name, _ in results], paths)
        return EXIT_DEFECTS if any(frame.after for frame in mended.frames) else EXIT_CLEAN
    return EXIT_DEFECTS if any(found.passing for _, found in results) else EXIT_CLEAN


def _say(terminal: Terminal, results: Sequence[tuple[str, Clashes]], files: Sequence[Path]) -> None:
    rows = [(name, hit) for name, found in results for hit in found.found]
    if rows:
        size = max(found.frame.size for _, found in results)
        _say_rows(terminal, rows, size, results[0][1].metres_per_unit)
    for name, found in results:
        if found.open_parts:
            terminal.say(
                f"{name}: these parts are open, so nothing counts as inside them: "
                f"{names_words(found.open_parts)}. Between two open parts depth is an estimate."
            )
    terminal.conclude(clash_verdict(results))
    if files:
        terminal.say("Wrote " + ", ".join(str(path) for path in files))


def _say_mended(
    terminal: Terminal, mended: Mending, names: Sequence[str], files: Sequence[Path]
) -> None:
    if not any(frame.before for frame in mended.frames):
        terminal.say("Nothing was moved.")
    else:
        terminal.say(
            f"Moved {names_words(mended.outer)}; gap {readable(mended.gap)} ({mended.gap_reason})."
        )
    for name, frame in zip(names, mended.frames, strict=True):
        if not frame.before and not frame.moved.any():
            continue
        terminal.say(
            f"{name}: depth {readable(frame.depth_before)} before, "
            f"{readable(frame.depth_after)} after; largest move {readable(frame.largest_move)}, "
            f"largest stretch {percent_text(100 * frame.largest_stretch)} %"
        )
        for one in frame.not_mended:
            terminal.say(f"{name}: not mended, left as it was: {one.reason}.")
    if mended.over_time is not None:
        how = {"one": "one displacement for all frames", "smooth": "smooth in time"}
        words = how.get(mended.over_time, mended.over_time)
        terminal.say(f"Frames: {words}; flicker {readable(mended.flicker)}.")
    terminal.conclude(proposal_verdict(mended))
    terminal.say("Wrote " + ", ".join(str(path) for path in files))


def _say_rows(
    terminal: Terminal, rows: Sequence[tuple[str, Clash]], size: float, metres: float | None
) -> None:
    """Print a line per pair of parts, the deepest place; depths are in file units."""
    pairs: dict[tuple[str, frozenset[tuple[int, str]]], list[Clash]] = {}
    for name, hit in rows:
        parts = frozenset({(hit.mesh, hit.part), (hit.other_mesh, hit.other)})
        pairs.setdefault((name, parts), []).append(hit)
    most = len(pairs) if terminal.verbose else _MOST_ROWS
    for (name, _), hits in list(pairs.items())[:most]:
        hit = hits[0]
        depth = "an unknown depth"
        if hit.depth is not None:
            depth = readable(hit.depth) + metric_hint(hit.depth, metres)
        how = {
            "through": "passes {depth} deep into",
            "inside": "lies wholly inside, up to {depth} deep,",
            "sheets": "passes through the open sheet, by about {depth},",
        }[hit.kind].format(depth=depth)
        more = len(hits) - 1
        places = f" and {count_text(more)} more place{'s' if more > 1 else ''}" if more else ""
        length = sum(h.length for h in hits)
        where = place(hit.point, ", ", size=size)
        terminal.say(
            f"{name}: {hit.part} {how} {hit.other} at ({where}), face {hit.face}"
            + places
            + (f"; they cross along {readable(length)}" if length else "")
        )
    if len(pairs) > most:
        terminal.say(
            f"... and {count_text(len(pairs) - most)} more pairs; --verbose or --out gives all."
        )
