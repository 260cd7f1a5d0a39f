"""`cagecheck clash`: parts that pass through each other, frame by frame."""

from __future__ import annotations

import contextlib
import itertools
import json
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from cagecheck.chores.clash.find import Clash, Clashes, find_clashes
from cagecheck.chores.clash.heat import colour_clash_map, write_clash_map, write_legend
from cagecheck.chores.clash.page import (
    ShownFrame,
    clash_verdict,
    shown_frame,
    write_clash_page,
)
from cagecheck.commands.options import ForceFlag, JsonFlag, add_command
from cagecheck.commands.terminal import EXIT_CLEAN, EXIT_DEFECTS, Terminal, place
from cagecheck.errors import InputError
from cagecheck.files import OutputFolder, refuse_results
from cagecheck.formats.frames import parse_frames
from cagecheck.formats.read import read_mesh
from cagecheck.mending.mend import mend_clashes
from cagecheck.mending.page import mending_verdict
from cagecheck.mending.result import Mending
from cagecheck.mending.settings import MendSettings
from cagecheck.mending.write import write_mending
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.pose import Pose
from cagecheck.options import MENDING, OUTPUT
from cagecheck.rays.scene import usable_cores
from cagecheck.words.cells import Table
from cagecheck.words.numbers import as_given, count_text, readable
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
    common = [read_mesh(path) for path in with_ or []]
    scenes = [list(meshes)] if together or frames else [[path] for path in meshes]
    moments = scenes_of_frames(scenes, frames, animation, rate)
    results: list[tuple[str, Clashes]] = []
    rows: list[dict[str, Any]] = []
    known: list[tuple[list[Mesh], Clashes]] = []
    shown: ShownFrame | None = None
    with contextlib.ExitStack() as stack:
        folder = None if out is None else stack.enter_context(OutputFolder(out, force=force))
        progress = stack.enter_context(terminal.progress())
        # A map is laid while the next frame is looked at; never more, for the sake of memory.
        writer = stack.enter_context(ThreadPoolExecutor(1))
        writing: Future[ShownFrame] | None = None
        for number, (paths, pose) in enumerate(moments, start=1):
            scene: list[Mesh] = [read_mesh(path, pose=pose) for path in paths] + common
            found = find_clashes(scene, ignore=ignore, pieces=pieces, progress=progress)
            name = frame_name(paths, pose)
            rows.append(
                {"frame": name, "files": [str(p) for p in [*paths, *(with_ or [])]]}
                | found.to_dict()
            )
            if writing is not None:
                shown = _deeper(shown, writing.result())
            if folder is not None:
                path = folder.add(_map_name(number))
                writing = writer.submit(_lay_map, name, found, path)
            if mend is not None:
                known.append((scene, found))
            # Parts and their trees are large, and only mending needs them any more.
            results.append((name, replace(found, parts=(), involved=(), sides={})))
        if writing is not None:
            shown = _deeper(shown, writing.result())
        document: dict[str, Any] = {"frames": rows}
        if folder is not None:
            _write(folder, results, document, shown)
    files = [] if folder is None else folder.paths()
    mended = None
    if mend is not None:
        names = [name for name, _ in results]
        with terminal.progress() as progress:
            mended = mend_clashes(
                [scene for scene, _ in known],
                mending,
                rest=[read_mesh(path) for path in rest or []],
                ignore=ignore,
                found=[found for _, found in known],
                progress=progress,
            )
            _refuse_standing(mended, len(scenes[0]), len(known))
            paths, mended = write_mending(mended, mend, names=names, force=force)
        files = [*files, *paths]
        document = document | {"mending": mended.to_dict()}
    terminal.result(document | {"written": [str(path) for path in files]})
    _say(terminal, results, files if mended is None else [])
    if mended is not None:
        _say_mended(terminal, mended, names, files)
        return EXIT_DEFECTS if any(frame.after for frame in mended.frames) else EXIT_CLEAN
    return EXIT_DEFECTS if any(found.passing for _, found in results) else EXIT_CLEAN


def scenes_of_frames(
    scenes: list[list[Path]], frames: str | None, animation: str | None, rate: float
) -> list[tuple[list[Path], Pose | None]]:
    """Return what to read for every frame: the files, and the pose they are in."""
    if frames is None:
        return [(paths, None) for paths in scenes]
    if not rate > 0:
        raise InputError("--rate must be above 0.")
    return [(scenes[0], Pose(number, animation, rate)) for number in parse_frames(frames)]


def frame_name(paths: Sequence[Path], pose: Pose | None) -> str:
    """Return how a frame is called: its files, and its number where they hold several."""
    name = " + ".join(path.name for path in paths)
    return name if pose is None or pose.frame is None else f"{name} frame {as_given(pose.frame)}"


def _say(terminal: Terminal, results: Sequence[tuple[str, Clashes]], files: Sequence[Path]) -> None:
    rows = [(name, hit) for name, found in results for hit in found.found]
    if rows:
        _say_rows(terminal, rows, max(found.frame.size for _, found in results))
    for name, found in results:
        if found.open_parts:
            terminal.say(
                f"{name}: these parts are open, so nothing counts as inside them: "
                f"{names_words(found.open_parts)}. Between two open parts depth is an estimate."
            )
    terminal.conclude(clash_verdict(results))
    if files:
        terminal.say("Wrote " + ", ".join(str(path) for path in files))


def _refuse_standing(mended: Mending, own: int, frames: int) -> None:
    """Refuse to move what stands in every frame, when there are several."""
    standing = sorted(
        {part.cloth.name for f in mended.frames for part in f.parts if part.cloth.mesh >= own}
    )
    if standing and frames > 1:
        raise InputError(
            f"{names_words(standing)} would move, but stands in every frame (`with`).",
            cure="Give what moves as frames, or name another part with `outer`.",
        )


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
    terminal.conclude(
        f"{mending_verdict(mended)} This is a proposal: look at it before it is used."
    )
    terminal.say("Wrote " + ", ".join(str(path) for path in files))


def _say_rows(terminal: Terminal, rows: Sequence[tuple[str, Clash]], size: float) -> None:
    """Print a line per pair of parts, the deepest place; depths are in file units."""
    pairs: dict[tuple[str, frozenset[tuple[int, str]]], list[Clash]] = {}
    for name, hit in rows:
        parts = frozenset({(hit.mesh, hit.part), (hit.other_mesh, hit.other)})
        pairs.setdefault((name, parts), []).append(hit)
    most = len(pairs) if terminal.verbose else _MOST_ROWS
    for (name, _), hits in list(pairs.items())[:most]:
        hit = hits[0]
        depth = "an unknown depth" if hit.depth is None else readable(hit.depth)
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


def _deepest(found: Sequence[Clashes]) -> float:
    return max((hit.depth or 0.0 for one in found for hit in one.found), default=0.0)


def _lay_map(name: str, found: Clashes, path: Path) -> ShownFrame:
    return shown_frame(name, found, write_clash_map(found, _deepest([found]), path))


def _deeper(shown: ShownFrame | None, other: ShownFrame) -> ShownFrame:
    """Return the frame with the deeper clash, of equals the first."""
    if shown is None or _deepest([other.clashes]) > _deepest([shown.clashes]):
        return other
    return shown


def _map_name(number: int) -> str:
    return f"frame_{number:04d}.ply"


def _write(
    out: OutputFolder,
    results: Sequence[tuple[str, Clashes]],
    document: dict[str, Any],
    shown: ShownFrame | None,
) -> None:
    """Write what is known when all frames are, and colour their maps alike."""
    deepest = _deepest([found for _, found in results])
    (out.add("clash.json")).write_text(
        json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8"
    )
    with out.add("clash.csv").open("w", newline="", encoding="utf-8") as stream:
        _write_csv(stream, results)
    write_legend(deepest, out.add("legend.png"))
    records = ("clash.json", "clash.csv")
    write_clash_page(results, out.add("clash.html"), shown=shown, files=records)
    others = [
        out.add(_map_name(number))
        for number, (_, found) in enumerate(results, start=1)
        if _deepest([found]) != deepest
    ]
    with ThreadPoolExecutor(usable_cores()) as pool:
        list(pool.map(colour_clash_map, others, itertools.repeat(deepest)))


def _write_csv(stream: Any, results: Sequence[tuple[str, Clashes]]) -> None:
    fields = ("part", "other", "kind", "depth", "tolerance", "face", "other_face", "length",
              "faces")  # fmt: skip
    table = Table(stream, lineterminator="\r\n")
    table.row(["frame", "file", *fields, "x", "y", "z"])
    for frame, (name, found) in enumerate(results, start=1):
        for hit in found.found:
            values = [getattr(hit, field) for field in fields]
            table.row([frame, name, *values, *(float(x) for x in hit.point)])
