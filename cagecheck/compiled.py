"""Where compiled loops are kept, so that they are never older than the code.

numba by itself keeps compiled functions beside their source and looks only at the file that a
function stands in: when a function that it calls changes in another file, the old machine code goes
on running. cagecheck therefore keeps its compiled loops in a folder of the user's cache that is
named after the contents of all its compiled sources. Images and installers can bring them along, in
a folder of their choice or inside the package. `cagecheck.loops` reads and writes them.
"""

from __future__ import annotations

import functools
import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from platformdirs import user_cache_path

# A folder for compiled loops that is looked into first, and filled where it can be written.
OWN_VARIABLE = "CAGECHECK_COMPILED"
# What numba itself goes by; takes the place of the user's cache.
VARIABLE = "NUMBA_CACHE_DIR"
# What an installer may put into the package; it is only read.
SHIPPED = Path(__file__).parent / "compiled-loops"
# Caches of other states of the code are forgotten when nobody has used them for so long: a younger
# one may be in use by another copy of the package at this very moment.
FORGOTTEN_AFTER_S = 14 * 24 * 3600
# What files hold whose functions are compiled, or become part of compiled ones.
_MARKS = (b"njit", b"intrinsic")
# Who wants to hear of every loop that is about to be compiled.
watchers: list[Callable[[str], None]] = []


@contextmanager
def watching(told: Callable[[str], None]) -> Iterator[None]:
    """Call `told` with the name of every loop that is about to be compiled meanwhile."""
    watchers.append(told)
    try:
        yield
    finally:
        watchers.remove(told)


def sources_digest(package: Path) -> str:
    """Return a digest of all files of the package that hold compiled functions."""
    digest = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        data = path.read_bytes()
        if any(mark in data for mark in _MARKS):
            digest.update(path.relative_to(package).as_posix().encode() + b"\0" + data)
    return digest.hexdigest()[:16]


@functools.cache
def own_digest() -> str:
    """Return the digest of this package."""
    return sources_digest(Path(__file__).parent)


def user_cache() -> Path | None:
    """Return the user's cache folder of cagecheck; None where this user has no home."""
    folder = user_cache_path("cagecheck", appauthor=False)
    # Without a home its name stays "~", and a folder of that name would be made right here.
    return folder if folder.is_absolute() else None


def cache_folder() -> Path | None:
    """Return where loops compiled now are kept: what `NUMBA_CACHE_DIR` says, or the user's cache.

    The folder in the user's cache is that of this state of the code; None without a home.
    """
    if told := os.environ.get(VARIABLE):
        return Path(told)
    parent = user_cache()
    return None if parent is None else parent / "compiled" / own_digest()


def folders() -> tuple[Path, ...]:
    """Return the folders that compiled loops may lie in, in the order they are looked into."""
    named = os.environ.get(OWN_VARIABLE)
    wanted = (Path(named) if named else None, cache_folder(), SHIPPED)
    return tuple(folder for folder in wanted if folder is not None)


def mark_used() -> None:
    """Note that the user's cache of this state of the code is in use; forget old ones."""
    folder = cache_folder()
    if folder is None or os.environ.get(VARIABLE):
        return
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        os.utime(folder)
        _forget_old(folder.parent, folder)


def _forget_old(parent: Path, current: Path) -> None:
    oldest = current.stat().st_mtime - FORGOTTEN_AFTER_S
    for folder in parent.iterdir():
        if folder != current and folder.is_dir() and folder.stat().st_mtime < oldest:
            shutil.rmtree(folder, ignore_errors=True)
