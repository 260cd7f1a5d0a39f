"""Which ray engine is used: the fast one where it passes its trial, else the slower one.

The fast engine is called through the binary layout that its manual gives. A library of another
layout may end the process that calls it, so it is first tried in a process of its own. What passed
is noted in the user's cache folder and not tried again until the library, this package's use of it,
numba or the processor changes; where the folder cannot be written, it is tried at every start.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import logging
import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import llvmlite.binding
import numba

from cagecheck.compiled import user_cache
from cagecheck.rays import embree

log = logging.getLogger(__name__)

# The trial takes a second, and half a minute where its loops are compiled first.
TRIAL_SECONDS = 300
PASSED = b"the library passed"


@functools.cache
def load_embree() -> ctypes.CDLL | None:
    """Return the fast engine's library, or None, and then say once in the log why."""
    try:
        path = embree.library_path()
        library = embree.declare(path)
        _require_trial(path)
    except embree.EmbreeUnavailableError as reason:
        log.warning(
            "the fast ray engine is not available (%s); casting goes on, many times slower", reason
        )
        return None
    return library


def _require_trial(path: Path) -> None:
    """Try the library, unless it has passed before; raise `EmbreeUnavailableError` if it fails."""
    home = user_cache()
    note = None if home is None else home / "engine" / _fingerprint(path)
    with suppress(OSError):
        if note is not None and note.exists():
            return
    reason = failed_trial(path)
    if reason is not None:
        raise embree.EmbreeUnavailableError(reason)
    if note is None:
        return
    with suppress(OSError):
        note.parent.mkdir(parents=True, exist_ok=True)
        note.touch()


def _fingerprint(path: Path) -> str:
    """Return a name for this library, on this processor, as it is called here.

    The file goes by its size and time: reading its 40 MB would take longer than a small job.
    """
    state = path.stat()
    parts = (
        str(path.resolve()),
        str(state.st_size),
        str(state.st_mtime_ns),
        llvmlite.binding.get_host_cpu_name(),
        sys.version,
        numba.__version__,
        hashlib.sha256(Path(embree.__file__).read_bytes()).hexdigest(),
    )
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]


def failed_trial(path: Path) -> str | None:
    """Let a process of its own put `embree.self_test` to a library; None where it passes.

    Otherwise the reason in words. A failure is not kept: the next start tries again.
    """
    if not Path(sys.executable or "").stem.lower().startswith("python"):
        return "there is no Python program here to try it with"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    command = [sys.executable, "-m", "cagecheck.rays.engine_trial", str(path)]
    try:
        trial = subprocess.run(
            command,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=TRIAL_SECONDS,
            check=False,
        )
    except (OSError, subprocess.SubprocessError) as error:
        return f"it could not be tried: {error}"
    last = trial.stdout.strip().rpartition(b"\n")[2]
    if trial.returncode == 0 and last == PASSED:
        return None
    if trial.returncode == 0 and last:
        return last.decode(errors="replace")
    return f"a trial of it in a process of its own ended with status {trial.returncode}"
