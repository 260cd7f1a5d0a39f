"""`cagecheck clash`: parts that pass through each other, frame by frame."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from cagecheck.chores.clash.find import Clash, Clashes, find_clashes
from cagecheck.chores.clash.heat import colour_clash_map, write_clash_map, write_legend
from cagecheck.commands.options import ForceFlag, JsonFlag, add_command
from cagecheck.commands.terminal import EXIT_CLEAN, EXIT_DEFECTS, Terminal, place
from cagecheck.files import OutputFolder
from cagecheck.formats.read import read_mesh
from cagecheck.meshes.mesh import Mesh
from cagecheck.options import OUTPUT
from cagecheck.words.cells import Table
from cagecheck.words.numbers import count_text, readable
from cagecheck.words.sentences import names_words

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
    ignore: Annotated[
        float | None,
        typer.Option(metavar="LENGTH", help="Depth up to which parts count as only touching."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Folder for heat-map meshes, CSV and JSON.",
            rich_help_panel=OUTPUT,
        ),
    ] = None,
    force: ForceFlag = False,
    as_json: JsonFlag = False,
) -> int:
    """Find parts that pass through each other: where and how deep.

    Exit code 1 when surfaces cross in any frame. Parts wholly inside another are listed, but may
    be meant (an eye in its socket). Parts are not checked against themselves.

    Example:
      cagecheck clash walk_*.obj --with body.obj --out clashes
    """
    terminal = Terminal(as_json)
    common = [read_mesh(path) for path in with_ or []]
    frames = [list(meshes)] if together else [[path] for path in meshes]
    results: list[tuple[str, Clashes]] = []
    rows: list[dict[str, Any]] = []
    with contextlib.ExitStack() as stack:
        folder = None if out is None else stack.enter_context(OutputFolder(out, force=force))
        progress = stack.enter_context(terminal.progress())
        # A map is laid while the next frame is looked at; never more, for the sake of memory.
        writer = stack.enter_context(ThreadPoolExecutor(1))
        writing: Future[None] | None = None
        for number, paths in enumerate(frames, start=1):
            scene: list[Mesh] = [read_mesh(path) for path in paths] + common
            found = find_clashes(scene, ignore=ignore, pieces=pieces, progress=progress)
            name = " + ".join(path.name for path in paths)
            rows.append(
                {"frame": name, "files": [str(p) for p in [*paths, *(with_ or [])]]}
                | found.to_dict()
            )
            if writing is not None:
                writing.result()
            if folder is not None:
                path = folder.add(_map_name(number))
                writing = writer.submit(write_clash_map, found, _deepest([found]), path)
            # Parts and their trees are large, and are not needed any more.
            results.append((name, replace(found, parts=(), involved=(), sides={})))
        if writing is not None:
            writing.result()
        document = {"frames": rows}
        if folder is not None:
            _write(folder, results, document)
    files = [] if folder is None else folder.paths()
    terminal.result(document | {"written": [str(path) for path in files]})
    _say(terminal, results, files)
    return EXIT_DEFECTS if any(found.passing for _, found in results) else EXIT_CLEAN


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
    bad = sum(bool(found.passing) for _, found in results)
    terminal.say(
        "No parts pass through each other."
        if not bad
        else f"{bad} of {len(results)} frames have parts that pass through each other."
        if len(results) > 1
        else "There are parts that pass through each other."
    )
    if files:
        terminal.say("Wrote " + ", ".join(str(path) for path in files))


def _say_rows(terminal: Terminal, rows: Sequence[tuple[str, Clash]], size: float) -> None:
    """Print a line per pair of parts, the deepest place; depths are in file units."""
    pairs: dict[tuple[str, frozenset[tuple[int, str]]], list[Clash]] = {}
    for name, hit in rows:
        parts = frozenset({(hit.mesh, hit.part), (hit.other_mesh, hit.other)})
        pairs.setdefault((name, parts), []).append(hit)
    for (name, _), hits in list(pairs.items())[:_MOST_ROWS]:
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
    if len(pairs) > _MOST_ROWS:
        terminal.say(
            f"... and {count_text(len(pairs) - _MOST_ROWS)} more pairs; --out or --json gives all."
        )


def _deepest(found: Sequence[Clashes]) -> float:
    return max((hit.depth or 0.0 for one in found for hit in one.found), default=0.0)


def _map_name(number: int) -> str:
    return f"frame_{number:04d}.ply"


def _write(
    out: OutputFolder, results: Sequence[tuple[str, Clashes]], document: dict[str, Any]
) -> None:
    """Write what is known when all frames are, and colour their maps alike."""
    deepest = _deepest([found for _, found in results])
    (out.add("clash.json")).write_text(
        json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8"
    )
    with out.add("clash.csv").open("w", newline="", encoding="utf-8") as stream:
        _write_csv(stream, results)
    write_legend(deepest, out.add("legend.png"))
    for number, (_, found) in enumerate(results, start=1):
        if _deepest([found]) != deepest:
            colour_clash_map(out.add(_map_name(number)), deepest)


def _write_csv(stream: Any, results: Sequence[tuple[str, Clashes]]) -> None:
    fields = ("part", "other", "kind", "depth", "tolerance", "face", "other_face", "length",
              "faces")  # fmt: skip
    table = Table(stream, lineterminator="\r\n")
    table.row(["frame", "file", *fields, "x", "y", "z"])
    for frame, (name, found) in enumerate(results, start=1):
        for hit in found.found:
            values = [getattr(hit, field) for field in fields]
            table.row([frame, name, *values, *(float(x) for x in hit.point)])
