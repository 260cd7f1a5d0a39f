"""`--quiet` and `--verbose`, for all commands: the result in a line, or everything."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import click
import pytest
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.commands.pairs import say_pairs
from cagecheck.commands.telling import Telling, told_by
from cagecheck.commands.terminal import Terminal
from cagecheck.errors import InputError
from cagecheck.meshes.pairs import pair_parts
from tests.documents.test_docs import COMMANDS
from tests.paths import ROOT

TILTED = ROOT / "fixtures" / "plane-tilted"
FEW = ("--samples", "400", "--size", "64")
LOW, HIGH = "low.obj", "high.ply"
# Every command at its cheapest. A watch ends only when it is asked to, and a demo takes a minute;
# it tells what predict tells.
LINES: dict[tuple[str, ...], tuple[str, ...]] = {
    ("predict",): (LOW, HIGH, *FEW, "--offset", "0.02"),
    ("tune",): (LOW, HIGH, *FEW),
    ("locate",): ("normal.1001.png", LOW, HIGH, "--offset", "0.02"),
    ("view",): ("result", "--shot", "shot.png", "--size", "200x200", "--force"),
    ("compare",): ("result", "result"),
    ("inspect",): (LOW, HIGH),
    ("tiles", "show"): (LOW,),
    ("tiles", "rename"): ("bakes", "--mesh", LOW),
    ("tiles", "materials"): (LOW, "--out", "tiles.obj", "--force"),
    ("clash",): (LOW, HIGH, "--together"),
    ("batch",): ("assets.toml", "--out", "batch"),
}
NOT_RUN = {("watch",), ("demo",)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("told")
    (folder / "bakes").mkdir()
    for name in (LOW, HIGH, "normal.1001.png"):
        shutil.copy(TILTED / name, folder / name)
    shutil.copy(TILTED / "normal.1001.png", folder / "bakes" / "plate_normal_1.png")
    (folder / "assets.toml").write_text(
        f'[options]\nsamples = 400\nsize = 64\n[[asset]]\nname = "one"\nlow = "{LOW}"\n'
        f'high = "{HIGH}"\n'
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        done = CliRunner().invoke(
            app, ["predict", *LINES["predict",], "--quiet", "--out", "result", "--force"]
        )
    assert done.exit_code in (0, 1), done.output
    return folder


def test_every_command_has_both_flags_under_output() -> None:
    assert set(LINES) | NOT_RUN == set(COMMANDS)
    for names, command in COMMANDS.items():
        text = command.get_help(click.Context(command))
        output = text[text.index("\nOutput:") :]
        assert "--quiet" in output and "--verbose" in output, names


@pytest.mark.parametrize("names", LINES, ids=" ".join)
def test_quiet_is_the_result_in_a_line(
    names: tuple[str, ...], folder: Path, here: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    done = CliRunner().invoke(app, [*names, *LINES[names], "--quiet"])
    assert done.exit_code in (0, 1) and done.stderr == "", done.output
    lines = done.stdout.splitlines()
    # One line; `tiles rename` tells in a second one what it left alone.
    assert 1 <= len(lines) <= 1 + (names == ("tiles", "rename")), done.stdout
    assert not re.search("[┏┃│]", done.stdout)
    loud = CliRunner().invoke(app, [*names, *LINES[names], "--verbose"])
    assert loud.exit_code == done.exit_code
    assert set(lines) <= set(loud.stdout.splitlines())


def test_verbose_tells_how_long_each_stage_took(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    words = ["predict", *LINES["predict",]]
    loud = CliRunner().invoke(app, [*words, "--verbose"]).stdout
    (took,) = [line for line in loud.splitlines() if line.startswith("Took: ")]
    assert len(re.findall(r"[\w ]+ \d+\.\d\d s", took)) >= 3 and took.endswith(" s together.")
    # What is not told twice the same is told on request only.
    plain = CliRunner().invoke(app, words).stdout
    assert "Took:" not in plain


def test_both_at_once_are_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    done = CliRunner().invoke(app, ["inspect", LOW, "--quiet", "--verbose"])
    assert done.exit_code == 2 and "exclude each other" in done.stderr and done.stdout == ""


def test_errors_are_told_all_the_same() -> None:
    done = CliRunner().invoke(app, ["inspect", "none.obj", "--quiet"])
    assert done.exit_code == 2 and "none.obj" in done.stderr


def test_json_is_the_same_document_either_way(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    told = [
        CliRunner().invoke(app, ["inspect", LOW, "--json", *flag]).stdout
        for flag in ((), ("--quiet",), ("--verbose",))
    ]
    assert told[0] == told[1] == told[2] and told[0].startswith("{")


def test_what_a_command_was_asked_ends_with_it() -> None:
    with told_by(Telling(quiet=True)):
        assert Terminal().quiet
    assert not Terminal().quiet
    with pytest.raises(InputError), told_by(Telling(quiet=True, verbose=True)):
        pass
    assert not Terminal().verbose


def test_verbose_lists_every_pair(capsys: pytest.CaptureFixture[str]) -> None:
    names = [f"part{k:02d}" for k in range(30)]
    pairing = pair_parts([f"{n}_low" for n in names], [f"{n}_high" for n in names])
    with told_by(Telling(verbose=True)):
        say_pairs(Terminal(), pairing)
    text = capsys.readouterr().out
    assert all(f"{name}_low" in text for name in names)
