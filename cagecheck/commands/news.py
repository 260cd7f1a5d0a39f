"""What a watch tells, as a line on the terminal or a document for a script."""

from __future__ import annotations

import json
import sys
import time
import webbrowser

from cagecheck.commands.terminal import Terminal
from cagecheck.watching.news import News
from cagecheck.words.numbers import decimals


def say_news(terminal: Terminal, news: News) -> None:
    """Print a line for a person, or a round's document for a script."""
    now = time.strftime("%H:%M:%S")
    if news.kind == "round":
        if terminal.as_json:
            sys.stdout.write(json.dumps(news.document, allow_nan=False) + "\n")
            sys.stdout.flush()
        saved = f", {news.saved} saved" if news.changed else ""
        took = f" ({decimals(news.seconds, 1)} s)" if news.seconds else ""
        terminal.conclude(f"{now} round {news.number}{saved}: {news.words}{took}")
    elif news.kind == "waiting" and terminal.as_json:
        terminal.err.print(f"{now} {news.words}", markup=False)
    elif news.kind in ("waiting", "unchanged"):
        terminal.say(f"{now} {news.words}")


def say_address(terminal: Terminal, address: str | None, opened: bool) -> None:
    """Say where the page is, and open it where that is asked for."""
    if address is None:
        return
    # The address is for the person even where a script reads the rounds.
    (terminal.err if terminal.as_json else terminal.out).print(f"Page: {address}")
    if opened:
        webbrowser.open(address)
