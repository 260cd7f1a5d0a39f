"""`cagecheck --compile`: compile the inner loops ahead, for images, installers and locked machines.

A loop is compiled for the types of what it is called with. Which these are nobody writes down; so
every command does its work once, on a small scene.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from contextlib import redirect_stdout
from pathlib import Path
from tempfile import TemporaryDirectory

import typer

from cagecheck import compiled
from cagecheck.commands.terminal import EXIT_BAD_INPUT, EXIT_CLEAN, Terminal
from cagecheck.words.numbers import count_text, figures

# Small, and still with every kind of defect: what is never found is never compiled.
DETAIL = 0.02
FEW = ("--samples", "6000", "--size", "256")
MAPS = "normal,object,height,part,material,defect"
# What is run on the scene; `run_all` puts in the folder for "@".
JOBS: tuple[tuple[str, ...], ...] = (
    ("inspect", "@low.obj", "@high.glb"),
    ("inspect", "@low.ply", "@high.obj"),
    ("predict", "@low.obj", "@high.glb", *FEW, "--out", "@p", "--maps", MAPS, "--supersample", "4",
     "--preview", "@p.png"),
    ("predict", "@low.ply", "@high.ply", "--texels", "64", "--along", "normals", "--apart",
     "--out", "@p16", "--size", "64", "--maps", MAPS, "--bits", "16", "--high-normals", "smooth"),
    ("predict", "@low.glb", "@high.stl", *FEW, "--directions", "face", "--no-pairing",
     "--out", "@p32", "--maps", "normal,object,height", "--bits", "32", "--map-file", "exr",
     "--high-normals", "face"),
    ("tune", "@low.obj", "@high.obj", *FEW, "--straighten", "--maps", "offset,depth",
     "--out", "@t"),
    ("tune", "@low.obj", "@high.glb", "--texels", "64", "--size", "64"),
    ("predict", "@low.obj", "@high.glb", *FEW, "--cage", "@t/cage.obj", "--directions", "corner"),
    ("predict", "@low.obj", "@high.glb", *FEW, "--push", "@t/push.json"),
    ("locate", "@p/low_normal.{tile}.png", "@low.obj", "@high.glb", "--cage", "@t/cage.obj",
     "--beside", "@p/low_height.{tile}.png", "--out", "@l"),
    ("locate", "@p16/low_normal.{tile}.png", "@low.obj", "@high.glb"),
    ("tiles", "show", "@low.obj"),
    ("clash", "@low.obj", "--together"),
)  # fmt: skip


def compile_ahead(run: Callable[[list[str]], object]) -> int:
    """Compile what the commands need and say where it lies; `run` runs one command line."""
    terminal = Terminal()
    with TemporaryDirectory(prefix="cagecheck-") as folder, terminal.progress() as progress:
        run_all(run, Path(folder), progress)
    return _say_kept(terminal)


def run_all(
    run: Callable[[list[str]], object], folder: Path, progress: Callable[[str, float, float], None]
) -> None:
    """Make the scene and run all jobs on it, in a folder."""
    progress("compiling for all commands", 0, len(JOBS) + 2)
    _make_files(folder)
    for done, job in enumerate(JOBS, start=1):
        progress("compiling for all commands", done, len(JOBS) + 2)
        line = [f"{folder}/{word[1:]}" if word.startswith("@") else word for word in job]
        with redirect_stdout(io.StringIO()):
            code = run([*line, "--json"])
        if code == EXIT_BAD_INPUT:
            raise typer.Exit(EXIT_BAD_INPUT)  # the command has said why
    progress("compiling for all commands", len(JOBS) + 1, len(JOBS) + 2)
    _look(folder / "p")
    progress("compiling for all commands", len(JOBS) + 2, len(JOBS) + 2)


def _make_files(folder: Path) -> None:
    """Write the scene in every format."""
    from cagecheck.demo import make_scene, write_scene
    from cagecheck.formats.read import read_mesh, read_surface
    from cagecheck.formats.write_mesh import write_mesh, write_surface

    write_scene(make_scene(7, DETAIL), folder, False)
    low, high = read_mesh(folder / "low.obj"), read_surface(folder / "high.glb")
    for ending in ("ply", "glb"):
        write_mesh(low, folder / f"low.{ending}")
    for ending in ("ply", "stl", "obj"):
        write_surface(high, folder / f"high.{ending}")


def _look(folder: Path) -> None:
    """Do what the viewer does where no window is needed."""
    from cagecheck.viewing.model import ViewModel
    from cagecheck.viewing.result import read_result

    ViewModel(read_result(folder)).set_factor(0.5)


def _say_kept(terminal: Terminal) -> int:
    from cagecheck.loops import refusal

    why = refusal()
    if why is not None:
        terminal.say(why)
        return EXIT_BAD_INPUT
    kept = {
        folder: files for folder in compiled.folders() if (files := sorted(folder.glob("*.nbc")))
    }
    for folder, files in kept.items():
        size = sum(path.stat().st_size for path in files) / 2**20
        terminal.say(
            f"{count_text(len(files))} compiled loops, {figures(size, 2)} MB, lie in {folder}"
        )
    return EXIT_CLEAN
