"""What the command refuses before it begins; the rest of it is in test_signals.py."""

from __future__ import annotations

from pathlib import Path

import pytest

import cagecheck.watching.needs as needs
from tests.commands.test_cli import run_here
from tests.watching.scene import write_scene


def refused(folder: Path, *arguments: str) -> str:
    code, out, errors = run_here("watch", "low.obj", *arguments, cwd=folder)
    assert code == 2 and out == "" and "cannot go on" in errors
    return errors


def test_what_no_save_can_mend_ends_it(tmp_path: Path) -> None:
    write_scene(tmp_path)
    before = sorted(tmp_path.iterdir())
    assert "no such folder" in refused(tmp_path, "nowhere/high.ply")
    assert "Give --out" in refused(tmp_path, "high.ply", "--maps", "normal")
    both = refused(tmp_path, "high.ply", "--offset", "1", "--push", "push.json")
    assert "--offset and --push name more than one cage" in both
    assert "not a folder" in refused(tmp_path, "high.ply", "--out", "low.obj")
    assert sorted(tmp_path.iterdir()) == before


def test_results_that_are_there_are_kept(tmp_path: Path) -> None:
    write_scene(tmp_path)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "regions.json").write_text("mine")
    assert "exists already" in refused(tmp_path, "high.ply", "--out", "out")
    assert (tmp_path / "out" / "regions.json").read_text() == "mine"


def test_libraries_that_lack_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_scene(tmp_path)
    real = needs.find_spec
    monkeypatch.setattr(needs, "find_spec", lambda name: None if name == "uvicorn" else real(name))
    errors = refused(tmp_path, "high.ply")
    assert "uvicorn" in errors and "cagecheck[watch]" in errors
