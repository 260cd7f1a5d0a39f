"""`cagecheck batch`: many assets, one table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from cagecheck.batching.manifest import read_manifest
from cagecheck.batching.page import clash_sentences, csv_row, verdict_sentence, worst_sentence
from cagecheck.batching.run import BatchResult, run_batch
from cagecheck.commands.options import JsonFlag, NoPageFlag, OpenFlag, add_command
from cagecheck.commands.terminal import EXIT_CLEAN, EXIT_DEFECTS, Terminal
from cagecheck.errors import InputError
from cagecheck.options import LIMITS, OUTPUT


def register(app: typer.Typer) -> None:
    """Add the `batch` command."""
    add_command(app, "batch", batch)


def batch(
    manifest: Annotated[
        Path,
        typer.Argument(
            help="The list of assets, TOML or CSV (docs/chores.md).", metavar="MANIFEST"
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="FOLDER", help="Folder for all results.", rich_help_panel=OUTPUT
        ),
    ],
    workers: Annotated[
        int, typer.Option("--workers", min=1, metavar="N", help="How many assets at once.")
    ] = 1,
    memory: Annotated[
        float | None,
        typer.Option("--memory", metavar="GB", help="GB that all processes together may hold."),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler", metavar="ADDRESS", help="Address of a dask.distributed scheduler."
        ),
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Run assets that have a result already, too.")
    ] = False,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against",
            metavar="FOLDER",
            help="The folder of an accepted run: an asset passes when none of its places and no "
            "pair of parts that clash is worse than there.",
            rich_help_panel=LIMITS,
        ),
    ] = None,
    watching: Annotated[
        bool,
        typer.Option("--watch", help="Go on: check again what is saved, until Ctrl-C."),
    ] = False,
    no_page: NoPageFlag = False,
    open_page: OpenFlag = False,
    as_json: JsonFlag = False,
) -> int:
    """Check (and tune, and mend) many assets; take up an interrupted run.

    Assets that have a result from an earlier run are not done again. Writes results.csv,
    results.json, index.html and a folder per asset; with thresholds in the manifest junit.xml as
    well. Exit code 0 when all assets pass their thresholds (without thresholds: are clean), 1 when
    not or when one could not be checked, 2 for a bad manifest. With --watch every save of an
    asset's files or of the manifest gives a line, and the page is served on this machine and
    follows; it ends with exit code 0.

    Example:
      cagecheck batch assets.toml --out checked --workers 2
    """
    terminal = Terminal(as_json)
    if watching:
        how = {"workers": workers, "memory_gb": memory, "scheduler": scheduler, "against": against}
        return _watch(terminal, manifest, out, again, open_page, {**how, "page": not no_page})
    if no_page or open_page:
        raise InputError(
            f"`{'no_page' if no_page else 'open'}` is for a watch, which serves the page.",
            cure="Give `watch`, too, or open index.html in the folder.",
        )
    plan = read_manifest(manifest)
    with terminal.progress() as progress:
        result = run_batch(
            plan,
            out,
            workers=workers,
            memory_gb=memory,
            scheduler=scheduler,
            again=again,
            against=against,
            progress=progress,
        )
    terminal.result(result.to_dict())
    _say(terminal, result)
    return EXIT_CLEAN if result.passed else EXIT_DEFECTS


def _watch(
    terminal: Terminal, manifest: Path, out: Path, again: bool, opened: bool, how: dict[str, Any]
) -> int:
    # A batch alone needs none of this.
    from cagecheck.commands.news import say_address, say_news
    from cagecheck.commands.signals import listen_to_signals
    from cagecheck.watching.assets import BatchWatch

    if again:
        raise InputError(
            "`again` and a watch exclude each other: it does what has no result of these files.",
            cure="Leave one of them out.",
        )
    try:
        listen_to_signals()
        with BatchWatch(manifest, out, **how) as watch:
            terminal.say(f"Watching {manifest.name} and the files of its assets; Ctrl-C ends it.")
            say_address(terminal, watch.address, opened)
            for news in watch:
                say_news(terminal, news)
                if news.number == 1 and news.written:
                    terminal.say("Written: " + ", ".join(str(path) for path in news.written))
    except KeyboardInterrupt:
        terminal.say("The watch has ended.")
    return EXIT_CLEAN


def _say(terminal: Terminal, result: BatchResult) -> None:
    rows = [csv_row(row, result.is_gate) for row in result.rows]
    columns = ("name", "verdict", "regions", "texels", "percent", "clashes", "seconds", "reused")
    terminal.table(
        "Assets",
        [column.replace("_", " ") for column in columns],
        [[row[column] for column in columns] for row in rows],
    )
    for row in result.rows:
        worst = (row["summary"] or {}).get("worst")
        said = worst_sentence(worst) if worst else None
        compared = (row.get("compared") or {}).get("summary")
        for text in [row["error"], compared, *row["breaches"], *clash_sentences(row), said]:
            if text:
                terminal.say(f"{row['name']}: {text}")
    terminal.conclude(verdict_sentence(result.to_dict()))
    terminal.say("Written: " + ", ".join(str(path) for path in result.files))
