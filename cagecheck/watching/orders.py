"""What passes between a watch and the process that predicts for it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

QUICK_PAGE, RESULT, PREVIEW = "page.html", "result", "preview.png"


@dataclass(frozen=True)
class Order:
    """What is to be done in a round.

    number : of the order. stage : an empty folder for what is written; home : where the result
    goes from there, None where it stays. page : write a page at
    once; result : write all files of a result; preview : draw it. early : begun while the files may
    still be written to; nothing is told before it is `Wanted`.
    """

    number: int
    stage: Path
    home: Path | None
    page: bool
    result: bool
    preview: bool
    early: bool = False


@dataclass(frozen=True)
class Wanted:
    """An early order is wanted after all: the files stayed as they were when it was given."""

    number: int


@dataclass(frozen=True)
class Done:
    """What became of an order.

    what : ``same`` (nothing that a result depends on changed), ``predicted``, ``drawn`` (the page
    without the bake lit), ``finished`` (all files), ``refused`` (an `InputError`), ``broken``.
    """

    number: int
    what: str
    words: str = ""
    changed: tuple[Path, ...] = ()
    document: dict[str, Any] | None = None
    files: tuple[str, ...] = ()
