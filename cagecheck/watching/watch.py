"""A watch: predict, wait for saves, predict again, tell what changed.

This process looks after files, page and result folder; another one predicts (`remote.py`) and is
ended without waiting. What it writes lies in a folder for the purpose until it is whole, so that
the result folder holds one result of `predict` at any time.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from cagecheck.errors import InputError
from cagecheck.files import OutputFolder, Stamp, refuse_existing, refuse_results, replace_file
from cagecheck.formats.references import data_files
from cagecheck.staging import new_folder, recover
from cagecheck.watching.bake import Bake
from cagecheck.watching.contents import stamps
from cagecheck.watching.needs import NEEDED, NEEDED_FOR_PAGE, need
from cagecheck.watching.news import LAST_STAYS, News, round_title, saved_words
from cagecheck.watching.orders import PREVIEW, QUICK_PAGE, RESULT, Done, Order
from cagecheck.watching.remote import Remote
from cagecheck.words.sentences import count_words

if TYPE_CHECKING:
    from cagecheck.watching.serving import PageServer

# Files are left alone until nobody has written to them for so long. Exporters write without pauses
# of this length (common practice, no source); where one does pause, the reader says that the file
# is cut off, and the rest of it begins the next round. Meanwhile the round is begun and kept quiet.
QUIET_SECONDS = 0.25
# How often events and the predicting process are asked.
TICK_SECONDS = 0.04


class Watch:
    """Predicts a bake anew whenever a file of it is saved; use as a context manager.

    Iterating gives `News` until `stop` is called. The block may be left at any time: a prediction
    that runs is given up, and no half-written file is left.

    Parameters
    ----------
    bake : Bake
        The files and how they are predicted.
    out : str | os.PathLike[str], optional
        A folder for the result files of each round, which are those of `write_prediction`.
    page : bool, optional
        Serve the report page on this machine.
    preview : str | os.PathLike[str], optional
        A picture to draw each round, see `write_preview`.
    force : bool, optional
        Replace files that were there before the first round.

    Attributes
    ----------
    address : str | None
        Where the page is served, None without a page.

    Raises
    ------
    InputError
        Settings out of range, a folder that is not there, files that exist and `force` is off, or
        a library that is not installed.

    Examples
    --------
    >>> import cagecheck
    >>> few = cagecheck.Settings(offset=0.05, depth=0.05, samples=500)
    >>> bake = cagecheck.Bake("hero_low.obj", "hero_high.ply", settings=few)
    >>> with cagecheck.Watch(bake, page=False) as watch:
    ...     next(news.number for news in watch if news.kind == "round")
    1
    """

    def __init__(
        self,
        bake: Bake,
        out: str | os.PathLike[str] | None = None,
        *,
        page: bool = True,
        preview: str | os.PathLike[str] | None = None,
        force: bool = False,
    ) -> None:
        self.bake = bake.checked()
        self.out = None if out is None else Path(out)
        self.preview = None if preview is None else Path(preview)
        self.address: str | None = None
        need(NEEDED, "cagecheck watch")
        if page:
            need(NEEDED_FOR_PAGE, "the page of cagecheck watch")
        refuse_results(self.out, "regions.json", force)
        if self.preview is not None:
            refuse_existing(self.preview, force)
        if bake.maps is not None and out is None:
            raise InputError("`maps` needs a folder to write to.", cure="Give `out`.")
        self._page = page
        self._force = force
        self._open = contextlib.ExitStack()
        self._server: PageServer | None = None
        self._number = self._rounds = 0
        self._ordered: dict[Path, Stamp] = {}
        self._early: dict[Path, Stamp] | None = None
        self._moved: float | None = None
        self._since: float | None = None
        self._last: News | None = None
        self._title = ("", "")
        self._ended = threading.Event()

    def __enter__(self) -> Watch:
        from cagecheck.watching.events import Events

        with contextlib.ExitStack() as opened:
            self._stage = self._make_stage(opened)
            self._folder = self.out
            if self._page:
                from cagecheck.watching.serving import PageServer

                self._folder = self.out or self._stage / "shown"
                self._server = opened.enter_context(PageServer(self._folder))
                self.address = self._server.address
            self._events = Events()
            opened.callback(self._events.stop)
            self._remote = Remote(self.bake)
            opened.callback(lambda: self._remote.close())
            self._open = opened.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._open.close()

    def __iter__(self) -> Iterator[News]:
        yield from self._order()
        while not self._ended.is_set():
            try:
                done = self._remote.heard(TICK_SECONDS)
            except EOFError:
                yield self._start_anew()
                continue
            if done is not None:
                yield from self._hear(done)
            now = time.monotonic()
            if self._events.stirred(look=self._moved is not None):
                self._moved = now
                self._since = now if self._since is None else self._since
            elif self._moved is not None and now - self._moved >= QUIET_SECONDS:
                self._moved = None
                yield from self._order()
            elif self._moved is not None:
                self._begin_early()

    def stop(self) -> None:
        """End the iteration; may be called from another thread."""
        self._ended.set()

    # Rounds -------------------------------------------------------------------------------------

    def _order(self) -> Iterator[News]:
        """Have a round done of the files as they are, if they are all there."""
        data, materials = self.bake.data(), self.bake.materials()
        self._events.follow([*data, *materials])
        before, now = self._ordered, stamps([*data, *materials])
        missing = [path for path in data if now[path] is None]
        if missing:
            yield self._wait(_missing_words(missing))
            return
        self._ordered = now
        saved = [path for path in now if now[path] != before.get(path)]
        if before and saved and not any(path in data for path in saved):
            self._since = None
            words = f"{saved_words(saved)} saved; no bake depends on it"
            yield self._said(News("unchanged", words, self._rounds))
            return
        if self._early == now:
            self._remote.want(self._number)
        else:
            self._send(early=False)
        self._early = None
        words = f"{saved_words(saved)} saved; predicting" if before else "predicting"
        yield self._said(News("started", words, self._rounds + 1, tuple(saved)))

    def _begin_early(self) -> None:
        """Have a round begun before the files have been left alone for long enough.

        Mostly they stay as they are. Nobody hears of it unless they do. A high poly that is being
        written is let alone: the scene there is would be given up for half a file.
        """
        data = self.bake.data()
        now = stamps([*data, *self.bake.materials()])
        saved = {path for path in data if now[path] != self._ordered.get(path)}
        if now == self._early or not saved or any(now[path] is None for path in data):
            return
        if saved.isdisjoint([self.bake.high, *data_files(self.bake.high)]):
            self._early = now
            self._send(early=True)

    def _send(self, *, early: bool) -> None:
        self._number += 1
        stage = self._stage / str(self._number)
        stage.mkdir()
        self._remote.order(
            Order(self._number, stage, self.out, self._server is not None, self._folder is not None,
                  self.preview is not None, early)
        )  # fmt: skip

    def _hear(self, done: Done) -> Iterator[News]:
        """Tell what became of an order."""
        stage = self._stage / str(done.number)
        if done.what == "predicted":
            yield self._round(done)
        elif done.what == "drawn":
            self._show((stage / QUICK_PAGE).read_text(encoding="utf-8"))
        elif done.what == "finished":
            yield from self._take(done, stage)
        elif done.what == "same":
            self._since = None
            yield self._said(News("unchanged", "saved again, with the same content", self._rounds))
        elif done.what == "refused":
            yield self._wait(done.words)
        else:
            lines = done.words.strip().splitlines()
            yield self._wait(f"this is a fault of cagecheck itself: {lines[-1]}.")

    def _round(self, done: Done) -> News:
        self._rounds += 1
        seconds = 0.0 if self._since is None else time.monotonic() - self._since
        self._since = None if self._moved is None else self._moved
        assert done.document is not None
        document = {**done.document, "round": self._rounds}
        changed = () if self._rounds == 1 else done.changed
        news = News(
            "round", done.words, self._rounds, changed, seconds, bool(document["clean"]), document
        )
        self._last = news
        if self._server is not None:
            self._title = round_title(news)
            self._server.tell("working", *self._title)
        return news

    def _show(self, page: str) -> None:
        if self._server is not None:
            self._server.show(page, *self._title)

    def _take(self, done: Done, stage: Path) -> Iterator[News]:
        """Move what a round wrote to where it belongs."""
        try:
            written = self._moved_in(done, stage)
        except InputError as error:
            yield self._wait(str(error))
            return
        finally:
            for number in range(1, done.number + 1):
                shutil.rmtree(self._stage / str(number), ignore_errors=True)
        self._force = True
        if self._server is not None and self._folder is not None:
            self._server.offer(list(done.files))
            self._show((self._folder / "report.html").read_text(encoding="utf-8"))
        if self.out is None:
            written = [path for path in written if path == self.preview]
        if written:
            words = f"{count_words(len(written), 'file')} written"
            yield News("written", words, self._rounds, written=tuple(written))

    def _moved_in(self, done: Done, stage: Path) -> list[Path]:
        written = []
        if self._folder is not None:
            with OutputFolder(self._folder, force=self._force) as out:
                for name in done.files:
                    # The folder may be a link to another disk.
                    shutil.move(stage / RESULT / name, out.add(name))
            written += out.paths()
        if self.preview is not None:
            with replace_file(self.preview, force=self._force) as place:
                shutil.copyfile(stage / PREVIEW, place)
            written.append(self.preview)
        return written

    def _start_anew(self) -> News:
        """Start another process to predict when the one there was has ended by itself."""
        self._remote.close()
        self._remote = Remote(self.bake)
        self._early = None
        return self._wait(
            "the process that predicts was ended from outside; often there is too little memory. "
            "The next save begins anew."
        )

    def _wait(self, words: str) -> News:
        self._since = None
        stays = LAST_STAYS if self._rounds else ""
        return self._said(News("waiting", f"{words}{stays}", self._rounds))

    def _said(self, news: News) -> News:
        """Say it on the page, too."""
        if self._server is not None:
            state, words = "working", news.words
            if news.kind == "waiting":
                state = "waiting"
            elif news.kind == "unchanged" and self._last is not None:
                state, words = "round", f"{news.words}. {self._last.words}"
            title = {"started": "", "waiting": "Waiting:"}.get(news.kind, f"round {news.number}:")
            self._server.tell(state, title, words)
        return news

    def _make_stage(self, opened: contextlib.ExitStack) -> Path:
        """Make the folder for what is not whole yet: beside the result, where there is one."""
        if self.out is None:
            made = Path(tempfile.mkdtemp(prefix="cagecheck-"))
            opened.callback(shutil.rmtree, made, ignore_errors=True)
            return made
        beside = self.out.absolute().parent
        try:
            beside.mkdir(parents=True, exist_ok=True)
            recover(self.out)
            made, lock = new_folder(beside)
        except OSError as error:
            raise InputError(
                f"cannot write here ({error.strerror}).",
                file=str(beside),
                cure="Choose another `out` folder.",
            ) from error
        opened.callback(shutil.rmtree, made, ignore_errors=True)
        opened.callback(lock.release)
        return made


def _missing_words(paths: list[Path]) -> str:
    names = saved_words(paths)
    return f"{names} {'is' if len(paths) == 1 else 'are'} not there (yet)."
