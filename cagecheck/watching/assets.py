"""A watch over the assets of a manifest: what is saved is checked again, what changed is told."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cagecheck.batching.against import asset_result, result_of
from cagecheck.batching.manifest import Asset, Manifest, read_manifest
from cagecheck.batching.page import PAGE, verdict_sentence
from cagecheck.batching.run import ASSETS, BatchResult, run_batch
from cagecheck.comparing.compare import compare_placed
from cagecheck.comparing.placed import Placed
from cagecheck.comparing.read import read_placed
from cagecheck.errors import InputError
from cagecheck.files import Stamp
from cagecheck.formats.references import data_files
from cagecheck.progress import Progress, silent
from cagecheck.watching.contents import stamps
from cagecheck.watching.needs import NEEDED, NEEDED_FOR_PAGE, need
from cagecheck.watching.news import LAST_STAYS, News, round_title, saved_words
from cagecheck.watching.watch import QUIET_SECONDS, TICK_SECONDS

if TYPE_CHECKING:
    from cagecheck.watching.serving import PageServer


class BatchWatch:
    """Runs a batch, waits for saves, and runs again for the assets that they concern.

    Iterating gives `News` until `stop` is called. A round is done to its end; what is saved
    meanwhile begins the next one. Results lie in `out` as `run_batch` writes them. Used as a
    context manager it serves the batch's page, too.

    Parameters
    ----------
    manifest : str | os.PathLike[str]
        The list of assets, read anew whenever it is saved.
    out : str | os.PathLike[str]
        Folder for all results; an earlier batch's folder is continued.
    workers : int, optional
        Local processes, each with one asset at a time.
    memory_gb : float, optional
        Private memory that all local processes together may hold.
    scheduler : str, optional
        Address of a dask.distributed scheduler whose workers see the same files.
    against : str | os.PathLike[str], optional
        Folder of an accepted run, see `run_batch`.
    page : bool, optional
        Serve the page on this machine, while the block that this opens lasts.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Attributes
    ----------
    address : str | None
        Where the page is served, None without a page.

    Raises
    ------
    InputError
        The first round's manifest or folder cannot be used, or a library is not installed. Later
        rounds tell it as news, and wait.

    Examples
    --------
    >>> import cagecheck
    >>> lines = "name,low,high,offset,samples\\nhero,hero_low.obj,hero_high.ply,0.05,500"
    >>> with open("assets.csv", "w") as file:
    ...     _ = file.write(lines)
    >>> watch = cagecheck.BatchWatch("assets.csv", "checked")
    >>> next(news.words for news in watch if news.kind == "round")
    '1 asset: 1 with defects.'
    """

    def __init__(
        self,
        manifest: str | os.PathLike[str],
        out: str | os.PathLike[str],
        *,
        workers: int = 1,
        memory_gb: float | None = None,
        scheduler: str | None = None,
        against: str | os.PathLike[str] | None = None,
        page: bool = True,
        progress: Progress = silent,
    ) -> None:
        need(NEEDED, "a watch over a manifest")
        self.manifest = Path(manifest)
        self.out = Path(out).absolute()
        self._plan = read_manifest(self.manifest)
        self._how: dict[str, Any] = {
            "workers": workers, "memory_gb": memory_gb, "scheduler": scheduler,
            "against": against, "progress": progress,
        }  # fmt: skip
        self.address: str | None = None
        self._page = page
        self._open = contextlib.ExitStack()
        self._server: PageServer | None = None
        self._title = ("", "")
        self._seen: dict[Path, Stamp] = {}
        self._number = 0
        self._ended = threading.Event()

    def __enter__(self) -> BatchWatch:
        if self._page:
            need(NEEDED_FOR_PAGE, "the page of a watch over a manifest")
            from cagecheck.watching.live import live_sheet
            from cagecheck.watching.serving import PageServer

            self._server = self._open.enter_context(PageServer(self.out, live=live_sheet))
            self.address = self._server.address
        return self

    def __exit__(self, *error: object) -> None:
        self._open.close()
        self._server = self.address = None

    def stop(self) -> None:
        """End the iteration after the round that runs; may be called from another thread."""
        self._ended.set()

    def __iter__(self) -> Iterator[News]:
        for news in self._rounds():
            self._tell(news)
            yield news

    def _rounds(self) -> Iterator[News]:
        from cagecheck.watching.events import Events

        events = Events()
        try:
            yield from self._round(events, self._plan, (), time.monotonic())
            since: float | None = None
            moved = 0.0
            while not self._ended.is_set():
                time.sleep(TICK_SECONDS)
                now = time.monotonic()
                if events.stirred(look=since is not None):
                    moved, since = now, now if since is None else since
                elif since is not None and now - moved >= QUIET_SECONDS:
                    yield from self._next(events, since)
                    since = None
        finally:
            events.stop()

    def _next(self, events: Any, since: float) -> Iterator[News]:
        """Do a round of what was saved; what cannot be used is told, and the last result stays."""
        now = stamps(self._seen)
        saved = tuple(path for path in now if now[path] != self._seen[path])
        try:
            plan = read_manifest(self.manifest) if self.manifest in saved else self._plan
            yield from self._round(events, plan, saved, since)
        except InputError as error:
            self._seen = now
            yield News("waiting", f"{error}{LAST_STAYS}", self._number)

    def _round(
        self, events: Any, plan: Manifest, saved: tuple[Path, ...], since: float
    ) -> Iterator[News]:
        followed = _files(self.manifest, plan)
        self._seen = stamps(followed)
        events.follow(followed)
        doing = "checking the assets"
        words = f"{saved_words(saved)} saved; {doing}" if saved else doing
        yield News("started", words, self._number + 1, saved)
        before = self._placed_of(_concerned(self._plan, plan, saved)) if self._number else {}
        self._plan = plan
        result = run_batch(plan, self.out, **self._how)
        self._number += 1
        document = result.to_dict() | {"round": self._number}
        yield News(
            "round", self._told(result, before), self._number, saved, time.monotonic() - since,
            result.passed, document,
        )  # fmt: skip
        yield News("written", "", self._number, written=result.files)

    def _tell(self, news: News) -> None:
        """Say it on the page, and show the page of a round that is written."""
        if self._server is None:
            return
        if news.kind == "written":
            self._server.offer(_names_in(self.out))
            self._server.show((self.out / PAGE).read_text(encoding="utf-8"), *self._title)
        elif news.kind == "round":
            self._title = round_title(news)
        elif news.kind == "waiting":
            self._server.tell("waiting", "Waiting:", news.words)
        else:
            self._server.tell("working", "", news.words)

    def _placed_of(self, assets: list[Asset]) -> dict[str, Placed]:
        """Return the results there are of these assets, by name."""
        found = {}
        for asset in assets:
            folder = asset_result(self.out / ASSETS / asset.slug)
            if folder is not None:
                with contextlib.suppress(InputError):
                    found[asset.name] = read_placed(folder)
        return found

    def _told(self, result: BatchResult, before: dict[str, Placed]) -> str:
        """Say what became of the assets that were done in this round, and the verdict of all."""
        said = []
        for row in result.rows:
            name = row["name"]
            if row["status"] != "done":
                said.append(f"{name}: {row['error']}")
            elif row["summary"] is None:
                if not row["reused"]:
                    said.append(f"{name}: {row['clashed']['verdict']}")
            elif name in before and not row["reused"]:
                try:
                    now = read_placed(result_of(row, self.out / ASSETS / row["slug"]))
                    said.append(f"{name}: {compare_placed(before[name], now).summary}.")
                except InputError as error:
                    said.append(f"{name}: {error}")
        return " ".join([*said, verdict_sentence(result.to_dict())])


def _concerned(before: Manifest, now: Manifest, saved: tuple[Path, ...]) -> list[Asset]:
    """Return the assets that another list or saved files may have changed."""
    known = {asset.name: asset for asset in before.assets}
    return [
        asset
        for asset in now.assets
        if known.get(asset.name) != asset or not set(saved).isdisjoint(_data(asset))
    ]


def _data(asset: Asset) -> list[Path]:
    return [file for path in asset.files.values() for file in (path, *data_files(path))]


def _files(manifest: Path, plan: Manifest) -> list[Path]:
    """Return the files that results depend on: the manifest, the assets' files, their data."""
    return list(
        dict.fromkeys([manifest, *(file for asset in plan.assets for file in _data(asset))])
    )


def _names_in(folder: Path) -> list[str]:
    """Return the files of a result folder, by their names within it."""
    inside = [path.relative_to(folder) for path in sorted(folder.rglob("*")) if path.is_file()]
    return [name.as_posix() for name in inside if not any(p.startswith(".") for p in name.parts)]
