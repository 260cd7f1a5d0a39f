"""How much a command tells: `--quiet` and `--verbose`, the same for all of them.

`cagecheck.commands.options.add_command` gives every command both flags and sets what they say while
the command runs; `Terminal` asks for it, and nobody else needs to.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import dataclass

from cagecheck.errors import InputError
from cagecheck.options import OUTPUT, option


@dataclass(frozen=True)
class Telling:
    """How much is told; neither is what fits a screen."""

    quiet: bool = option(False, OUTPUT, "Tell the result in a line, and nothing else but errors.")
    verbose: bool = option(
        False, OUTPUT, "Tell all rows, also what is folded away, and how long each stage took."
    )


_PLAIN = Telling()
_NOW: ContextVar[Telling] = ContextVar("telling", default=_PLAIN)


def telling_now() -> Telling:
    """Return what the running command was asked to tell."""
    return _NOW.get()


@contextlib.contextmanager
def told_by(telling: Telling) -> Iterator[None]:
    """Let a command tell so much until the block ends."""
    if telling.quiet and telling.verbose:
        raise InputError("--quiet and --verbose exclude each other.", cure="Give only one of them.")
    token = _NOW.set(telling)
    try:
        yield
    finally:
        _NOW.reset(token)
