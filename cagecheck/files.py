"""Outputs are written whole or not at all.

`replace_file` writes one file beside its final name and renames it when complete.
`OutputFolder` does the same for a set of files: all are written into a hidden sibling folder
first and moved into place only when every one of them is complete.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

from cagecheck.errors import InputError

_HASH_BLOCK = 1 << 20


def sha256_of(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file's bytes as 64 hexadecimal digits."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as stream:
        while block := stream.read(_HASH_BLOCK):
            digest.update(block)
    return digest.hexdigest()


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
    with _told(final, "Choose another place."):
        try:
            made = _make_folders(final.parent)
            temporary = _new_file(final)
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


class OutputFolder:
    """A set of result files that appear together, or not at all.

    Use as a context manager; `add(name)` gives the temporary path to write to. On a clean exit
    all files move into `folder`, those they replace being kept aside until the last has moved; on
    an exception, there or in the block, the folder is as it was before.

    Raises
    ------
    InputError : `folder` is a file or cannot be written, a name leads outside it, it holds one of
        the names and `force` is off, or the disk is full.
    """

    def __init__(self, folder: str | os.PathLike[str], *, force: bool = False) -> None:
        self.folder = Path(folder)
        self.force = force
        self.names: list[str] = []
        self._temporary: Path | None = None
        self._made: list[Path] = []

    def __enter__(self) -> OutputFolder:
        if self.folder.exists() and not self.folder.is_dir():
            raise InputError(
                "this is a file, not a folder.", file=str(self.folder), cure="Name a folder."
            )
        with _told(self.folder, "Choose another `out` folder."):
            try:
                self._made = _make_folders(self.folder)
                self._temporary = Path(tempfile.mkdtemp(prefix=".cagecheck-", dir=self.folder))
                _unfinished.add(self._temporary)
            except BaseException:
                _remove_empty(self._made)
                raise
        return self

    def add(self, name: str) -> Path:
        """Return the temporary path for the result file `name` (may hold sub-folders)."""
        assert self._temporary is not None, "use OutputFolder in a with block"
        if Path(name).is_absolute() or ".." in Path(name).parts:
            raise InputError(
                f"the result name {name!r} leads outside the folder.", file=str(self.folder)
            )
        refuse_existing(self.folder / name, self.force)
        if name not in self.names:
            self.names.append(name)
        path = self._temporary / "new" / name
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
        assert self._temporary is not None
        kept = False
        try:
            if kind is None:
                with _told(self.folder, "Free some space or choose another `out` folder."):
                    self._move_in()
                kept = True
            elif isinstance(error, OSError) and error.errno in _FULL:
                raise _cannot_write(self.folder, error, "Free some space.") from error
        finally:
            shutil.rmtree(self._temporary, ignore_errors=True)
            _unfinished.discard(self._temporary)
            if not kept:
                _remove_empty(self._made)

    def _move_in(self) -> None:
        assert self._temporary is not None
        for name in self.names:
            assert (self._temporary / "new" / name).is_file(), f"{name} was added, never written"
            refuse_existing(self.folder / name, self.force)
        moved: list[tuple[Path, Path]] = []  # (from, to)
        try:
            for name in self.names:
                new, final = self._temporary / "new" / name, self.folder / name
                aside = self._temporary / "old" / name
                self._made.extend(_make_folders(final.parent))
                if final.exists():
                    aside.parent.mkdir(parents=True, exist_ok=True)
                    final.replace(aside)
                    moved.append((final, aside))
                new.replace(final)
                moved.append((new, final))
        except BaseException:
            for before, after in reversed(moved):
                after.replace(before)
            raise


# Temporary files and folders that are being written to.
_unfinished: set[Path] = set()


def remove_unfinished() -> None:
    """Remove temporary files and folders; for who ends the process without leaving its blocks.

    A folder whose files are moving into place at this moment is let finish: what it keeps aside is
    not to be lost.
    """
    for path in tuple(_unfinished):
        if path.is_dir() and not (path / "old").exists():
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


def _make_folders(folder: Path) -> list[Path]:
    """Make `folder` and those above it; return those that were missing, the deepest first."""
    missing = [p for p in (folder, *folder.parents) if not p.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return missing


def _remove_empty(folders: list[Path]) -> None:
    for folder in sorted(folders, key=lambda p: len(p.parts), reverse=True):
        with contextlib.suppress(OSError):
            folder.rmdir()


def _new_file(final: Path) -> Path:
    """Make an empty file beside `final`, with the rights that any new file gets here.

    (`tempfile` gives its files to the owner alone, and the process's own rule, the umask, can
    only be read by changing it for a moment, under the feet of other threads.)
    """
    while True:
        path = final.with_name(f".{final.stem}.{secrets.token_hex(6)}{final.suffix}")
        with contextlib.suppress(FileExistsError):
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
            return path
