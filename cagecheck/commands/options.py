"""Flags of the command line, made from the dataclasses that declare options.

A command takes groups of options as parameters, each a dataclass made with `cagecheck.options`:

    def predict_command(low: LowPath, high: HighPath, settings: Settings, output: Output) -> int:

`add_command` gives typer a function with one parameter per option instead, whose call builds the
groups. --help then shows options under the headings of their groups.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass, is_dataclass
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import typer
from typer.core import TyperCommand

from cagecheck.commands.telling import Telling, told_by
from cagecheck.commands.terminal import command
from cagecheck.options import (
    CAGE,
    LIMITS,
    MAPS,
    MENDING,
    MESHES,
    OFFSETS,
    OUTPUT,
    SAMPLING,
    Declared,
    build,
    option,
    options_of,
    plain_kind,
)

# In this order; what stands under no heading comes first, --help last.
HEADINGS = (CAGE, OFFSETS, SAMPLING, MESHES, MAPS, MENDING, LIMITS, OUTPUT)
# Help is at most this wide, so that lines stay readable in a wide window.
WIDEST = 100
EXAMPLE = ("Example:", "Examples:")

LowPath = Annotated[Path, typer.Argument(help="The low poly.", metavar="LOW")]
HighPath = Annotated[Path, typer.Argument(help="The high poly.", metavar="HIGH")]
JsonFlag = Annotated[
    bool,
    typer.Option(
        "--json", help="Print the result as JSON on standard output.", rich_help_panel=OUTPUT
    ),
]
ForceFlag = Annotated[
    bool,
    typer.Option("--force", help="Replace files that exist already.", rich_help_panel=OUTPUT),
]
NoPageFlag = Annotated[
    bool,
    typer.Option(
        "--no-page", help="Serve no page; tell on the terminal only.", rich_help_panel=OUTPUT
    ),
]
OpenFlag = Annotated[
    bool, typer.Option("--open", help="Open the page in the browser.", rich_help_panel=OUTPUT)
]


@dataclass(frozen=True)
class Output:
    """Where a result goes, and in which form it is told."""

    out: Path | None = option(None, OUTPUT, "Folder for the result files.", metavar="FOLDER")
    force: bool = option(False, OUTPUT, "Replace files that exist already.")
    as_json: bool = option(False, OUTPUT, "Print the result as JSON on standard output.")


class GroupedCommand(TyperCommand):
    """A command whose help has a heading per group of options and keeps examples in one line."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Return what stands after the command's name, optional arguments in brackets."""
        pieces = [] if self.options_metavar is None else [self.options_metavar]
        for param in self.get_params(ctx):
            if param.param_type_name == "argument":
                name = argument_name(param)
                pieces.append(name if param.required else f"[{name}]")
        return pieces

    def format_help_text(self, ctx: Any, formatter: Any) -> None:
        """Write the help's paragraphs; those that begin with an example are not broken anew."""
        for paragraph in inspect.cleandoc(self.help or "").split("\n\n"):
            formatter.write_paragraph()
            with formatter.indentation():
                if paragraph.startswith(EXAMPLE):
                    margin = " " * formatter.current_indent
                    formatter.write("".join(f"{margin}{x}\n" for x in paragraph.splitlines()))
                else:
                    formatter.write_text(paragraph)

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments, then the options group by group."""
        sections: dict[str, list[tuple[str, str]]] = {"Arguments": []}
        for heading in (None, *HEADINGS):
            sections[heading or "Options"] = []
        for param in self.get_params(ctx):
            record = param.get_help_record(ctx)
            if record is None:
                continue
            if param.param_type_name == "argument":
                sections["Arguments"].append((argument_name(param), record[1]))
            else:
                heading = getattr(param, "rich_help_panel", None)
                if heading is None and param.name == "help":
                    heading = OUTPUT if sections[OUTPUT] else None
                sections.setdefault(heading or "Options", []).append(record)
        for heading, rows in sections.items():
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)


def argument_name(param: Any) -> str:
    """Return the name of an argument as it is shown."""
    return str(param.metavar or param.name.upper())


def add_command(app: typer.Typer, name: str, function: Callable[..., int]) -> None:
    """Add a command that takes groups of options and returns an exit code."""
    app.command(
        name, cls=GroupedCommand, context_settings={"max_content_width": WIDEST}
    )(command(with_flags_of(function)))  # fmt: skip


def with_flags_of(function: Callable[..., int]) -> Callable[..., int]:
    """Return the function with its groups of options as single parameters, as typer takes them.

    Besides them it has those of `Telling`, which every command understands.
    """
    groups: dict[str, type] = {}
    keys: dict[str, list[Declared]] = {}
    parameters: dict[str, inspect.Parameter] = {}
    hints = get_type_hints(function, include_extras=True)
    for name, parameter in inspect.signature(function).parameters.items():
        hint = hints[name]
        if is_dataclass(hint) and isinstance(hint, type):
            groups[name], keys[name] = hint, list(options_of(hint))
            new = [_parameter(declared) for declared in keys[name]]
        else:
            new = [parameter.replace(annotation=hint, kind=parameter.KEYWORD_ONLY)]
        for one in new:
            assert one.name not in parameters, f"{function.__name__} has two {one.name}"
            parameters[one.name] = one
    every = list(options_of(Telling))
    parameters |= {declared.key: _parameter(declared) for declared in every}

    def run(**values: Any) -> int:
        telling = build(Telling, {d.key: values.pop(d.key) for d in every})
        for name, group in groups.items():
            own = {d.key: _parsed(d, values.pop(d.key)) for d in keys[name]}
            values[name] = build(group, own)
        with told_by(telling):
            return function(**values)

    run.__name__, run.__doc__ = function.__name__, function.__doc__
    run.__signature__ = inspect.Signature(  # type: ignore[attr-defined]
        list(parameters.values()), return_annotation=int
    )
    run.__annotations__ = {p.name: p.annotation for p in parameters.values()}
    return run


def _parsed(declared: Declared, value: Any) -> Any:
    parse = declared.option.parse
    return value if parse is None or value is None else parse(value)


def _parameter(declared: Declared) -> inspect.Parameter:
    """Return an option as a parameter that typer reads."""
    rule = declared.option
    kind = declared.kind
    if rule.typed is not None:
        kind = rule.typed if declared.default is not None else rule.typed | None
    shown = rule if rule.in_help else None
    info = typer.Option(
        declared.flag,
        help=rule.help,
        metavar=rule.metavar or "|".join(plain_kind(kind)[1]) or None,
        min=shown.least if shown else None,
        max=shown.most if shown else None,
        rich_help_panel=rule.group,
    )
    return inspect.Parameter(
        declared.key, inspect.Parameter.KEYWORD_ONLY, default=declared.default,
        annotation=Annotated[kind, info],
    )  # fmt: skip
