"""What watched files hold: cheap stamps that tell that one was written, hashes of what is in it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from cagecheck.files import Stamp, sha256_of, stamp


def stamps(paths: Iterable[Path]) -> dict[Path, Stamp]:
    """Return the stamps of files."""
    return {path: stamp(path) for path in paths}


class Contents:
    """Hashes of files; one is only read again when its stamp is another."""

    def __init__(self) -> None:
        self._known: dict[Path, tuple[Stamp, str]] = {}

    def of(self, paths: Iterable[Path]) -> dict[Path, str]:
        """Return the SHA-256 of each file, or words that say that it is not there."""
        return {path: self._one(path) for path in paths}

    def _one(self, path: Path) -> str:
        before = stamp(path)
        known = self._known.get(path)
        if before is not None and known is not None and known[0] == before:
            return known[1]
        try:
            found = sha256_of(path)
        except OSError:
            return "missing"
        if stamp(path) == before:
            self._known[path] = before, found
        return found
