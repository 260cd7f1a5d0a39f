"""Jobs in local processes: one process per asset, so that memory comes back and crashes stay
where they are."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from typing import Any

Job = dict[str, Any]
Row = dict[str, Any]

# A process that ends by a signal is tried once more: the cause is often memory that others held.
_TRIES = 2
_THREAD_LIMITS = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
_LINES_OF_ERROR = 3


def run_locally(jobs: Sequence[Job], workers: int) -> Iterator[Row]:
    """Run jobs in up to `workers` processes at once; yield rows as they come.

    When the caller stops listening (an interrupt), all processes are ended.
    """
    pool = _Processes(workers)
    with ThreadPoolExecutor(workers) as threads:
        futures = [threads.submit(pool.run, job) for job in jobs]
        try:
            for future in as_completed(futures):
                yield future.result()
        finally:
            for future in futures:
                future.cancel()
            pool.stop()


class _Processes:
    """The processes that are running."""

    def __init__(self, workers: int) -> None:
        self.stopped = False
        self._lock = threading.Lock()
        self._running: set[subprocess.Popen[str]] = set()
        share = max(1, (os.cpu_count() or 1) // workers)
        self._environment = {name: str(share) for name in _THREAD_LIMITS} | dict(os.environ)

    def run(self, job: Job) -> Row:
        """Run one job to its end; return its row, or one that says how the process ended."""
        error = ""
        for _ in range(_TRIES):
            code, text, errors = self._process(job)
            if code == 0:
                row: Row = json.loads(text)
                return row
            error = _how_it_ended(code, errors)
            if code > 0 or self.stopped:
                break
        return failed_row(job, error)

    def stop(self) -> None:
        """End all processes."""
        with self._lock:
            self.stopped = True
            for process in self._running:
                process.kill()

    def _process(self, job: Job) -> tuple[int, str, str]:
        with self._lock:
            if self.stopped:
                return -signal.SIGTERM, "", ""
            process = subprocess.Popen(
                [sys.executable, "-m", "cagecheck.chores.batch.job"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=self._environment,
                text=True,
                encoding="utf-8",
            )
            self._running.add(process)
        try:
            text, errors = process.communicate(json.dumps(job))
        finally:
            with self._lock:
                self._running.discard(process)
        return process.returncode, text, errors


def failed_row(job: Job, error: str) -> Row:
    """Return the row of a job whose process could not say what went wrong."""
    return {
        "name": job["name"],
        "key": job["key"],
        "status": "failed",
        "error": error,
        "summary": None,
        "predicted": None,
        "tuned": False,
        "seconds": None,
        "peak_mb": None,
    }


def _how_it_ended(code: int, errors: str) -> str:
    if code < 0:
        try:
            name = signal.Signals(-code).name
        except ValueError:
            name = f"signal {-code}"
        return (
            f"the process was ended by {name}, as systems do when memory runs out. Run fewer "
            "--workers, or split the asset."
        )
    last = " / ".join(line.strip() for line in errors.strip().splitlines()[-_LINES_OF_ERROR:])
    return f"the process ended with an error of its own: {last or 'no message'}"
