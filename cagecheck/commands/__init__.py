"""The commands, one file each; each file has a `register(app)`."""

from __future__ import annotations

from collections.abc import Callable

import typer

from cagecheck.commands import batch, clash, demo, inspect, locate, predict, tiles, tune, view

ALL: tuple[Callable[[typer.Typer], None], ...] = (
    demo.register,
    predict.register,
    tune.register,
    locate.register,
    view.register,
    inspect.register,
    tiles.register,
    clash.register,
    batch.register,
)
