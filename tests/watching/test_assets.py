"""A watch over a manifest, with the real file watcher and real processes."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from cagecheck.errors import InputError
from cagecheck.watching.assets import BatchWatch
from tests.commands.test_cli import run_here
from tests.commands.test_ending import POSIX, environment
from tests.watching.scene import HANG_SECONDS, Follower, low_text, put, write_scene

ROW = "{name},{name}/low.obj,{name}/high.ply,0.02,0.05,500,64\n"
HEAD = "name,low,high,offset,depth,samples,size\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("assets")
    for name in ("crate", "lamp"):
        (folder / name).mkdir()
        write_scene(folder / name)
    (folder / "list.csv").write_text(HEAD + ROW.format(name="crate") + ROW.format(name="lamp"))
    return folder


@pytest.fixture(scope="module")
def running(folder: Path) -> Iterator[Follower]:
    """One watch for all tests here: each begins where the one before has left the files."""
    with BatchWatch(folder / "list.csv", folder / "out", workers=2) as watch:
        follower = Follower(watch)
        try:
            first = follower.next("round")
            assert (first.number, first.changed, first.clean) == (1, (), False)
            assert first.words == "2 assets: 2 with defects."
            yield follower
        finally:
            follower.end()


def names(document: dict, key: str) -> list[str]:
    return [row["name"] for row in document["assets"] if row[key]]


def test_only_what_was_saved_is_checked_again(running: Follower, folder: Path) -> None:
    put(folder / "lamp" / "low.obj", low_text(lift=1.0))
    news = running.next("round")
    assert news.changed == (folder / "lamp" / "low.obj",)
    assert names(news.document, "reused") == ["crate"]
    assert news.words.startswith("lamp: ") and "mended" in news.words and "crate" not in news.words
    assert news.document["round"] == 2 and 0 < news.seconds < HANG_SECONDS
    assert folder / "out" / "results.csv" in running.next("written").written


def test_the_page_is_served_and_follows(running: Follower, folder: Path) -> None:
    address = running.watch.address
    assert address is not None
    page = fetched(address)
    assert "2 assets: " in page and f"Round {running.heard[-1].number}" in page
    put(folder / "lamp" / "low.obj", low_text(lift=0.5))
    number = running.next("round").number
    running.next("written")
    wait_for(lambda: f"Round {number}" in fetched(address))
    inside = fetched(f"{address}files/assets/lamp/predicted/regions.json")
    assert json.loads(inside)
    with pytest.raises(urllib.error.HTTPError, match="404"):
        fetched(f"{address}files/../list.csv")


def fetched(address: str) -> str:
    with urllib.request.urlopen(address, timeout=HANG_SECONDS) as answer:
        return str(answer.read().decode())


def wait_for(holds: Callable[[], bool]) -> None:
    end = time.monotonic() + HANG_SECONDS
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.mark.long
def test_a_round_is_what_batch_gives(running: Follower, folder: Path) -> None:
    code, printed, errors = run_here(
        "batch", folder / "list.csv", "--out", folder / "afresh", "--json", cwd=folder
    )
    assert code == 1, errors
    for name in ("crate", "lamp"):
        mine, theirs = (folder / out / "assets" / name for out in ("out", "afresh"))
        for file in ("regions.json", "samples.npz"):
            assert (mine / "predicted" / file).read_bytes() == (
                theirs / "predicted" / file
            ).read_bytes()
    rows = json.loads(printed)["assets"]
    kept = [news for news in running.heard if news.kind == "round"][-1].document["assets"]
    assert [row["summary"] for row in rows] == [row["summary"] for row in kept]


@pytest.mark.long
def test_an_asset_that_goes_away_fails_for_itself_and_comes_back(
    running: Follower, folder: Path
) -> None:
    away = folder / "lamp" / "high.ply"
    shutil.move(away, folder / "kept.ply")
    gone = running.next("round")
    assert names(gone.document, "error") == ["lamp"] and "high.ply" in gone.words
    shutil.move(folder / "kept.ply", away)
    back = running.next("round")
    assert names(back.document, "error") == []


@pytest.mark.long
def test_the_list_itself_is_followed(running: Follower, folder: Path) -> None:
    whole = (folder / "list.csv").read_text()
    put(folder / "list.csv", "nonsense\n")
    waiting = running.next("waiting", "round")
    assert waiting.kind == "waiting" and "The last good result stays." in waiting.words
    put(folder / "list.csv", whole.replace("0.02,0.05", "0.08,0.05", 1))
    news = running.next("round")
    assert names(news.document, "reused") == ["lamp"] and news.words.startswith("crate: ")
    put(folder / "list.csv", HEAD + ROW.format(name="lamp"))
    assert [row["name"] for row in running.next("round").document["assets"]] == ["lamp"]


def test_a_list_that_cannot_be_read_is_refused_at_once(folder: Path) -> None:
    with pytest.raises(InputError, match=r"list\.txt"):
        BatchWatch(folder / "list.txt", folder / "none")


@pytest.mark.long
@POSIX
def test_the_command_tells_rounds_and_ends_at_ctrl_c(folder: Path) -> None:
    (folder / "crate.csv").write_text(HEAD + ROW.format(name="crate"))
    with subprocess.Popen(
        [sys.executable, "-m", "cagecheck", "batch", "crate.csv", "--out", "told", "--watch"],
        cwd=folder, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        lines = [process.stdout.readline() for _ in range(3)]
        process.send_signal(signal.SIGINT)
        rest, said = process.communicate(timeout=HANG_SECONDS)
    assert lines[0] == "Watching crate.csv and the files of its assets; Ctrl-C ends it.\n"
    assert lines[1].startswith("Page: http://127.0.0.1:")
    assert "round 1: 1 asset: 1 with defects." in lines[2]
    assert process.returncode == 0 and said == "" and rest.endswith("The watch has ended.\n")
