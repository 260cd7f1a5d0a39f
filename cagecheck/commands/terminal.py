"""What the commands share: output to a person or a script, progress, exit codes."""

from __future__ import annotations

import contextlib
import functools
import json
import os
import re
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NoReturn, ParamSpec

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.table import Table

from cagecheck.commands.telling import telling_now
from cagecheck.compiled import watching
from cagecheck.errors import InputError, Notice
from cagecheck.options import with_flags
from cagecheck.progress import Progress as ProgressReport
from cagecheck.words.numbers import count_text, decimals, readable
from cagecheck.words.printable import printable

EXIT_CLEAN = 0
EXIT_DEFECTS = 1
EXIT_BAD_INPUT = 2
# A coordinate below this share of the largest is rounding: float32 files hold no more.
NOUGHT = 1e-6
# Columns of a table that goes into a file or a pipe: names are not cut for want of a window.
PIPE_WIDTH = 160
# What the first run does meanwhile, and no later one.
COMPILING = "compiling inner loops, on the first run only"
# Names of defects fit; longer ones (paths) fold.
UNBROKEN = 24

P = ParamSpec("P")


class Terminal:
    """Speaks to a person, or with ``as_json`` to a script.

    To a person everything goes to standard output. To a script standard output carries one JSON
    document and nothing else; notices then go into the document. With --quiet a person hears only
    what `conclude` says; `verbose` tells commands to leave out nothing.
    """

    def __init__(self, as_json: bool = False) -> None:
        self.as_json = as_json
        self.quiet, self.verbose = telling_now().quiet, telling_now().verbose
        self.out = Console(highlight=False, soft_wrap=True)
        if not self.out.is_terminal and "COLUMNS" not in os.environ:
            self.out.width = PIPE_WIDTH
        self.err = Console(stderr=True, highlight=False, soft_wrap=True)

    def say(self, text: str = "") -> None:
        """Print a line of plain text for a person.

        On a terminal it breaks between words and keeps its indentation; what may be copied
        (commands, paths) stays in one piece, and so does everything in a pipe.
        """
        if not self.quiet:
            self.conclude(text)

    def conclude(self, text: str) -> None:
        """Print the result in a line: what is left with --quiet."""
        if self.as_json:
            return
        text = printable(text)
        if self.out.is_terminal and not _COPIED.search(text):
            text = wrapped(text, self.out.width)
        self.out.print(escape(text))

    def table(self, title: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        """Print a table for a person; numbers are right-aligned."""
        if self.as_json or self.quiet:
            return
        table = Table(title=escape(printable(title)), title_justify="left", title_style="bold")
        for k, name in enumerate(columns):
            numeric = bool(rows) and all(_is_number(row[k]) for row in rows)
            table.add_column(
                escape(printable(name)), justify="right" if numeric else "left", overflow="fold",
                no_wrap=k == 0 and _unbroken(rows),
            )  # fmt: skip
        for row in rows:
            table.add_row(*(escape(_cell(value)) for value in row))
        # Tables wrap inside their cells instead of running over the window's edge.
        self.out.print(table, soft_wrap=False)

    def notices(self, notices: Sequence[Notice]) -> None:
        """Print what the artist should know, one line each."""
        for notice in notices:
            self.say(f"note [{notice.code}]: {notice.text} {notice.cure}".rstrip())

    def result(self, document: dict[str, Any]) -> None:
        """Print the JSON document when a script asked for it."""
        if self.as_json:
            sys.stdout.write(json.dumps(document, indent=2, allow_nan=False) + "\n")

    @contextlib.contextmanager
    def progress(self) -> Iterator[ProgressReport]:
        """Yield a progress callback: bars with time left on a terminal, silence in a pipe.

        With --verbose it is told afterwards how long each stage took.
        """
        stages = _Stages()
        with self._bars() as report:

            def timed(stage: str, done: float, total: float) -> None:
                stages.note(stage)
                report(stage, done, total)

            yield timed if self.verbose else report
        if self.verbose:
            self.say(stages.words())

    @contextlib.contextmanager
    def _bars(self) -> Iterator[ProgressReport]:
        if self.as_json or self.quiet or not self.err.is_terminal:
            yield lambda stage, done, total: None
            return
        bars = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.percentage:>3.0f}%"),
            TimeRemainingColumn(),
            console=self.err,
            transient=True,
        )
        tasks: dict[str, TaskID] = {}

        def report(stage: str, done: float, total: float | None) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(escape(printable(stage)), total=total)
            bars.update(tasks[stage], completed=done, total=total)

        loops: list[str] = []

        def compiling(loop: str) -> None:
            # How many a run needs is not known before: the bar moves, and the count grows.
            loops.append(loop)
            report(COMPILING, len(loops), None)
            bars.update(tasks[COMPILING], description=f"{COMPILING}: {len(loops)}")

        with bars, watching(compiling):
            yield report


class _Stages:
    """How long each stage took, from its first report to the last."""

    def __init__(self) -> None:
        self.begun = time.monotonic()
        self.spans: dict[str, tuple[float, float]] = {}

    def note(self, stage: str) -> None:
        now = time.monotonic()
        self.spans[stage] = (self.spans.get(stage, (now, now))[0], now)

    def words(self) -> str:
        parts = [f"{name} {decimals(b - a, 2)} s" for name, (a, b) in self.spans.items()]
        whole = f"{decimals(time.monotonic() - self.begun, 2)} s together"
        return "Took: " + ", ".join([*parts, whole]) + "."


# Lines with a command after a colon, and lists of files.
_COPIED = re.compile(r": cagecheck |^(Written|Wrote)\b")
# Where the words begin that a label of one word ("cause:", "cure:") stands before.
_LABELLED = re.compile(r"^( *)(?:(\w+: +)|(\d+  )|(- ))?")


def wrapped(text: str, width: int) -> str:
    """Return a line broken between words, further lines as far in as its words begin."""
    found = _LABELLED.match(text)
    indent = " " * (found.end() if found and (found[1] or found[3]) else 0)
    return textwrap.fill(
        text, max(width, 40), subsequent_indent=indent, break_long_words=False,
        break_on_hyphens=False, drop_whitespace=True, replace_whitespace=False,
    )  # fmt: skip


def command(function: Callable[P, int | None]) -> Callable[P, None]:
    """Turn a command function that returns an exit code into one that typer runs.

    `InputError` ends in a plain message on standard error and exit code 2. What else may end a
    command, see `cagecheck.commands.ending`.
    """

    @functools.wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            code = function(*args, **kwargs)
        except InputError as error:
            fail(error)
        except MemoryError:
            fail(
                InputError(
                    "this needs more memory than the machine has.",
                    cure="Lower --samples or --size, or split the meshes.",
                )
            )
        raise typer.Exit(code or EXIT_CLEAN)

    return run


def fail(error: InputError) -> NoReturn:
    """Print the error for an artist and exit with 2."""
    Console(stderr=True, highlight=False, soft_wrap=True).print(
        f"[bold]cagecheck cannot go on:[/bold] {escape(printable(with_flags(str(error))))}"
    )
    raise typer.Exit(EXIT_BAD_INPUT)


def place(point: Iterable[float], between: str = " ", *, size: float = 0.0) -> str:
    """Format a position; rounding about zero, for a model of this size, is written as 0."""
    values = [float(x) for x in point]
    nought = NOUGHT * max(size, *(abs(x) for x in values))
    return between.join("0" if abs(x) <= nought else readable(x) for x in values)


def _cell(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: "-"}[value]
    if isinstance(value, int):
        return count_text(value)
    return readable(value) if isinstance(value, float) else printable(str(value))


def _unbroken(rows: Sequence[Sequence[Any]]) -> bool:
    """Tell whether a first column holds names that stay on one line, and not long ones."""
    return all(len(_cell(row[0])) <= UNBROKEN for row in rows)


def _is_number(value: Any) -> bool:
    return value is None or (isinstance(value, int | float) and not isinstance(value, bool))
