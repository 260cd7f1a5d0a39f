"""A folder of results takes the place of an older one as a whole, even when the process is killed.

Results are written into a hidden folder first (`Stage`), beside the folder that they are for or,
where that cannot be, inside it. Then they come in by one of three ways:

* where there is no such folder yet, or an empty one, by one rename;
* where there is one, the new folder gets everything else that the old one holds (as links to the
  same files) and the two change places: at once where the system can do that (Linux), else by two
  renames;
* where a folder cannot change places (it is the one that we work in, a drive of its own, or the
  artist's own folder, `is_shared`), file by file, the first file out first and in last.

What is under way is noted beforehand in ``commit.json``. A start of any command that reads or
writes there calls `recover`: what a dead process had noted is finished, all else that it left is
removed.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import re
import secrets
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from cagecheck.locks import Lock, take

# Hidden names of unfinished work: of folders, and of single files with the ending of the final one.
PREFIX = ".cagecheck-"
_LEFT = re.compile(re.escape(PREFIX) + r"[0-9a-f]{12}(\.[^.]*)?")
_WINDOWS = os.name == "nt"
LOCK, COMMIT, NEW, OLD = "lock", "commit.json", "new", "old"
# A folder with more other things than this is the artist's own, and is not exchanged.
MOST_OTHERS = 2000
# renameat2(2): exchange two names at once; names are relative to the working folder.
_EXCHANGE, _AT_FDCWD = 2, -100


class Stage:
    """The hidden folder in which the files of one result gather.

    `final` : the folder that they are for, links followed. `is_shared` : it is the artist's own
    folder and never changes places. Raises `OSError` where no hidden folder can be made.
    """

    def __init__(self, final: Path, is_shared: bool) -> None:
        self.final = final
        self.is_beside = not final.exists() or (not is_shared and _may_change_places(final))
        self.place, self.lock = new_folder(final.parent if self.is_beside else final)
        self.new, self.old = self.place / NEW, self.place / OLD
        self.is_kept = False
        try:
            self.new.mkdir()
            if final.is_dir() and self.is_beside:
                _like(final, self.new)
        except BaseException:
            self.close()
            raise

    def move_in(self, names: Sequence[str]) -> None:
        """Bring the files `names` into the folder. Raises `OSError` with all as it was before."""
        if not names and self.final.is_dir():
            return
        if self.is_beside:
            if not self.final.exists() or _is_empty(self.final):
                with contextlib.suppress(OSError):  # somebody else was faster
                    self.new.rename(self.final)
                    return
            if self._change_places(names):
                return
        self._file_by_file(names)

    def close(self) -> None:
        """Remove what is left, unless it is needed to finish."""
        try:
            if not self.is_kept:
                _remove_stage(self.place)
        finally:
            self.lock.release()
        if _WINDOWS and not self.is_kept:  # the lock's file could not be removed while it was open
            _remove_stage(self.place)

    def _change_places(self, names: Sequence[str]) -> bool:
        """Let the new folder and the old one change places; False when that cannot be."""
        if not _link_others(self.final, self.new, set(names)):
            return False
        _note(self.place, {"way": "exchange", "folder": self.final.name, "names": list(names)})
        try:
            _exchange(self.final, self.new, self.old)
        except OSError:
            (self.place / COMMIT).unlink()
            return False
        with contextlib.suppress(OSError):
            _settle(self.place, self.final, set(names))
            return True
        self.is_kept = True  # the next start settles it
        return True

    def _file_by_file(self, names: Sequence[str]) -> None:
        inside = None if not self.is_beside else self.final.name
        _note(self.place, {"way": "files", "folder": inside, "names": list(names)})
        made: list[Path] = []
        moved: list[tuple[Path, Path]] = []  # (from, to)
        try:
            if len(names) > 1:
                for name in names:
                    if os.path.lexists(self.final / name):
                        aside = self.old / name
                        aside.parent.mkdir(parents=True, exist_ok=True)
                        (self.final / name).replace(aside)
                        moved.append((self.final / name, aside))
            for name in reversed(names):
                made.extend(make_folders((self.final / name).parent))
                (self.new / name).replace(self.final / name)
                moved.append((self.new / name, self.final / name))
        except BaseException:
            self.is_kept = True  # until all is back
            for before, after in reversed(moved):
                after.replace(before)
            (self.place / COMMIT).unlink()
            self.is_kept = False
            for folder in made:
                with contextlib.suppress(OSError):
                    folder.rmdir()
            raise


def new_file(final: Path) -> tuple[Path, Lock | None]:
    """Make an empty hidden file beside `final`, locked, with the rights that any new file gets.

    On Windows it is not locked, since nobody could write to it then, and is never swept.

    (`tempfile` gives its files to the owner alone, and the process's own rule, the umask, can
    only be read by changing it for a moment, under the feet of other threads.)
    """
    while True:
        path = final.with_name(PREFIX + secrets.token_hex(6) + final.suffix)
        if _WINDOWS:
            with contextlib.suppress(FileExistsError):
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
                return path, None
        elif not os.path.lexists(path) and (lock := take(path)) is not None:
            return path, lock


def new_folder(parent: Path) -> tuple[Path, Lock]:
    """Make a hidden folder in `parent`, locked: it is swept once nobody alive holds the lock."""
    while True:
        place = parent / (PREFIX + secrets.token_hex(6))
        with contextlib.suppress(FileExistsError):
            place.mkdir()
            with contextlib.suppress(FileNotFoundError):  # swept in the moment before it was locked
                lock = take(place / LOCK)
                if lock is not None:
                    return place, lock


def recover(folder: Path) -> None:
    """Finish or remove what dead processes left in a folder and beside it.

    What belongs to a living process, or to one that may be alive, stays. Where nothing can be
    written, nothing happens.
    """
    real = Path(os.path.realpath(folder))
    for place in (real, real.parent):
        with contextlib.suppress(OSError):
            for path in sorted(place.iterdir()):
                if _LEFT.fullmatch(path.name):
                    with contextlib.suppress(OSError):
                        _recover_one(path)


def make_folders(folder: Path) -> list[Path]:
    """Make `folder` and those above it; return those that were missing, the deepest first."""
    missing = [p for p in (folder, *folder.parents) if not p.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return missing


def _recover_one(path: Path) -> None:
    if path.is_symlink() or (_WINDOWS and not path.is_dir()):
        return
    lock = take(path / LOCK if path.is_dir() else path)
    if lock is None:
        return
    try:
        if not lock.is_sure:
            return
        if not path.is_dir():
            path.unlink(missing_ok=True)
        elif _finish(path):
            _remove_stage(path)
    finally:
        lock.release()


def _finish(stage: Path) -> bool:
    """Finish what a dead process had noted. Returns False when its files are still needed."""
    noted = _noted(stage)
    if noted is None:
        # Files are only put aside after a note, so a folder of old ones without is a damaged one.
        return not any(path.is_file() for path in (stage / OLD).rglob("*"))
    final = stage.parent if noted["folder"] is None else stage.parent / noted["folder"]
    names: list[str] = noted["names"]
    if noted["way"] == "exchange":
        if not final.exists():  # between two renames
            came = stage / NEW if (stage / NEW).is_dir() else stage / OLD
            came.rename(final)
        _settle(stage, final, set(names))
        return True
    for name in reversed(names):
        new = stage / NEW / name
        if new.is_file():
            (final / name).parent.mkdir(parents=True, exist_ok=True)
            new.replace(final / name)
    return True


def _noted(stage: Path) -> dict[str, Any] | None:
    """Return the note of a stage where it is sound: it leads nowhere but into its folder."""
    try:
        noted = json.loads((stage / COMMIT).read_text(encoding="utf-8"))
        folder, names, way = noted["folder"], noted["names"], noted["way"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    sound = (
        way in ("exchange", "files")
        and (folder is None or (isinstance(folder, str) and _is_inside(folder, 1)))
        and isinstance(names, list)
        and all(isinstance(name, str) and _is_inside(name) for name in names)
    )
    return noted if sound else None


def _is_inside(name: str, most_parts: int = 100) -> bool:
    parts = Path(name).parts
    return (
        0 < len(parts) <= most_parts
        and ".." not in parts
        and "\0" not in name
        and not Path(name).is_absolute()
    )


def _note(stage: Path, what: dict[str, Any]) -> None:
    half = stage / "half.json"
    half.write_text(json.dumps(what), encoding="utf-8")
    half.replace(stage / COMMIT)


def _remove_stage(place: Path) -> None:
    """Remove a stage; the note goes last but for the lock, so that a kill leaves it readable."""
    for name in (OLD, NEW):
        shutil.rmtree(place / name, ignore_errors=True)
    shutil.rmtree(place, ignore_errors=True)


def _may_change_places(final: Path) -> bool:
    """Whether a folder can be renamed without harm to anybody."""
    parent = final.parent
    if not os.access(parent, os.W_OK | os.X_OK):
        return False
    with contextlib.suppress(OSError):
        here = Path(os.path.realpath(Path.cwd()))
        return (
            final.stat().st_dev == parent.stat().st_dev
            and not os.path.ismount(final)
            and final not in (here, *here.parents)
            and not any(_LEFT.fullmatch(path.name) for path in final.iterdir())
        )
    return False


def _is_empty(folder: Path) -> bool:
    return folder.is_dir() and not any(folder.iterdir())


def _like(old: Path, new: Path) -> None:
    """Give a new folder the rights and the group of the old one, as far as we may."""
    with contextlib.suppress(OSError):
        if hasattr(os, "chown"):
            os.chown(new, -1, old.stat().st_gid)
    with contextlib.suppress(OSError):
        shutil.copymode(old, new)


def _others(folder: Path, names: set[str], below: str = "") -> list[tuple[str, bool]]:
    """Return what a folder holds beside the files `names`: paths in it, and whether folders."""
    out: list[tuple[str, bool]] = []
    for entry in sorted(os.scandir(folder), key=lambda e: e.name):
        name = below + entry.name
        if entry.is_dir(follow_symlinks=False):
            out.append((name, True))
            out.extend(_others(Path(entry.path), names, name + "/"))
        elif name not in names:
            out.append((name, False))
        if len(out) > MOST_OTHERS:
            return out
    return out


def _link_others(old: Path, new: Path, names: set[str]) -> bool:
    """Let the new folder hold what else the old one holds; False when that cannot be."""
    try:
        others = _others(old, names)
        if len(others) > MOST_OTHERS:
            return False
        for name, is_folder in others:
            if is_folder:
                (new / name).mkdir(parents=True, exist_ok=True)
                _like(old / name, new / name)
            else:
                os.link(old / name, new / name, follow_symlinks=False)
    except (OSError, NotImplementedError):
        return False
    return True


def _exchange(final: Path, new: Path, old: Path) -> None:
    """Let two folders change places: at once, or by way of the name `old`. Raises `OSError`."""
    if sys.platform == "linux":
        with contextlib.suppress(AttributeError, OSError):  # an old C library
            call = ctypes.CDLL(None, use_errno=True).renameat2
            names = (os.fsencode(final), os.fsencode(new))
            if call(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _EXCHANGE) == 0:
                return
    final.rename(old)
    try:
        new.rename(final)
    except BaseException:
        old.rename(final)
        raise


def _settle(stage: Path, final: Path, names: set[str]) -> None:
    """Bring files that came into the old folder at the last moment into the one in its place."""
    for left in (stage / OLD, stage / NEW):
        if not left.is_dir():
            continue
        others = _others(left, names)
        if len(others) > MOST_OTHERS:
            raise OSError("more files than can be told apart")
        for name, is_folder in others:
            if not is_folder and not os.path.lexists(final / name):
                (final / name).parent.mkdir(parents=True, exist_ok=True)
                (left / name).rename(final / name)
