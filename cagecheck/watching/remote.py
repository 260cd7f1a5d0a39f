"""The watch's end of the process that predicts, see `worker.py`."""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import cagecheck
from cagecheck.watching.bake import Bake
from cagecheck.watching.orders import Done, Order, Wanted


class Remote:
    """A process that predicts a bake, until it is closed."""

    def __init__(self, bake: Bake) -> None:
        # The very package that is running here, wherever it lies.
        own = [str(Path(cagecheck.__file__).parent.parent), os.environ.get("PYTHONPATH", "")]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "cagecheck.watching.worker"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, own))}, **_apart(),
        )  # fmt: skip
        self._heard: queue.Queue[Done | None] = queue.Queue()
        self._send(bake)
        threading.Thread(target=self._listen, daemon=True).start()

    def close(self) -> None:
        """End the process, whatever it is doing."""
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            with contextlib.suppress(OSError):
                if stream is not None:
                    stream.close()

    def order(self, order: Order) -> None:
        """Have a round done; one that is being done is given up."""
        self._send(order)

    def want(self, number: int) -> None:
        """Have an early order told."""
        self._send(Wanted(number))

    def heard(self, seconds: float) -> Done | None:
        """Return what became of an order, waiting so long at most; None for nothing.

        Raises `EOFError` when the process ended by itself.
        """
        try:
            found = self._heard.get(timeout=seconds)
        except queue.Empty:
            return None
        if found is None:
            raise EOFError
        return found

    def _send(self, thing: Any) -> None:
        assert self._process.stdin is not None
        with contextlib.suppress(BrokenPipeError):  # what is heard tells of it
            pickle.dump(thing, self._process.stdin)
            self._process.stdin.flush()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        try:
            while True:
                self._heard.put(pickle.load(self._process.stdout))
        except (EOFError, OSError, ValueError, pickle.UnpicklingError):
            self._heard.put(None)


def _apart() -> dict[str, Any]:
    """Give the process a group of its own: Ctrl-C is for the watch, which then ends it."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}
