"""Frames that were looked at, mended and written: what `clash --mend` and a batch both do."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from cagecheck.chores.clash.over_frames import FoundFrames
from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh
from cagecheck.mending.mend import mend_clashes
from cagecheck.mending.result import Mending
from cagecheck.mending.settings import MendSettings
from cagecheck.mending.write import write_mending
from cagecheck.progress import Progress, silent
from cagecheck.words.sentences import names_words


def mend_found(
    found: FoundFrames,
    folder: str | os.PathLike[str],
    settings: MendSettings,
    *,
    rest: Sequence[Path] = (),
    ignore: float | None = None,
    force: bool = False,
    progress: Progress = silent,
) -> tuple[list[Path], Mending]:
    """Mend frames that were found and kept, and write them into a folder.

    Parameters
    ----------
    found : FoundFrames
        What `find_clash_frames` returns with `keep`.
    folder : str | os.PathLike[str]
        The folder, see `write_mending`.
    settings : MendSettings
        What moves, and how far.
    rest : Sequence[Path], optional
        Meshes of the frames in a pose without clashes.
    ignore : float, optional
        Depth up to which parts count as touching.
    force : bool, optional
        Replace files that exist.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    tuple of list of Path and Mending
        The files, and the mending with clashes as they are in them.

    Raises
    ------
    InputError
        What moves is not told, or stands in every frame, or `folder` cannot be written.
    """
    mended = mend_clashes(
        [scene for scene, _ in found.known],
        settings,
        rest=[read_mesh(path) for path in rest],
        ignore=ignore,
        found=[clashes for _, clashes in found.known],
        progress=progress,
    )
    standing = len(found.files.standing)
    _refuse_standing(mended, standing)
    names = [name for name, _ in found.results]
    return write_mending(mended, folder, names=names, force=force)


def _refuse_standing(mended: Mending, standing: int) -> None:
    """Refuse to move what stands in every frame, when there are several."""
    moving = sorted(
        {
            part.cloth.name
            for frame in mended.frames
            for part in frame.parts
            if part.cloth.mesh >= len(frame.meshes) - standing
        }
    )
    if moving and len(mended.frames) > 1:
        raise InputError(
            f"{names_words(moving)} would move, but stands in every frame (`with`).",
            cure="Give what moves as frames, or name another part with `outer`.",
        )
