"""`cagecheck watch`: predict anew at every save, and show what it changed."""

from __future__ import annotations

import typer

from cagecheck.commands.news import say_address, say_news
from cagecheck.commands.options import (
    HighPath,
    LowPath,
    NoPageFlag,
    OpenFlag,
    Output,
    add_command,
)
from cagecheck.commands.predict import (
    MapsOption,
    PreviewOption,
    SupersampleOption,
    map_format,
)
from cagecheck.commands.signals import listen_to_signals
from cagecheck.commands.terminal import EXIT_CLEAN, Terminal
from cagecheck.predicting.inputs import CageFiles, MeshOptions
from cagecheck.predicting.maps.write_maps import MapFiles
from cagecheck.predicting.settings import HighShading, Settings
from cagecheck.watching.bake import Bake
from cagecheck.watching.watch import Watch
from cagecheck.words.sentences import names_words


def register(app: typer.Typer) -> None:
    """Add the `watch` command."""
    add_command(app, "watch", watch_command)


def watch_command(
    low: LowPath,
    high: HighPath,
    *,
    files: CageFiles,
    settings: Settings,
    reading: MeshOptions,
    maps: MapsOption = None,
    map_files: MapFiles,
    supersample: SupersampleOption = 1,
    shading: HighShading,
    preview: PreviewOption = None,
    no_page: NoPageFlag = False,
    open_page: OpenFlag = False,
    output: Output,
) -> int:
    """Predict again at every save, and show what it changed.

    Takes the options of predict, and waits for saves of the low poly, the high poly, the cage,
    push distances, and files that they name. Every save gives one line, and a page on this machine
    that keeps your view. With --out the folder holds the files of the last result, with --json
    every round prints one line of JSON, which is predict's. Ctrl-C ends it; exit code 0, or 2 when
    it cannot begin.

    Example:
      cagecheck watch hero_low.obj hero_high.ply --offset 0.02
    """
    terminal = Terminal(output.as_json)
    form = map_format(maps, map_files, low.stem) if maps else None
    bake = Bake(
        low, high, files, settings, reading, shading.high_normals, form, supersample
    )  # fmt: skip
    watch = Watch(bake, output.out, page=not no_page, preview=preview, force=output.force)
    try:
        listen_to_signals()
        with watch:
            names = names_words([path.name for path in bake.inputs()])
            terminal.say(f"Watching {names}; Ctrl-C ends it.")
            say_address(terminal, watch.address, open_page)
            for news in watch:
                say_news(terminal, news)
    except KeyboardInterrupt:
        terminal.say("The watch has ended.")
    return EXIT_CLEAN
