"""Tells that one of some files may have been written."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from pathlib import Path

from watchfiles import Change, watch

from cagecheck.files import Stamp
from cagecheck.watching.contents import stamps

# Where the system tells of no event (some network drives, a folder that is made anew), a look at
# the files' sizes and times finds out as late as this.
LOOK_SECONDS = 0.5
# Events of one save come in bursts; the library gathers those of so many milliseconds.
GATHER_MS, STEP_MS = 50, 20


class Events:
    """Watches the folders of some files."""

    def __init__(self) -> None:
        self._told = threading.Event()
        self._stop = threading.Event()
        self._paths: frozenset[Path] = frozenset()
        self._seen: dict[Path, Stamp] = {}
        self._looked = 0.0

    def follow(self, paths: Iterable[Path]) -> None:
        """Watch these files from now on."""
        wanted = frozenset(paths)
        if wanted == self._paths:
            return
        self._stop.set()
        self._stop = threading.Event()
        self._paths = wanted
        self._seen = stamps(wanted) | {p: s for p, s in self._seen.items() if p in wanted}
        folders = {path.absolute().parent for path in wanted}
        names = {str(path.absolute()) for path in wanted}
        for folder in folders:
            if folder.is_dir():
                threading.Thread(
                    target=self._listen, args=(folder, names, self._stop), daemon=True
                ).start()

    def stirred(self, *, look: bool = False) -> bool:
        """Tell whether a file has another stamp than was seen last; `look` whatever events say."""
        if not look and not self._told.is_set() and time.monotonic() - self._looked < LOOK_SECONDS:
            return False
        self._told.clear()
        self._looked = time.monotonic()
        before, self._seen = self._seen, stamps(self._paths)
        return self._seen != before

    def stop(self) -> None:
        """Watch no longer."""
        self._stop.set()

    def _listen(self, folder: Path, names: set[str], stop: threading.Event) -> None:
        # The library names files by the folder's real path.
        real = {str(Path(name).parent.resolve() / Path(name).name) for name in names} | names

        def ours(change: Change, path: str) -> bool:
            return path in real

        try:
            for _ in watch(
                folder, watch_filter=ours, debounce=GATHER_MS, step=STEP_MS, stop_event=stop,
                recursive=False, raise_interrupt=False,
            ):  # fmt: skip
                self._told.set()
        except (OSError, RuntimeError):
            return  # the look at sizes and times goes on
