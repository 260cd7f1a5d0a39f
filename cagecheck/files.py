"""Outputs are written whole or not at all.

`replace_file` writes one file beside its final name and renames it when complete.
`OutputFolder` does the same for a set of files: all are written into a hidden sibling folder
first and moved into place only when every one of them is complete.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
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
            cure="Choose another name, or pass --force to replace it.",
        )


@contextlib.contextmanager
def replace_file(path: str | os.PathLike[str], *, force: bool = False) -> Iterator[Path]:
    """Yield a temporary path to write to; rename it to `path` when the block ends well.

    Raises
    ------
    InputError : `path` exists and `force` is off, or its folder cannot be written.
    """
    final = Path(path)
    refuse_existing(final, force)
    try:
        final.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(
            prefix=f".{final.stem}.", suffix=final.suffix, dir=final.parent
        )
    except OSError as error:
        raise InputError(
            f"cannot write here ({error.strerror}).", file=str(final), cure="Choose another place."
        ) from error
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(final)
    finally:
        temporary.unlink(missing_ok=True)


class OutputFolder:
    """A set of result files that appear together, or not at all.

    Use as a context manager; `add(name)` gives the temporary path to write to. On a clean exit
    all files move into `folder`; on an exception nothing is left behind.

    Raises
    ------
    InputError : `folder` is a file or cannot be written, or holds one of the names and `force`
        is off.
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
        try:
            missing = [p for p in (self.folder, *self.folder.parents) if not p.exists()]
            self.folder.mkdir(parents=True, exist_ok=True)
            self._made = missing
            self._temporary = Path(tempfile.mkdtemp(prefix=".cagecheck-", dir=self.folder))
        except OSError as error:
            raise InputError(
                f"cannot write here ({error.strerror}).",
                file=str(self.folder),
                cure="Choose another --out folder.",
            ) from error
        return self

    def add(self, name: str) -> Path:
        """Return the temporary path for the result file `name` (may hold sub-folders)."""
        assert self._temporary is not None, "use OutputFolder in a with block"
        refuse_existing(self.folder / name, self.force)
        self.names.append(name)
        path = self._temporary / name
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
        try:
            if kind is None:
                for name in self.names:
                    final = self.folder / name
                    final.parent.mkdir(parents=True, exist_ok=True)
                    (self._temporary / name).replace(final)
        finally:
            shutil.rmtree(self._temporary, ignore_errors=True)
            if kind is not None:
                for folder in self._made:
                    with contextlib.suppress(OSError):
                        folder.rmdir()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
