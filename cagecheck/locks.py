"""Locks that a dead process does not hold: the operating system lets go of them when it ends.

A process number in a file would not do: numbers are given again, and another machine on the same
drive has its own.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from cagecheck.errors import InputError

_WINDOWS = os.name == "nt"
# Drives that know locks per process only would let this process take its own a second time.
_OURS: set[str] = set()
_GUARD = threading.Lock()


@dataclass(frozen=True)
class Lock:
    """A lock that is held. `is_sure` is off where the drive has none: others may hold it too."""

    path: Path
    handle: int
    is_sure: bool

    def release(self, *, remove: bool = False) -> None:
        """Let go; with `remove` the file goes first, so that nobody waits for one that is gone."""
        try:
            if remove and not _WINDOWS:
                self.path.unlink(missing_ok=True)
        finally:
            with contextlib.suppress(OSError):
                os.close(self.handle)
            with _GUARD:
                _OURS.discard(_key(self.path))
        if remove and _WINDOWS:  # open files cannot be removed there
            with contextlib.suppress(OSError):
                self.path.unlink(missing_ok=True)


def take(path: Path) -> Lock | None:
    """Lock a file, made if need be; None when somebody alive holds it. Raises `OSError`."""
    key = _key(path)
    with _GUARD:
        if key in _OURS:
            return None
        _OURS.add(key)
    lock = None
    try:
        lock = _take(path)
    finally:
        if lock is None:
            with _GUARD:
                _OURS.discard(key)
    return lock


@contextlib.contextmanager
def alone(path: Path, busy: InputError) -> Iterator[None]:
    """Hold a lock in a folder, and remove its file in the end.

    Raises `busy` while somebody else holds it, and `InputError` where it cannot be written.
    """
    try:
        lock = take(path)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"cannot write here ({reason}).", file=str(path.parent)) from error
    if lock is None:
        raise busy
    try:
        yield
    finally:
        lock.release(remove=True)


def _take(path: Path) -> Lock | None:
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        is_sure = _try(handle)
        if is_sure is not None and _is_same(handle, path):
            return Lock(path, handle, is_sure)
    except BaseException:
        os.close(handle)
        raise
    os.close(handle)
    return None


def _key(path: Path) -> str:
    return os.path.abspath(path)  # noqa: PTH100 - links are not followed


def _is_same(handle: int, path: Path) -> bool:
    """Whether the file is still there: its holder may have removed it while we opened it."""
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except FileNotFoundError:
        return False


if sys.platform == "win32":
    import msvcrt

    def _try(handle: int) -> bool | None:
        """Lock an open file: True, or None when it is taken."""
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return None
        return True

else:
    import fcntl

    def _try(handle: int) -> bool | None:
        """Lock an open file: True, None when it is taken, False where the drive has no locks."""
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return None
        except OSError:
            return False
        return True
