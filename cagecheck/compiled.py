"""A cache of compiled loops that is never older than the code.

numba keeps compiled functions beside their source and looks only at the file that a function
stands in: when a function that it calls changes in another file, the old machine code goes on
running. cagecheck therefore keeps its compiled loops in a folder of the user's cache that is named
after the contents of all its compiled sources.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
from contextlib import suppress
from pathlib import Path

from platformdirs import user_cache_path

VARIABLE = "NUMBA_CACHE_DIR"
# Caches of other states of the code are forgotten when nobody has used them for so long: a younger
# one may be in use by another copy of the package at this very moment.
FORGOTTEN_AFTER_S = 14 * 24 * 3600
_MARK = b"njit"


def sources_digest(package: Path) -> str:
    """Return a digest of all files of the package that hold compiled functions."""
    digest = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        data = path.read_bytes()
        if _MARK in data:
            digest.update(path.relative_to(package).as_posix().encode() + b"\0" + data)
    return digest.hexdigest()[:16]


def use_own_cache() -> None:
    """Point numba at the cache of this state of the code, unless it is told or running already.

    Where the user's cache cannot be written, numba's own default stays.
    """
    if VARIABLE in os.environ or "numba" in sys.modules:
        return
    parent = user_cache_path("cagecheck", appauthor=False) / "compiled"
    folder = parent / sources_digest(Path(__file__).parent)
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        if os.access(folder, os.W_OK):
            os.utime(folder)
            os.environ[VARIABLE] = str(folder)
            _forget_old(parent, folder)


def _forget_old(parent: Path, current: Path) -> None:
    oldest = current.stat().st_mtime - FORGOTTEN_AFTER_S
    for folder in parent.iterdir():
        if folder != current and folder.is_dir() and folder.stat().st_mtime < oldest:
            shutil.rmtree(folder, ignore_errors=True)
