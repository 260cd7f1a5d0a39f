"""The command line. Every command lives in `cagecheck.commands` and only calls the library."""

from __future__ import annotations

from typing import Annotated

import typer

from cagecheck import __version__
from cagecheck.commands import ALL

app = typer.Typer(
    name="cagecheck",
    help="Predict, explain and tune away the artefacts of a bake through a cage.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"cagecheck {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Predict, explain and tune away the artefacts of a bake through a cage."""


for _register in ALL:
    _register(app)


def main() -> None:
    """Run the command line."""
    app()
