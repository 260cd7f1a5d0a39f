"""Renaming many files so that it can be finished or undone after any interruption.

Every file goes from its source to a name of its own that nothing else uses, and from there to its
target; so chains and cycles (a -> b, b -> a) and changes of case alone need no special care. A
journal in the same folder says how far the work is. It has four states:

=======  =================================
begun    every file is at source or temp
staged   every file is at temp or target
done     every file is at target
undone   every file is at source
=======  =================================

From each state the work can go on forwards or backwards, and which of its two places a file is at
can be read off the folder, so a process killed at any point loses nothing. A step never replaces a
file: it makes a hard link (which fails where the name is taken) and then removes the old name.
Entries without a source are new files, put at temp before the journal begins.

A journal carries the digest of what it says, and every entry is held against the folder before
anything moves: one that was damaged or edited is refused and moves, replaces and removes nothing.
Whoever changes a folder holds its lock (`alone_in`).
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import re
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, cast, get_args

from cagecheck.errors import InputError
from cagecheck.files import read_plain, sha256_of
from cagecheck.formats.stored import parse_json
from cagecheck.locks import alone
from cagecheck.maps.map_names import name_key

State = Literal["begun", "staged", "done", "undone"]

# 1 had no digest; such journals are still followed where they made no files.
JOURNAL_VERSION = 2
LOCK_NAME = ".cagecheck-rename.lock"
_HALF_PREFIX = ".cagecheck-journal-"
_MOST_BYTES = 64 << 20
TEMP_PREFIX = ".cagecheck-moving-"
_JOURNAL_NAME = re.compile(r"^\.cagecheck-rename-(\d{4,})\.json$")
_TEMP_NAME = re.compile(r"\.cagecheck-moving-(\d{4,}-\d{5,}|made-\d{5,})")
_SHA256 = re.compile("[0-9a-f]{64}")
# What systems answer where a file system knows no hard links.
_NO_LINKS = {errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK, errno.EOPNOTSUPP}


@dataclass(frozen=True)
class Move:
    """One file's way. `source` is None for a new file, whose `sha256` then guards its removal."""

    source: str | None
    temp: str
    target: str
    sha256: str | None = None


@dataclass(frozen=True)
class Journal:
    """A set of moves in one folder and how far they are.

    Attributes
    ----------
    path : Path
        The journal's file, in that folder.
    state : State
        How far the work is.
    moves : tuple[Move, ...]
        One per file, in order.
    """

    path: Path
    state: State
    moves: tuple[Move, ...]

    @property
    def folder(self) -> Path:
        """The folder that all names are in."""
        return self.path.parent

    @property
    def is_unfinished(self) -> bool:
        """Whether the work stopped half way."""
        return self.state in ("begun", "staged")


def alone_in(folder: Path) -> contextlib.AbstractContextManager[None]:
    """Keep all other renamings out of a folder. Raises `InputError` while one is under way."""
    busy = InputError(
        "another renaming is under way in this folder.",
        file=str(folder),
        cure="Wait until it is done.",
    )
    return alone(folder / LOCK_NAME, busy)


def begin(folder: Path, renames: list[tuple[str, str]], made: list[Move] | None = None) -> Journal:
    """Write the journal of new work: `renames` from source to target, and files already made.

    Raises
    ------
    InputError : unfinished work lies in the folder, a source is missing, a target is taken or
        the folder cannot be written.
    """
    refuse_unfinished(folder)
    number = 1 + max((_number_of(path.name) for path in _journals(folder)), default=0)
    path = folder / f".cagecheck-rename-{number:04d}.json"
    moves = [
        Move(source, f"{TEMP_PREFIX}{number:04d}-{k:05d}", target)
        for k, (source, target) in enumerate(renames)
    ] + list(made or [])
    _check_free(folder, moves)
    journal = Journal(path, "begun", tuple(moves))
    try:
        # Claims the number: of two processes that begin at once, one is refused here.
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
    except OSError as error:
        raise InputError(f"cannot write here ({error.strerror}).", file=str(path)) from error
    _write(journal)
    return journal


def finish(journal: Journal) -> Journal:
    """Bring every file to its target. Raises `InputError` when a name is taken or a file gone."""
    if journal.state == "undone":
        raise InputError("this renaming was undone.", file=str(journal.path))
    _check_places(journal, is_undone=False)
    if journal.state == "begun":
        for move in journal.moves:
            if move.source is not None:
                _advance(journal.folder, move.source, move.temp)
        journal = _save(journal, "staged")
    if journal.state == "staged":
        for move in journal.moves:
            _advance(journal.folder, move.temp, move.target)
        journal = _save(journal, "done")
    return journal


def undo(journal: Journal) -> Journal:
    """Bring every file back to its source and remove the files that were made.

    Raises `InputError` when a name is taken, a file is gone, or a made file was changed since.
    """
    if journal.state == "undone":
        raise InputError("this renaming was undone already.", file=str(journal.path))
    _check_made(journal)
    _check_places(journal, is_undone=True)
    if journal.state == "done":
        _check_way_back(journal)
        journal = _save(journal, "staged")
    if journal.state == "staged":
        for move in journal.moves:
            if move.source is not None or os.path.lexists(journal.folder / move.target):
                _advance(journal.folder, move.target, move.temp)
        journal = _save(journal, "begun")
    for move in journal.moves:
        if move.source is not None:
            _advance(journal.folder, move.temp, move.source)
        else:
            (journal.folder / move.temp).unlink(missing_ok=True)
    return _save(journal, "undone")


def latest(folder: Path, *, undoable: bool = False) -> Journal | None:
    """Return the newest journal of a folder, or with `undoable` the newest not undone, or None."""
    for path in reversed(_journals(folder)):
        journal = _read(path)
        if journal is not None and not (undoable and journal.state == "undone"):
            return journal
    return None


def refuse_unfinished(folder: Path) -> None:
    """Raise `InputError` when work in the folder stopped half way."""
    last = latest(folder)
    if last is not None and last.is_unfinished:
        raise InputError(
            "an earlier renaming in this folder stopped half way.",
            file=str(folder),
            cure="Pass `finish` to complete it or `undo` to bring the old names back.",
        )


def remove_orphans(folder: Path) -> None:
    """Remove made files and journals that were never used. Only with no unfinished work here."""
    for path in folder.iterdir():
        if path.name.startswith((TEMP_PREFIX + "made-", _HALF_PREFIX)) and path.is_file():
            path.unlink(missing_ok=True)


def _advance(folder: Path, here: str, there: str) -> None:
    """Move a file on unless it went already; complete a move that was cut in half."""
    old, new = folder / here, folder / there
    if not os.path.lexists(old):
        if os.path.lexists(new):
            return
        raise InputError(
            f"{here} is gone, and so is {there}.", file=str(folder), cure="Put it back, go on then."
        )
    if _is_taken(new):
        if _is_half_moved(old, new):
            os.unlink(old)  # noqa: PTH108 - as in `_move`
            return
        if there.startswith(TEMP_PREFIX):
            return  # it went there before; `here` is somebody else's file by now
        raise InputError(
            f"the name {there} is taken by another file, which was left as it is.",
            file=str(folder),
            cure="Move that file away, then pass `finish` or `undo`.",
        )
    _move(old, new)


def _is_taken(path: Path) -> bool:
    """Whether a file has that name, by the folder's own list.

    Systems that ignore case remember names for a while: just after a file moved away, a name of
    other case may still seem to be there. The list of the folder tells.
    """
    if not os.path.lexists(path):
        return False
    return name_key(path.name) in {name_key(other.name) for other in path.parent.iterdir()}


def _is_half_moved(old: Path, new: Path) -> bool:
    """Whether both names are links to one file: its move was cut in half."""
    one, other = os.lstat(old), os.lstat(new)
    return one.st_nlink > 1 and os.path.samestat(one, other)


def _move(old: Path, new: Path) -> None:
    """Give a file its new name by a link that fails where the name is taken."""
    try:
        os.link(old, new, follow_symlinks=False)
        os.unlink(old)  # noqa: PTH108 - beside os.link, which has no like in pathlib
    except OSError as error:
        if error.errno not in _NO_LINKS or _is_taken(new):
            raise InputError(
                f"{old.name} could not be renamed to {new.name} ({error.strerror}).",
                file=str(old.parent),
                cure="Nothing is lost: pass `finish` or `undo` when the cause is gone.",
            ) from error
        # No hard links here (exFAT, some network drives): the name was free a moment ago.
        old.rename(new)


def _check_free(folder: Path, moves: list[Move]) -> None:
    for move in moves:
        first = move.source if move.source is not None else move.temp
        if not os.path.lexists(folder / first):
            raise InputError(f"{first} is gone.", file=str(folder))
        if move.source is not None and os.path.lexists(folder / move.temp):
            raise InputError(f"the name {move.temp} is taken.", file=str(folder))


def _check_places(journal: Journal, is_undone: bool) -> None:
    """Refuse unfinished work that does not fit the folder, before anything moves.

    Every file must be at one of the two places that the state tells. Of a file that was made,
    nothing need be left where it is to be removed.
    """
    for move in journal.moves:
        places = {
            "begun": (move.source or move.temp, move.temp),
            "staged": (move.temp, move.target),
        }
        known = places.get(journal.state)
        if known is None or (move.source is None and is_undone):
            continue
        if not any(os.path.lexists(journal.folder / name) for name in known):
            raise InputError(
                f"{known[0]} is gone, and so is {known[1]}; nothing was moved.",
                file=str(journal.folder),
                cure="Put it back, go on then.",
            )


def _check_way_back(journal: Journal) -> None:
    """Refuse an undoing that would stop half way, before anything moves."""
    targets = {name_key(move.target) for move in journal.moves}
    for move in journal.moves:
        if move.source is None:
            continue
        if not os.path.lexists(journal.folder / move.target):
            raise InputError(
                f"{move.target} is gone, so it cannot be brought back to {move.source}.",
                file=str(journal.folder),
                cure="Put it back first.",
            )
        if name_key(move.source) not in targets and os.path.lexists(journal.folder / move.source):
            raise InputError(
                f"another file has the name {move.source} by now.",
                file=str(journal.folder),
                cure="Move it away first.",
            )


def _check_made(journal: Journal) -> None:
    for move in journal.moves:
        path = journal.folder / move.target
        if (
            move.source is None
            and path.exists()
            and not (journal.folder / move.temp).exists()
            and sha256_of(path) != move.sha256
        ):
            raise InputError(
                f"{move.target} was changed since it was made, and undoing would remove it.",
                file=str(journal.folder),
                cure="Move it away first.",
            )


def _save(journal: Journal, state: State) -> Journal:
    journal = replace(journal, state=state)
    _write(journal)
    return journal


def _write(journal: Journal) -> None:
    """Replace the journal's file as a whole, on the disk before anything else moves."""
    moves = [vars(move) for move in journal.moves]
    document = {
        "version": JOURNAL_VERSION,
        "state": journal.state,
        "moves": moves,
        "digest": _digest(journal.path.name, journal.state, moves),
    }
    handle, name = tempfile.mkstemp(prefix=_HALF_PREFIX, dir=journal.folder)
    with os.fdopen(handle, "w", encoding="utf-8") as stream:
        json.dump(document, stream, ensure_ascii=False, indent=1)
        stream.flush()
        os.fsync(stream.fileno())
    Path(name).replace(journal.path)
    _sync_folder(journal.folder)


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # folders cannot be opened there, and need not be
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _read(path: Path) -> Journal | None:
    """Read a journal; an empty one was claimed and never begun, and counts as none."""
    try:
        data = read_plain(path, most=_MOST_BYTES)
        return _parsed(path, data) if data else None
    except (OSError, ValueError) as error:
        raise InputError(
            f"this journal of an earlier renaming cannot be read ({error}).",
            file=str(path),
            cure="If no renaming is under way, remove it.",
        ) from error


def _parsed(path: Path, data: bytes) -> Journal:
    """Return the journal that a file holds. Raises `ValueError` for anything else."""
    document = parse_json(data)
    if not isinstance(document, dict):
        raise ValueError("it is no journal")
    version, state, rows = (document.get(name) for name in ("version", "state", "moves"))
    if isinstance(version, bool) or version not in (1, JOURNAL_VERSION):
        raise ValueError("it is of another version")
    if not isinstance(state, str) or state not in get_args(State) or not isinstance(rows, list):
        raise ValueError("it tells no state or no moves")
    moves = tuple(_move_of(row, _number_of(path.name), k) for k, row in enumerate(rows))
    for way in ("source", "temp", "target"):
        given = [name for move in moves if (name := getattr(move, way)) is not None]
        if len(set(given)) != len(given):
            raise ValueError("it names a file twice")
    if version == 1 and any(move.source is None for move in moves):
        raise ValueError("it is of an earlier version and would remove files")
    if version != 1 and document.get("digest") != _digest(path.name, state, rows):
        raise ValueError("it was changed since it was written")
    return Journal(path, cast("State", state), moves)


def _move_of(row: Any, number: int, k: int) -> Move:
    """Return an entry of a journal. Raises `ValueError` where no renaming writes such a one."""
    needed = {"source", "temp", "target"}
    if not isinstance(row, dict) or not needed <= set(row) <= {*needed, "sha256"}:
        raise ValueError(f"entry {k + 1} is none")
    move = Move(row["source"], row["temp"], row["target"], row.get("sha256"))
    names = [move.target, *([] if move.source is None else [move.source])]
    if not all(isinstance(name, str) and not _escapes(name) for name in (move.temp, *names)):
        raise ValueError(f"entry {k + 1} names no file of this folder")
    if not _TEMP_NAME.fullmatch(move.temp) or any(n.startswith(".cagecheck-") for n in names):
        raise ValueError(f"entry {k + 1} names a file that no renaming moves")
    if move.source is not None and move.temp != f"{TEMP_PREFIX}{number:04d}-{k:05d}":
        raise ValueError(f"entry {k + 1} belongs to another renaming")
    if move.source is None and not _SHA256.fullmatch(str(move.sha256)):
        raise ValueError(f"entry {k + 1} does not say what was made")
    return move


def _digest(name: str, state: str, moves: list[dict[str, Any]]) -> str:
    """Return the digest of what a journal says."""
    said = json.dumps([name, state, moves], sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(said.encode("utf-8", "surrogatepass")).hexdigest()


def _escapes(name: str) -> bool:
    """Whether a name leads outside its folder, or is none."""
    return name in ("", ".", "..") or any(sign in name for sign in "/\\\0")


def _journals(folder: Path) -> list[Path]:
    try:
        found = [path for path in folder.iterdir() if _JOURNAL_NAME.match(path.name)]
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror}).", file=str(folder)) from error
    return sorted(found, key=lambda path: _number_of(path.name))


def _number_of(name: str) -> int:
    match = _JOURNAL_NAME.match(name)
    assert match is not None
    return int(match[1])
