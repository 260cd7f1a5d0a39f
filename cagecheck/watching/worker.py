"""The process that predicts for a watch: it keeps the meshes, and can be ended at any time.

Run as ``python -m cagecheck.watching.worker``. Objects come in on standard input and go out on
standard output, pickled one after the other; both ends are this program (`remote.py`). It writes
into a folder that the watch gave it and nowhere else; the watch moves files to where they belong.
"""

from __future__ import annotations

import os
import pickle
import queue
import sys
import threading
import traceback
from pathlib import Path
from typing import Any, BinaryIO

from cagecheck.comparing.placed import Placed
from cagecheck.comparing.read import read_placed
from cagecheck.errors import InputError
from cagecheck.predicting.page import page_of_prediction
from cagecheck.predicting.preview import write_preview
from cagecheck.predicting.result import Prediction, prediction_document
from cagecheck.predicting.write import write_prediction
from cagecheck.report.page import write_page
from cagecheck.report.thin import KeptThin
from cagecheck.watching.bake import Bake
from cagecheck.watching.changes import round_words
from cagecheck.watching.orders import PREVIEW, QUICK_PAGE, RESULT, Done, Order, Wanted
from cagecheck.watching.rounds import Rounds


class Abandoned(BaseException):
    """The order that is being done is no longer wanted."""


class Worker:
    """Does one order after the other, the newest only."""

    def __init__(self, bake: Bake, out: BinaryIO) -> None:
        self.rounds = Rounds(bake)
        self.thin = KeptThin()
        self._out = out
        self._orders: queue.Queue[Order] = queue.Queue()
        self._newest = self._wanted = 0
        self._news = threading.Condition()
        # What was told last, to say what changed since; not the prediction itself, whose scene
        # takes the memory that the next one needs.
        self._told: Placed | None = None
        self._is_told = self._is_written = False
        self._changed: dict[Path, None] = {}

    def listen(self, source: BinaryIO) -> None:
        """Take orders until the watch is gone; then this process ends, whatever it is doing."""
        try:
            while True:
                self._take(pickle.load(source))
        except (EOFError, OSError, pickle.UnpicklingError):
            os._exit(0)

    def _take(self, heard: Order | Wanted) -> None:
        with self._news:
            if isinstance(heard, Wanted):
                self._wanted = heard.number
            else:
                self._newest = heard.number
                if not heard.early:
                    self._wanted = heard.number
                self._orders.put(heard)
            self._news.notify_all()

    def run(self) -> None:
        """Do orders for ever."""
        while True:
            order = self._orders.get()
            if order.number == self._newest:
                self.do(order)

    def do(self, order: Order) -> None:
        """Do an order and tell what became of it; a newer one ends it."""

        def progress(stage: str, done: float, total: float) -> None:
            if self._newest != order.number:
                raise Abandoned

        try:
            try:
                self._round(order, progress)
            except InputError as error:
                self._tell(Done(order.number, "refused", str(error)))
            except MemoryError:
                self._tell(Done(order.number, "refused", "this needs more memory than there is."))
            except Exception:
                self._tell(Done(order.number, "broken", traceback.format_exc()))
        except Abandoned:
            return

    def _round(self, order: Order, progress: Any) -> None:
        changed = self.rounds.changed()
        result = self.rounds.result
        if changed or result is None:
            self._changed.update(dict.fromkeys(changed))
            self._is_told = self._is_written = False
            result = self.rounds.predict(progress=progress)
        if self._is_told:
            self._tell(Done(order.number, "same"))
        else:
            self._tell_result(order, result)
        if order.page and not self._is_written:
            content = page_of_prediction(result, with_lit=False)
            write_page(content, order.stage / QUICK_PAGE, thin=self.thin, progress=progress)
            self._tell(Done(order.number, "drawn"))
        if not self._is_written:
            self._write(order, result, progress)
            self._is_written = True

    def _tell_result(self, order: Order, result: Prediction) -> None:
        placed = read_placed(result)
        words = round_words(self._told, placed, result)
        changed, document = tuple(self._changed), prediction_document(result)
        self._await_wanted(order.number)
        self._told, self._is_told = placed, True
        self._changed.clear()
        self._send(Done(order.number, "predicted", words, changed, document))

    def _write(self, order: Order, result: Prediction, progress: Any) -> None:
        bake, files = self.rounds.bake, []
        if order.result:
            folder = order.stage / RESULT
            written = write_prediction(
                result, folder, maps=bake.maps, supersample=bake.supersample,
                high_normals=bake.high_normals, thin=self.thin, home=order.home,
                progress=progress,
            )  # fmt: skip
            files = [path.relative_to(folder).as_posix() for path in written]
        if order.preview:
            write_preview(result, order.stage / PREVIEW, progress=progress)
        self._tell(Done(order.number, "finished", files=tuple(files)))

    def _await_wanted(self, number: int) -> None:
        """Wait until the files are known to stay as they are, or another order is given."""
        with self._news:
            self._news.wait_for(lambda: self._wanted == number or self._newest != number)
            if self._wanted != number:
                raise Abandoned

    def _tell(self, done: Done) -> None:
        self._await_wanted(done.number)
        self._send(done)

    def _send(self, done: Done) -> None:
        try:
            pickle.dump(done, self._out)
            self._out.flush()
        except OSError:
            os._exit(0)


def main() -> None:
    """Take the bake, then orders."""
    source, out = sys.stdin.buffer, os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    # What a library prints must not get between the objects.
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    worker = Worker(pickle.load(source), out)
    threading.Thread(target=worker.listen, args=(source,), daemon=True).start()
    worker.run()


if __name__ == "__main__":
    main()
