"""The command line. Every command lives in `cagecheck.commands` and only calls the library."""

from __future__ import annotations

from difflib import get_close_matches
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from cagecheck.commands import SUMMARIES
from cagecheck.commands.ending import run_to_the_end
from cagecheck.version import __version__


class CommandsOnDemand(TyperGroup):
    """A group that loads a command's file when the command is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the commands in the order of --help."""
        return list(SUMMARIES)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Load one command; None where there is none of that name."""
        if cmd_name not in self.commands and cmd_name in SUMMARIES:
            one = typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False)
            # With a callback typer makes a group even of a single command.
            one.callback()(_root)
            import_module(f"cagecheck.commands.{cmd_name}").register(one)
            self.commands[cmd_name] = typer.main.get_group(one).commands[cmd_name]
        return self.commands.get(cmd_name)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Find the command of a line; where there is none, the message names those like it."""
        if args[0] not in SUMMARIES:
            for name in get_close_matches(args[0], SUMMARIES):
                self.get_command(ctx, name)  # only loaded commands are suggested
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands with their summaries, without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(SUMMARIES.items()))


app = typer.Typer(
    name="cagecheck",
    cls=CommandsOnDemand,
    help="Predict, explain and tune away the artefacts of a bake through a cage.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"cagecheck {__version__}")
        raise typer.Exit


def _compile_ahead(wanted: bool) -> None:
    if wanted:
        from cagecheck.commands.compile_ahead import compile_ahead

        raise typer.Exit(compile_ahead(lambda line: app(line, standalone_mode=False)))


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
    compile_now: Annotated[
        bool,
        typer.Option(
            "--compile",
            callback=_compile_ahead,
            is_eager=True,
            help="Compile the inner loops of all commands ahead of their first run (minutes).",
        ),
    ] = False,
) -> None:
    """Predict, explain and tune away the artefacts of a bake through a cage."""


def main() -> None:
    """Run the command line."""
    run_to_the_end(app)
