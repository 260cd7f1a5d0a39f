"""Outputs are written whole or not at all.

`replace_file` writes one file beside its final name and renames it when complete.
`OutputFolder` does the same for a set of files: all are written into a hidden folder first and
come into place together when every one of them is complete (`cagecheck.staging`). Both first
clear away what killed processes left there.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import stat
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from cagecheck.errors import InputError
from cagecheck.locks import Lock
from cagecheck.staging import COMMIT, Stage, make_folders, new_file, recover

_HASH_BLOCK = 1 << 20
# Windows has neither the flag nor pipes among its files, but translates line ends unasked.
_AT_ONCE = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


# Size, time of the last write in nanoseconds, and number on its disk, which a file that takes the
# place of another changes; None for no such file.
Stamp = tuple[int, int, int] | None


def stamp(path: Path) -> Stamp:
    """Return what tells cheaply that a file was written."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino


def sha256_of(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file's bytes as 64 hexadecimal digits."""
    digest = hashlib.sha256()
    with open_plain(path) as stream:
        while block := stream.read(_HASH_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def open_plain(path: str | os.PathLike[str]) -> BinaryIO:
    """Open a plain file for reading; anything else would hang or never end, and is not opened.

    Raises `OSError` and nothing else, for names that no system takes, too.
    """
    try:
        _check_plain(os.stat(path))  # noqa: PTH116 - before it is opened: opening acts on devices
        # A pipe that took the file's place in between would wait for its other end.
        handle = os.open(path, os.O_RDONLY | _AT_ONCE)
    except ValueError as error:
        raise OSError(errno.EINVAL, "no system takes this name") from error
    try:
        _check_plain(os.fstat(handle))
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_plain(path: str | os.PathLike[str], *, most: int = 1 << 30) -> bytes:
    """Return the bytes of a plain file, `most` of them at most. Raises `OSError`."""
    with open_plain(path) as stream:
        data = stream.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, "it is too large for a file of its kind")
    return data


def _check_plain(found: os.stat_result) -> None:
    if stat.S_ISDIR(found.st_mode):
        raise OSError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(found.st_mode):
        raise OSError(errno.EINVAL, "it is not a plain file")


def refuse_existing(path: Path, force: bool) -> None:
    """Raise `InputError` when `path` exists and `force` is off, or is a folder."""
    if path.is_dir():
        raise InputError("this is a folder, not a file.", file=str(path), cure="Name a file.")
    if path.exists() and not force:
        raise InputError(
            "this file exists already and was left as it is.",
            file=str(path),
            cure="Choose another name, or pass `force` to replace it.",
        )


def refuse_results(folder: Path | None, name: str, force: bool) -> None:
    """Refuse a folder of results before the work, not after it.

    Raises `InputError` when `folder` is a file, or holds the result `name` and `force` is off.
    """
    if folder is None:
        return
    if folder.exists() and not folder.is_dir():
        raise InputError("this is a file, not a folder.", file=str(folder), cure="Name a folder.")
    refuse_existing(folder / name, force)


@contextlib.contextmanager
def replace_file(path: str | os.PathLike[str], *, force: bool = False) -> Iterator[Path]:
    """Yield a temporary path to write to; rename it to `path` when the block ends well.

    Folders made on the way are removed again when it does not.

    Raises
    ------
    InputError : `path` exists and `force` is off, its folder cannot be written, or the disk is
        full.
    """
    final = Path(path)
    refuse_existing(final, force)
    made: list[Path] = []
    temporary: Path | None = None
    lock: Lock | None = None
    with _told(final, "Choose another place."):
        try:
            made = make_folders(final.parent)
            recover(final.parent)
            temporary, lock = new_file(final)
            _unfinished.add(temporary)
        except BaseException:
            _remove_empty(made)
            raise
    try:
        with _told(final, "Free some space or choose another place.", _FULL):
            yield temporary
        refuse_existing(final, force)
        with _told(final, "Free some space or choose another place."):
            temporary.replace(final)
    except BaseException:
        temporary.unlink(missing_ok=True)
        _remove_empty(made)
        raise
    finally:
        _unfinished.discard(temporary)
        if lock is not None:
            lock.release()


class OutputFolder:
    """A set of result files that appear together, or not at all.

    Use as a context manager; `add(name)` gives the temporary path to write to. On a clean exit
    all files come into `folder` together; on an exception, there or in the block, the folder is as
    it was before. Where the process is killed, the folder is whole all the same: all old or all
    new. `is_shared` says that the folder is the artist's own and only some files in it are ours:
    then old ones may lie hidden after a kill until the next start brings the new ones in.

    Raises
    ------
    InputError : `folder` is a file or cannot be written, a name leads outside it, it holds one of
        the names and `force` is off, or the disk is full.
    """

    def __init__(
        self, folder: str | os.PathLike[str], *, force: bool = False, is_shared: bool = False
    ) -> None:
        self.folder = Path(folder)
        self.force = force
        self.is_shared = is_shared
        self.names: list[str] = []
        self._stage: Stage | None = None
        self._made: list[Path] = []

    def __enter__(self) -> OutputFolder:
        if self.folder.exists() and not self.folder.is_dir():
            raise InputError(
                "this is a file, not a folder.", file=str(self.folder), cure="Name a folder."
            )
        with _told(self.folder, "Choose another `out` folder."):
            try:
                self._made = make_folders(self.folder.absolute().parent)
                recover(self.folder)
                self._stage = Stage(Path(os.path.realpath(self.folder)), self.is_shared)
                _unfinished.add(self._stage.place)
            except BaseException:
                _remove_empty(self._made)
                raise
        return self

    def add(self, name: str) -> Path:
        """Return the temporary path for the result file `name` (may hold sub-folders)."""
        assert self._stage is not None, "use OutputFolder in a with block"
        if Path(name).is_absolute() or ".." in Path(name).parts:
            raise InputError(
                f"the result name {name!r} leads outside the folder.", file=str(self.folder)
            )
        refuse_existing(self.folder / name, self.force)
        if name not in self.names:
            self.names.append(name)
        path = self._stage.new / name
        with _told(self.folder / name, "Choose another `out` folder."):
            path.parent.mkdir(parents=True, exist_ok=True)
        return path

    def paths(self) -> list[Path]:
        """Return the final paths of all files added so far."""
        return [self.folder / name for name in self.names]

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._stage is not None
        kept = False
        try:
            if kind is None:
                with _told(self.folder, "Free some space or choose another `out` folder."):
                    self._move_in(self._stage)
                kept = True
            elif isinstance(error, OSError) and error.errno in _FULL:
                raise _cannot_write(self.folder, error, "Free some space.") from error
        finally:
            self._stage.close()
            _unfinished.discard(self._stage.place)
            if not kept:
                _remove_empty(self._made)

    def _move_in(self, stage: Stage) -> None:
        for name in self.names:
            assert (stage.new / name).is_file(), f"{name} was added, never written"
            refuse_existing(self.folder / name, self.force)
        stage.move_in(self.names)


# Temporary files and folders that are being written to.
_unfinished: set[Path] = set()


def remove_unfinished() -> None:
    """Remove temporary files and folders; for who ends the process without leaving its blocks.

    A folder whose files are moving into place at this moment is left: the next start finishes it.
    """
    for path in tuple(_unfinished):
        if path.is_dir() and not (path / COMMIT).exists():
            shutil.rmtree(path, ignore_errors=True)
        elif path.is_file():
            path.unlink(missing_ok=True)


# A disk or quota that is full, as the operating system numbers it.
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def _cannot_write(path: Path, error: OSError, cure: str) -> InputError:
    return InputError(f"cannot write here ({error.strerror}).", file=str(path), cure=cure)


@contextlib.contextmanager
def _told(path: Path, cure: str, only: tuple[int, ...] = ()) -> Iterator[None]:
    """Turn the operating system's refusals (or those numbered in `only`) into words."""
    try:
        yield
    except OSError as error:
        if only and error.errno not in only:
            raise
        raise _cannot_write(path, error, cure) from error


def _remove_empty(folders: list[Path]) -> None:
    for folder in sorted(folders, key=lambda p: len(p.parts), reverse=True):
        with contextlib.suppress(OSError):
            folder.rmdir()
