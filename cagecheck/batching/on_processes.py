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
        said = ""
        for _ in range(_TRIES):
            try:
                code, text, errors = self._process(job)
            except OSError as error:
                return failed_row(job, f"no process could be started for it ({error.strerror}).")
            if code == 0:
                return _row_of(job, text)
            said = _how_it_ended(code, errors)
            if code > 0 or self.stopped:
                break
        return failed_row(job, said)

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
                [sys.executable, "-m", "cagecheck.batching.job"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=self._environment,
                text=True,
                encoding="utf-8",
                errors="replace",
            )
            self._running.add(process)
        try:
            text, errors = process.communicate(json.dumps(job))
        finally:
            with self._lock:
                self._running.discard(process)
        return process.returncode, text, errors


def _row_of(job: Job, text: str) -> Row:
    """Return the row that a process wrote, or one that says that it wrote none."""
    try:
        row = json.loads(text)
        if row["name"] == job["name"] and row["status"] in ("done", "failed"):
            return dict(row)
    except (ValueError, TypeError, KeyError, RecursionError):
        pass
    return failed_row(job, "its process ended without a result.")


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
        "clashed": None,
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
