"""`cagecheck compare`: two results, place by place."""

from __future__ import annotations

from pathlib import Path
from shlex import quote
from typing import Annotated, Any

import typer

from cagecheck.commands.options import Output, add_command
from cagecheck.commands.terminal import EXIT_CLEAN, EXIT_DEFECTS, Terminal
from cagecheck.comparing.changes import Became, Change, Tolerance
from cagecheck.comparing.compare import Comparison, compare
from cagecheck.comparing.limits import Limits
from cagecheck.comparing.write import write_comparison
from cagecheck.files import refuse_results
from cagecheck.words.sentences import count_words

OldResult = Annotated[
    Path,
    typer.Argument(
        help="The earlier result: a folder that predict, tune or locate wrote, or a document that "
        "one of them printed (--json).",
        metavar="OLD",
    ),
]
NewResult = Annotated[Path, typer.Argument(help="The later result.", metavar="NEW")]
# Changes that fit one screen; the files hold all of them.
CHANGES_SHOWN = 20
COLUMNS = ("new", "grown", "moved", "unchanged", "shrunk", "mended", "unsure")


def register(app: typer.Typer) -> None:
    """Add the `compare` command."""
    add_command(app, "compare", compare_command)


def compare_command(
    old: OldResult, new: NewResult, *, tolerance: Tolerance, limits: Limits, output: Output
) -> int:
    """Compare two results: what is mended, new, grown, shrunk, moved.

    Places are matched by their defect and by where they lie on the surface, so the low poly may
    have changed. A change counts when it is larger than chance. Exit code 0 when nothing got worse
    (or when all limits are kept), 1 when something did, 2 when a result cannot be used.

    Example:
      cagecheck compare hero-check-before hero-check --out hero-changes
    """
    terminal = Terminal(output.as_json)
    refuse_results(output.out, "comparison.json", output.force)
    with terminal.progress() as progress:
        found = compare(old, new, limits=limits, tolerance=tolerance)
        written: list[Path] = []
        if output.out:
            written, found = write_comparison(
                found, output.out, force=output.force, progress=progress
            )
    terminal.result(found.to_dict())
    _say(terminal, found)
    if written:
        terminal.say("Written: " + ", ".join(str(path) for path in written))
        page = [path for path in written if path.suffix == ".html"]
        if page:
            terminal.say(f"Look at both: open {quote(str(page[0]))} in a browser.")
    return EXIT_CLEAN if found.passed else EXIT_DEFECTS


def _say(terminal: Terminal, found: Comparison) -> None:
    if terminal.as_json:
        return
    terminal.notices(found.notices)
    sure = [c for c in found.changes if c.sure and c.became is not Became.UNCHANGED]
    shown = found.changes if terminal.verbose else sure[:CHANGES_SHOWN]
    for change in shown:
        terminal.say(f"{change.became.value:>8}: {found.words_of(change)}{_numbers(change)}")
    if len(sure) > len(shown):
        terminal.say(f"... and {count_words(len(sure) - CHANGES_SHOWN, 'more change')}")
    for by, title in (("name", "defect"), ("part", "part")):
        rows = found.totals(by)
        terminal.table(
            f"By {title}", (title, *COLUMNS, "harm before", "now"), [_row(row, by) for row in rows]
        )  # fmt: skip
    for breach in found.breaches:
        terminal.say(f"Limit: {breach}.")
    terminal.conclude(found.verdict)
    terminal.say(found.summary)


def _numbers(change: Change) -> str:
    """Name the regions, as the two results number them."""
    said = [
        f"{word} {', '.join(str(row['number']) for row in rows)}"
        for word, rows in (("old", change.old), ("new", change.new))
        if rows
    ]
    return f" ({'; '.join(said)})"


def _row(row: dict[str, Any], by: str) -> tuple[Any, ...]:
    harm = (round(row["harm_old"]), round(row["harm_new"]))
    return (row[by], *(row[name] for name in COLUMNS), *harm)
