"""`cagecheck --compile`, and what a terminal shows while loops are compiled."""

import io
from pathlib import Path

import pytest
from rich.console import Console
from typer.testing import CliRunner

from cagecheck import compiled, loops
from cagecheck.cli import app
from cagecheck.commands import SUMMARIES, compile_ahead
from cagecheck.commands.terminal import COMPILING, Terminal

# Commands without loops of their own, or whose work is that of others.
ELSEWHERE = {"view", "batch", "demo", "compare", "watch"}


@pytest.fixture
def few(monkeypatch, tmp_path):
    """One short job, and a folder of its own for what it compiles."""
    monkeypatch.setattr(compile_ahead, "JOBS", (("tiles", "show", "@low.obj"),))
    monkeypatch.setattr(compile_ahead, "_look", lambda folder: None)
    monkeypatch.setattr(loops, "_refused", {})
    monkeypatch.setattr(loops, "_said", [])
    return tmp_path


def test_it_says_how_much_lies_where(few):
    done = CliRunner().invoke(app, ["--compile"])
    assert done.exit_code == 0, done.output
    places = [folder for folder in compiled.folders() if list(folder.glob("*.nbc"))]
    assert places and all(str(folder) in done.output for folder in places)
    assert f"{len(list(places[0].glob('*.nbc')))} compiled loops" in done.output.replace(",", "")


def test_where_nothing_can_be_kept_it_fails_in_plain_words(few, monkeypatch):
    monkeypatch.setattr(loops, "_folders", lambda: (few, compiled.SHIPPED))
    loops._refused[few] = "No space left on device"
    done = CliRunner().invoke(app, ["--compile"])
    assert done.exit_code == 2
    assert "No space left on device" in done.output and compiled.OWN_VARIABLE in done.output


def test_a_job_that_fails_is_not_passed_over(few, monkeypatch):
    monkeypatch.setattr(compile_ahead, "JOBS", (("tiles", "show", "@nothing.obj"),))
    assert CliRunner().invoke(app, ["--compile"]).exit_code != 0


def test_every_command_with_loops_has_a_job():
    assert {job[0] for job in compile_ahead.JOBS} == set(SUMMARIES) - ELSEWHERE
    assert set(SUMMARIES) >= ELSEWHERE


def test_a_terminal_says_that_loops_are_compiled_and_a_pipe_does_not():
    for is_terminal in (True, False):
        terminal, stream = Terminal(), io.StringIO()
        terminal.err = Console(file=stream, force_terminal=is_terminal, width=120)
        with terminal.progress():
            for told in tuple(compiled.watchers):
                told("cagecheck.rays.settle.settle")
                told("cagecheck.rays.settle.other")
        assert (f"{COMPILING}: 2" in stream.getvalue()) == is_terminal
        assert compiled.watchers == []


def test_the_document_names_the_folders(few):
    said = (Path(compiled.__file__).parents[1] / "docs/compiled-loops.md").read_text("utf-8")
    for name in (compiled.OWN_VARIABLE, compiled.VARIABLE, compiled.SHIPPED.name, "--compile"):
        assert f"{name}" in said
