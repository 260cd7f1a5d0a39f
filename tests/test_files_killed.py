"""Killed before any file operation, a result is whole: all old, all new, or not there."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from cagecheck.files import OutputFolder, replace_file
from cagecheck.staging import COMMIT, LOCK, NEW, PREFIX, recover
from tests import killing
from tests.paths import ROOT

pytestmark = pytest.mark.skipif(os.name == "nt", reason="SIGKILL and fork are POSIX's")

# Below this many the operations would not have been counted.
LEAST_OPERATIONS = {"file": 3, "whole": 10, "renames": 10, "shared": 10}


def below_out(files: dict[str, str]) -> dict[str, str]:
    return {f"out/{name}": text for name, text in files.items()}


def kills(tmp_path: Path, before: str, how: str) -> list[dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.killing", str(tmp_path), before, how],
        cwd=ROOT, capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(rows) > LEAST_OPERATIONS[how], "the kills were not counted"
    assert [row["killed"] for row in rows] == [True] * (len(rows) - 1) + [False]
    assert rows[-1]["code"] == 0, done.stderr
    return rows


STATES = {
    "none": {},
    "empty": {},
    "used": below_out(killing.OLD | killing.THEIRS),
}


@pytest.mark.parametrize("how", ["whole", "renames", "shared"])
@pytest.mark.parametrize("before", ["none", "empty", "used"])
def test_a_folder_is_whole_after_every_kill(tmp_path: Path, before: str, how: str) -> None:
    old = STATES[before]
    new = old | below_out(killing.NEW)
    for row in kills(tmp_path, before, how):
        left = row["left"]
        if how == "whole":
            assert left in (old, new), row
        elif how == "renames" and before == "used":
            assert left in (old, new, {}), row
        else:
            # Never old and new beside each other, and what is not ours is where it was.
            mine = {name: text for name, text in left.items() if name in below_out(killing.NEW)}
            ages = {text.split()[0] for text in mine.values()}
            assert len(ages) <= 1, row
            assert below_out(killing.THEIRS).items() <= left.items() or before != "used", row
        assert row["recovered"] in (old, new), row
        assert row["hidden"] == [], row
    assert row["recovered"] == new


@pytest.mark.parametrize("before", ["none", "used"])
def test_a_file_is_whole_after_every_kill(tmp_path: Path, before: str) -> None:
    old = STATES[before]
    for row in kills(tmp_path, before, "file"):
        assert row["left"] in (old, old | {"out/a.txt": "new a"}), row
        assert row["recovered"] == row["left"] and row["hidden"] == [], row


def test_what_a_living_process_writes_is_not_swept(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with OutputFolder(out) as folder, replace_file(tmp_path / "one.txt") as one:
        folder.add("a.txt").write_text("a")
        one.write_text("1")
        subprocess.run(
            [sys.executable, "-c", "import sys; from cagecheck.staging import recover; "
             "from pathlib import Path; recover(Path(sys.argv[1]))", str(out)],
            cwd=ROOT, check=True,
        )  # fmt: skip
        recover(out)
        with replace_file(tmp_path / "two.txt") as two:
            two.write_text("2")
    assert killing.contents(tmp_path) == {"out/a.txt": "a", "one.txt": "1", "two.txt": "2"}
    assert killing.hidden(tmp_path) == []


@pytest.mark.parametrize(
    "note",
    [
        {"way": "files", "folder": None, "names": ["../victim.txt"]},
        {"way": "files", "folder": "..", "names": ["victim.txt"]},
        {"way": "files", "folder": "a/b", "names": ["victim.txt"]},
        {"way": "files", "folder": None, "names": ["/victim.txt"]},
        {"way": "files", "folder": None, "names": [3]},
        {"way": "else", "folder": None, "names": ["victim.txt"]},
        [],
        "x" * 10,
        None,
    ],
)
def test_a_note_that_leads_elsewhere_is_not_followed(tmp_path: Path, note: object) -> None:
    place = tmp_path / "out" / (PREFIX + "0123456789ab")
    (place / NEW).mkdir(parents=True)
    (place / NEW / "victim.txt").write_text("theirs")
    (place / COMMIT).write_text(json.dumps(note))
    (tmp_path / "victim.txt").write_text("mine")
    (tmp_path / "out" / "victim.txt").write_text("mine")
    recover(tmp_path / "out")
    assert (tmp_path / "victim.txt").read_text() == "mine"
    assert (tmp_path / "out" / "victim.txt").read_text() == "mine"
    assert not place.exists()


def test_names_that_are_only_like_ours_stay(tmp_path: Path) -> None:
    """Journals of renames, moving files and other people's hidden files are none of leftovers."""
    names = [".cagecheck-rename-0001.json", ".cagecheck-moving-0001-00001", ".cagecheck-0123",
             ".cagecheck-0123456789xy", ".notes", ".cagecheck-0123456789ab-mine"]  # fmt: skip
    for name in names:
        (tmp_path / name).write_text("x")
    link = tmp_path / (PREFIX + "0123456789ab")
    link.symlink_to(tmp_path / ".notes")
    recover(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([*names, link.name])


def test_two_at_once_end_with_one_of_both_whole(tmp_path: Path) -> None:
    """Two processes that write one folder at once: what is there in the end is one of theirs."""
    code = (
        "import sys; from pathlib import Path; from cagecheck.files import OutputFolder\n"
        "for k in range(30):\n"
        "    with OutputFolder(Path(sys.argv[1]), force=True) as out:\n"
        "        for name in 'abcdef':\n"
        "            out.add(name).write_text(sys.argv[2] + str(k))\n"
    )
    out = tmp_path / "out"
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(out), who], cwd=ROOT) for who in "xy"
    ]
    assert [process.wait(120) for process in running] == [0, 0]
    recover(out)
    held = killing.contents(out)
    assert sorted(held) == list("abcdef") and len(set(held.values())) == 1
    assert killing.hidden(tmp_path) == [] and LOCK not in held
