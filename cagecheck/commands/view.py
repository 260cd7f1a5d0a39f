"""`cagecheck view`: look at a result in a window, or draw a picture of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cagecheck.commands.options import ForceFlag, add_command
from cagecheck.commands.terminal import EXIT_CLEAN, Terminal
from cagecheck.errors import InputError
from cagecheck.options import OUTPUT
from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import as_given, count_text

if TYPE_CHECKING:
    from cagecheck.viewing.model import ViewModel

_LEAST, _MOST = 200, 8192


def register(app: typer.Typer) -> None:
    """Add the `view` command."""
    add_command(app, "view", view)


def view(
    folder: Annotated[
        Path, typer.Argument(help="The result folder of predict or tune.", metavar="OUT")
    ],
    shot: Annotated[
        Path | None,
        typer.Option(
            "--shot",
            metavar="FILE",
            help="Draw a PNG picture instead of opening a window.",
            rich_help_panel=OUTPUT,
        ),
    ] = None,
    region: Annotated[
        int | None, typer.Option("--region", metavar="N", help="Go to this region (its number).")
    ] = None,
    field: Annotated[
        str,
        typer.Option(
            "--field",
            metavar="NAME",
            help="Colour by: defect, start, hit, target, room, slant, slide, lean or "
            "visible (how far what is recorded is from what belongs there).",
        ),
    ] = "defect",
    layers: Annotated[
        str,
        typer.Option(
            "--layers", metavar="NAMES", help="What to draw: low, high, cage, edges, rays."
        ),
    ] = "low,rays",
    lit: Annotated[
        str | None,
        typer.Option(
            "--lit",
            metavar="LEFT,RIGHT",
            help="Show the model lit, these two beside each other: baked (as it will bake), ideal "
            "(as it should), before (as it did before tuning), high.",
        ),
    ] = None,
    cut: Annotated[
        bool, typer.Option("--cut", help="Cut through the region (or the middle).")
    ] = False,
    factor: Annotated[
        float | None,
        typer.Option(
            "--factor", metavar="FACTOR", help="Show the cage at this many times its distance."
        ),
    ] = None,
    size: Annotated[
        str,
        typer.Option(
            "--size", metavar="WxH", help="Size of the picture or window, WIDTHxHEIGHT pixels."
        ),
    ] = "1600x1000",
    follow: Annotated[
        bool,
        typer.Option("--follow", help="Show every other result that comes into the folder."),
    ] = False,
    force: ForceFlag = False,
) -> int:
    """Look at a result: heat map, high poly, cage, regions, rays, cuts.

    In the window h shows the keys. A click shows the record of that place.

    Example:
      cagecheck view out --region 3 --cut --shot region3.png
    """
    # The drawing library takes a second to load, which other commands need not wait for.
    from cagecheck.report.fields import field_named
    from cagecheck.viewing.model import ViewModel
    from cagecheck.viewing.result import read_high, read_result

    terminal = Terminal()
    pixels = parse_size(size)
    with terminal.progress() as progress:
        model = ViewModel(read_result(folder))
        model.field = field_named(field)
        set_layers(model, layers)
        model.choose(region)
        if factor is not None:
            _set_factor(model, factor)
        if cut:
            model.cut = model.cut_here()
        if lit is not None:
            set_lit(model, lit)
        wanted = shot is None or model.layers["high"] or cut or "high" in (lit or "")
        high, notice = read_high(model.result, progress) if wanted else (None, None)
    if notice is not None:
        terminal.notices([notice])
    if shot is None:
        from cagecheck.viewing.window import Window

        window = Window(model, high, size=pixels)
        if follow:
            window.follow()
        window.show()
    else:
        from cagecheck.viewing.shot import make_shot

        terminal.conclude(f"Wrote {make_shot(model, high, shot, size=pixels, force=force)}")
    return EXIT_CLEAN


def parse_size(words: str) -> tuple[int, int]:
    """Return (width, height) of ``1600x1000``. Raises `InputError` for anything else."""
    wide, _, high = words.lower().partition("x")
    if not (wide.isdecimal() and high.isdecimal()):
        raise InputError(f"--size {words} cannot be read.", cure="Write --size 1600x1000.")
    if not all(_LEAST <= int(n) <= _MOST for n in (wide, high)):
        raise InputError(
            f"--size {words} is out of range.",
            cure=f"Use {_LEAST} to {count_text(_MOST)} pixels a side.",
        )
    return int(wide), int(high)


def set_layers(model: ViewModel, words: str) -> None:
    """Show the layers named, and no others. Raises `InputError` for an unknown name."""
    names = [name.strip() for name in words.split(",") if name.strip()]
    for name in names:
        if name not in model.layers:
            raise InputError(f"there is no layer “{name}”.", cure=f"Use {', '.join(model.layers)}.")
    for name in model.layers:
        model.layers[name] = name in names


def set_lit(model: ViewModel, words: str) -> None:
    """Show the model lit, two sides named. Raises `InputError` where there are none such."""
    model.light_up()
    assert model.result.lit is not None
    names = [name.strip() for name in words.split(",")]
    known = list(model.result.lit.titles)
    if len(names) != 2 or not set(names) <= set(known):
        raise InputError(
            f"--lit {words} cannot be shown.",
            cure=f"Name two of {', '.join(known)}, with a comma between.",
        )
    model.lit.left, model.lit.right = names


def _set_factor(model: ViewModel, factor: float) -> None:
    if not 0 <= factor <= model.most_factor:
        raise InputError(
            f"--factor {as_given(factor)} is out of range.",
            cure=f"The result tells what is recorded from 0 to {length_words(model.most_factor)}.",
        )
    model.set_factor(factor)
