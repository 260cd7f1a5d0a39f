"""A watch with the real file watcher and the real process that predicts."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from cagecheck.watching.watch import QUIET_SECONDS
from tests.watching.scene import (
    Follower,
    contents,
    following,
    low_text,
    put,
    write_high,
    write_scene,
)
from tests.watching.test_rounds import fresh


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("watched")


@pytest.fixture(scope="module")
def running(folder: Path) -> Iterator[Follower]:
    """One watch for all tests here: each begins where the one before has left the files."""
    bake = write_scene(folder)
    (folder / "low.obj").write_text("mtllib paint.mtl\n" + low_text())
    with following(bake, folder / "out", page=False) as follower:
        first = follower.next("round")
        assert first.number == 1 and first.changed == () and first.document["round"] == 1
        follower.next("written")
        yield follower


def test_a_file_that_is_replaced_begins_a_round(running: Follower, folder: Path) -> None:
    put(folder / "low.obj", low_text(lift=1.0))
    news = running.next("round")
    assert [path.name for path in news.changed] == ["low.obj"]
    assert "mended" in news.words and "harm" in news.words
    written = running.next("written").written
    assert contents(folder / "out") == fresh(folder, "fresh-replaced")
    assert {path.name for path in written} == set(contents(folder / "out"))


def test_a_file_that_is_written_in_pieces_is_read_once_it_is_whole(
    running: Follower, folder: Path
) -> None:
    text = low_text(lift=0.2, side=12)
    third, told = len(text) // 3, len(running.heard)
    with (folder / "low.obj").open("w") as stream:
        for k in range(3):
            stream.write(text[k * third : len(text) if k == 2 else (k + 1) * third])
            stream.flush()
            time.sleep(0.6 * QUIET_SECONDS)
    news = running.next("round")
    assert news.document["low"]["faces"] == 144
    # What was begun with half a file is given up, and nobody hears of it.
    assert [x.kind for x in running.heard[told:]] == ["started", "round"]
    running.next("written")
    assert contents(folder / "out") == fresh(folder, "fresh-pieces")


def test_a_file_that_cannot_be_read_yet_is_one_line_and_the_last_result_stays(
    running: Follower, folder: Path
) -> None:
    before = contents(folder / "out")
    whole = low_text(lift=0.4)
    (folder / "low.obj").write_text(whole[: whole.index("\nf ") + 6])  # a face cut off
    news = running.next("waiting")
    assert "low.obj" in news.words and "last good result stays" in news.words
    assert "\n" not in news.words
    assert contents(folder / "out") == before
    (folder / "low.obj").write_text(whole)
    assert [path.name for path in running.next("round").changed] == ["low.obj"]
    running.next("written")
    assert contents(folder / "out") == fresh(folder, "fresh-cut-off")


def test_a_file_that_is_gone_is_waited_for(running: Follower, folder: Path) -> None:
    kept = (folder / "low.obj").read_text()
    (folder / "low.obj").unlink()
    assert "low.obj is not there" in running.next("waiting").words
    (folder / "low.obj").write_text(low_text(lift=0.9))
    assert running.next("round").changed == (folder / "low.obj",)
    running.next("written")
    # Gone and back as it was: no round.
    (folder / "low.obj").unlink()
    running.next("waiting")
    (folder / "low.obj").write_text(low_text(lift=0.9))
    news = running.next("round", "unchanged")
    assert news.kind == "unchanged" and "same content" in news.words
    assert kept != (folder / "low.obj").read_text()


def test_a_round_that_was_begun_with_other_content_counts_for_nothing(
    running: Follower, folder: Path
) -> None:
    """Two saves one after the other: the change is told against the round before both."""
    running.quiet()
    before, told = running.watch.bake.low.read_text(), len(running.heard)
    put(folder / "low.obj", low_text(lift=0.0))
    time.sleep(0.7 * QUIET_SECONDS)
    put(folder / "low.obj", before + "# saved again\n")
    news = running.next("round")
    assert "nothing changed" in news.words
    assert [x.kind for x in running.heard[told:]] == ["started", "round"]
    running.next("written")


def test_two_files_saved_together_are_one_round(running: Follower, folder: Path) -> None:
    running.quiet()
    put(folder / "low.obj", low_text(lift=0.3))
    write_high(folder / "high.ply", height=0.7)
    news = running.next("round")
    assert {path.name for path in news.changed} == {"low.obj", "high.ply"}
    running.next("written")
    assert contents(folder / "out") == fresh(folder, "fresh-both")
    assert not [x for x in running.quiet() if x.kind == "round"]


def test_a_save_while_a_round_runs_is_told_with_the_newest_files(
    running: Follower, folder: Path
) -> None:
    put(folder / "low.obj", low_text(lift=0.5))
    running.next("started")
    put(folder / "low.obj", low_text(lift=0.6, side=5))
    while running.next("round").document["low"]["faces"] != 25:
        pass
    running.next("written")
    while contents(folder / "out") != (wanted := fresh_once(folder)):
        running.next("written")
    assert wanted


def fresh_once(folder: Path) -> dict[str, bytes]:
    shutil.rmtree(folder / "fresh-newest", ignore_errors=True)
    return fresh(folder, "fresh-newest")


def test_a_material_file_is_no_round(running: Follower, folder: Path) -> None:
    put(folder / "low.obj", "mtllib paint.mtl\n" + low_text(lift=0.6, side=5))
    running.next("round")
    running.next("written")
    (folder / "paint.mtl").write_text("newmtl skin\n")
    news = running.next("round", "unchanged")
    assert news.kind == "unchanged" and "paint.mtl" in news.words


def test_nothing_but_the_result_is_left(running: Follower, folder: Path) -> None:
    running.quiet(0.2)
    # Only the folder of the watch itself, which goes when it ends.
    assert len([p for p in folder.iterdir() if p.name.startswith(".")]) == 1
    running.end()
    running.watch.__exit__(None, None, None)
    left = [*folder.iterdir(), *(folder / "out").iterdir()]
    assert not [path for path in left if path.name.startswith(".")]
