"""The commands, one file each; each file has a `register(app)`."""

from __future__ import annotations

from collections.abc import Callable

import typer

from cagecheck.commands import clash, inspect, tiles

ALL: tuple[Callable[[typer.Typer], None], ...] = (inspect.register, tiles.register, clash.register,)
