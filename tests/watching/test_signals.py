"""The command in a process of its own: it is ended by signals, cleanly, whatever it is doing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cagecheck.files import OutputFolder
from cagecheck.staging import recover
from tests.paths import ROOT
from tests.watching.scene import HANG_SECONDS, OPTIONS, write_scene

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
SIGNALS = pytest.mark.parametrize(
    "number", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.long)]
)


def started(folder: Path, *more: str) -> subprocess.Popen[str]:
    write_scene(folder)
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "cagecheck", "watch", "low.obj", "high.ply", *OPTIONS, *more],
        cwd=folder, env=os.environ | {"PYTHONPATH": str(ROOT)}, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def read_until(process: subprocess.Popen[str], word: str) -> str:
    assert process.stdout is not None
    for line in process.stdout:
        if word in line:
            return line
    raise AssertionError("it ended before it said so")


def children(process: subprocess.Popen[str]) -> list[int]:
    found = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    return [int(word) for word in found.read_text().split()] if found.exists() else []


def alive(number: int) -> bool:
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    return True


@SIGNALS
def test_it_ends_cleanly_while_it_waits(tmp_path: Path, number: signal.Signals) -> None:
    process = started(tmp_path, "--no-page", "--out", "out")
    assert "One will see" in read_until(process, "round 1")
    while not (tmp_path / "out" / "report.html").exists():
        time.sleep(0.05)
    begun = children(process)
    process.send_signal(number)
    out, errors = process.communicate(timeout=HANG_SECONDS)
    assert process.returncode == 0 and errors == "" and "The watch has ended." in out
    assert begun and not any(alive(child) for child in begun)
    names = {path.name for folder in (tmp_path, tmp_path / "out") for path in folder.iterdir()}
    assert "regions.json" in names and not any(name.startswith(".") for name in names)


@SIGNALS
def test_it_ends_cleanly_while_it_predicts(tmp_path: Path, number: signal.Signals) -> None:
    # So many samples that the first round cannot be done by the time of the signal.
    process = started(tmp_path, "--samples", "20000000", "--out", "out")
    read_until(process, "http://127.0.0.1:")
    time.sleep(1.0)
    begun = children(process)
    process.send_signal(number)
    out, errors = process.communicate(timeout=HANG_SECONDS)
    assert process.returncode == 0 and errors == "" and "round 1" not in out
    assert not any(alive(child) for child in begun)
    assert {path.name for path in tmp_path.iterdir()} == {"low.obj", "high.ply"}


def test_the_predicting_process_ends_when_the_watch_is_killed(tmp_path: Path) -> None:
    """And what the watch leaves is swept by whoever next writes there."""
    process = started(tmp_path, "--no-page", "--out", "out")
    read_until(process, "round 1")
    while not (tmp_path / "out" / "report.html").exists():
        time.sleep(0.05)
    begun = children(process)
    assert begun
    recover(tmp_path / "out")
    (stage,) = tmp_path.glob(".*")  # nobody takes it away from a watch that lives
    process.kill()
    process.communicate(timeout=HANG_SECONDS)
    end = time.monotonic() + HANG_SECONDS
    while any(alive(child) for child in begun):
        assert time.monotonic() < end, "the process goes on without its watch"
        time.sleep(0.05)
    assert stage.exists()
    with OutputFolder(tmp_path / "other") as other:
        other.add("a.txt").write_text("a")
    assert not stage.exists() and (tmp_path / "out" / "regions.json").exists()


@pytest.mark.long
def test_json_gives_one_document_a_line(tmp_path: Path) -> None:
    import json

    from tests.report.test_schemas import validate
    from tests.watching.scene import low_text, put

    process = started(tmp_path, "--json")
    assert process.stdout is not None and process.stderr is not None
    assert "http://127.0.0.1:" in process.stderr.readline()
    first = json.loads(process.stdout.readline())
    put(tmp_path / "low.obj", low_text(lift=1.0))
    second = json.loads(process.stdout.readline())
    process.send_signal(signal.SIGTERM)
    rest, _ = process.communicate(timeout=HANG_SECONDS)
    assert (first.pop("round"), second.pop("round"), rest) == (1, 2, "")
    validate("prediction", first)
    validate("prediction", second)
    assert first["low"]["source"] != second["low"]["source"]
