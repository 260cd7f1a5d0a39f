"""Carrying out a plan of names: composed maps are made first, then everything moves by journal."""

from __future__ import annotations

import os
from pathlib import Path

from cagecheck.chores.rename.compose import compose_files
from cagecheck.chores.rename.journal import (
    TEMP_PREFIX,
    Journal,
    Move,
    alone_in,
    begin,
    finish,
    latest,
    refuse_unfinished,
    remove_orphans,
    undo,
)
from cagecheck.chores.rename.plan import MapPlan, RenamePlan
from cagecheck.errors import InputError
from cagecheck.files import sha256_of
from cagecheck.maps.map_names import name_key
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.progress import Progress, silent


def apply_renames(plan: RenamePlan, low: LowPoly, *, progress: Progress = silent) -> Journal | None:
    """Rename and compose as planned; what is unclear or clashes stays as it is.

    No file is ever replaced.

    Parameters
    ----------
    plan : RenamePlan
        What `plan_renames` returns.
    low : LowPoly
        The low poly that it was made with.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    Journal or None
        The finished journal, or None when there was nothing to do.

    Raises
    ------
    InputError
        Earlier work in the folder is unfinished, a file is gone or a name was taken since the plan
        was made. Work begun can then be finished or undone.
    """
    renames = [
        (entry.source, entry.target) for entry in plan.of("rename") if entry.target is not None
    ]
    groups: dict[str, list[MapPlan]] = {}
    for entry in plan.of("compose"):
        assert entry.target is not None, "what is composed has a target"
        groups.setdefault(entry.target, []).append(entry)
    if not renames and not groups:
        return None
    with alone_in(plan.folder):
        refuse_unfinished(plan.folder)
        _refuse_taken(plan.folder, [target for _, target in renames] + list(groups), renames)
        remove_orphans(plan.folder)
        made = []
        try:
            for k, (target, entries) in enumerate(groups.items()):
                progress("joining maps", k, len(groups))
                made.append(_compose(plan.folder, target, entries, low, k))
            journal = begin(plan.folder, renames, made)
        except InputError:
            remove_orphans(plan.folder)
            raise
        return finish(journal)


def finish_renames(folder: str | Path) -> Journal:
    """Finish a renaming that stopped half way.

    Parameters
    ----------
    folder : str | Path
        The folder of the maps.

    Raises
    ------
    InputError
        There is none.
    """
    with alone_in(_folder_of(folder)):
        journal = latest(Path(folder))
        if journal is None or not journal.is_unfinished:
            raise InputError("no renaming stopped half way here.", file=str(folder))
        return finish(journal)


def undo_renames(folder: str | Path) -> Journal:
    """Undo the newest renaming of a folder, finished or not, that was not undone before.

    Parameters
    ----------
    folder : str | Path
        The folder of the maps.

    Raises
    ------
    InputError
        There is none, or a file or name it needs is gone or taken.
    """
    with alone_in(_folder_of(folder)):
        journal = latest(Path(folder), undoable=True)
        if journal is None:
            raise InputError("no renaming was done here that could be undone.", file=str(folder))
        return undo(journal)


def _folder_of(folder: str | Path) -> Path:
    """Return the folder, refused in words where it is none."""
    if not os.path.isdir(folder):  # noqa: PTH112 - pathlib raises for names that cannot be
        raise InputError("there is no such folder.", file=str(folder), cure="Check the name.")
    return Path(folder)


def _compose(folder: Path, target: str, entries: list[MapPlan], low: LowPoly, number: int) -> Move:
    tile = entries[0].tile
    assert tile is not None, "what is composed has a tile"
    temp = f"{TEMP_PREFIX}made-{number:05d}"
    sources = [folder / entry.source for entry in entries]
    compose_files(sources, [entry.names[0] for entry in entries], low, tile, folder / temp)
    return Move(None, temp, target, sha256_of(folder / temp))


def _refuse_taken(folder: Path, targets: list[str], renames: list[tuple[str, str]]) -> None:
    """Refuse before anything moves when a target's name was taken since the plan was made.

    Where the system ignores case, a name may seem taken by the very file that is to change it.
    File numbers do not tell (some drives have none that last); the names as listed do.
    """
    leaving = {source for source, _ in renames}
    keys = {name_key(source) for source in leaving}
    listed = {path.name for path in folder.iterdir()}
    for target in targets:
        taken = target in listed or os.path.lexists(folder / target)
        is_own = target in leaving or (target not in listed and name_key(target) in keys)
        if taken and not is_own:
            raise InputError(
                f"the name {target} was taken since the plan was made.", file=str(folder)
            )
