"""What a watch tells as it goes on."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from cagecheck.words.sentences import names_words

LAST_STAYS = " The last good result stays."
Kind = Literal["started", "round", "written", "waiting", "unchanged"]


@dataclass(frozen=True)
class News:
    """One thing that a watch tells.

    Attributes
    ----------
    kind : Kind
        ``started`` (a round begins), ``round`` (a round is done), ``written`` (its files lie in
        the folder), ``waiting`` (a file is not there or cannot be used; the last result stays),
        ``unchanged`` (saved, and nothing that a result depends on is new).
    words : str
        The same in a line.
    number : int
        Of the round, from 1; 0 before the first.
    changed : tuple[Path, ...]
        The files that are new in this round.
    seconds : float
        From the save to the result.
    clean : bool
        No defect was found.
    document : dict[str, Any]
        What `prediction_document` gives, with ``round``.
    written : tuple[Path, ...]
        With ``written``, the files.
    """

    kind: Kind
    words: str
    number: int = 0
    changed: tuple[Path, ...] = ()
    seconds: float = 0.0
    clean: bool = False
    document: dict[str, Any] = field(default_factory=dict, repr=False)
    written: tuple[Path, ...] = ()

    @property
    def saved(self) -> str:
        """Names of the files that are new in this round."""
        return saved_words(self.changed)


def saved_words(changed: Sequence[Path]) -> str:
    """Name the files that were saved."""
    return names_words([path.name for path in changed])


def round_title(news: News) -> tuple[str, str]:
    """Return title and words of a round for the page."""
    saved = f"{news.saved} saved: " if news.changed else ""
    return f"Round {news.number}, {time.strftime('%H:%M:%S')}:", f"{saved}{news.words}"
