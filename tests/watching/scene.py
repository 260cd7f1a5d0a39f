"""A plate with a hill that its cage does not clear, as files, and a watch on it."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from cagecheck.formats.write_mesh import write_surface
from cagecheck.predicting.settings import Settings
from cagecheck.watching.assets import BatchWatch
from cagecheck.watching.bake import Bake
from cagecheck.watching.news import News
from cagecheck.watching.watch import Watch
from tests.scenes.shapes import grid, halves, surface

SETTINGS = Settings(offset=0.02, depth=0.05, samples=3_000, map_size=256)
OPTIONS = (
    "--offset", "0.02", "--depth", "0.05", "--samples", "3000",
    "--size", "256",
)  # fmt: skip
# Nothing here takes so long; without it a test that fails would not end.
HANG_SECONDS = 180.0
HILL = 0.06


def hill(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return HILL * np.exp(-(x**2 + y**2) / 0.02)


def low_text(lift: float = 0.0, side: int = 6) -> str:
    """The plate as OBJ text; with `lift` 1 its vertices lie on the hill."""
    positions, quads = grid(side, 1.0, lambda x, y: lift * hill(x, y))
    rows = ["o plate"]
    rows += [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in positions]
    rows += [f"vt {x + 0.5:.6f} {y + 0.5:.6f}" for x, y, _ in positions]
    rows += ["f " + " ".join(f"{k + 1}/{k + 1}" for k in face) for face in quads]
    return "\n".join(rows) + "\n"


def write_high(path: Path, height: float = 1.0) -> None:
    positions, quads = grid(40, 1.0, lambda x, y: height * hill(x, y))
    write_surface(surface(positions, halves(quads), names=("plate",)), path, force=True)


def write_scene(folder: Path) -> Bake:
    """Write low.obj and high.ply; return the bake of them."""
    (folder / "low.obj").write_text(low_text())
    write_high(folder / "high.ply")
    return Bake(folder / "low.obj", folder / "high.ply", settings=SETTINGS)


def put(path: Path, text: str) -> None:
    """Replace a file as careful exporters do: written beside it, renamed over it."""
    beside = path.with_name(path.name + ".new")
    beside.write_text(text)
    beside.replace(path)


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


class Follower:
    """Collects what a watch tells, in a thread of its own."""

    def __init__(self, watch: Watch | BatchWatch) -> None:
        self.watch = watch
        self.heard: list[News] = []
        self._queue: queue.Queue[News | BaseException] = queue.Queue()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            for news in self.watch:
                self._queue.put(news)
        except BaseException as error:
            self._queue.put(error)

    def next(self, *kinds: str) -> News:
        """Wait for news of these kinds; others are passed over."""
        while True:
            news = self._queue.get(timeout=HANG_SECONDS)
            if isinstance(news, BaseException):
                raise news
            self.heard.append(news)
            if news.kind in kinds:
                return news

    def quiet(self, seconds: float = 1.0) -> list[News]:
        """Return what is told within some time."""
        time.sleep(seconds)
        found = []
        while not self._queue.empty():
            news = self._queue.get()
            assert isinstance(news, News), news
            found.append(news)
        return found

    def end(self) -> None:
        self.watch.stop()
        self._thread.join(HANG_SECONDS)


@contextlib.contextmanager
def following(bake: Bake, out: Path | None = None, **more: Any) -> Iterator[Follower]:
    with Watch(bake, out, **more) as watch:
        follower = Follower(watch)
        try:
            yield follower
        finally:
            follower.end()
