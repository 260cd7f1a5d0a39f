"""The files that a USD scene is made of: its layers inside its own folder."""

from __future__ import annotations

import os
from pathlib import Path

from cagecheck.errors import InputError
from cagecheck.files import Stamp, stamp
from cagecheck.formats import usd_layers_child
from cagecheck.formats.apart import ask
from cagecheck.formats.usd import ENDINGS, LIBRARY, own_folders

# Scenes whose lists are kept: what follows from files with the same stamps is the same.
_MOST_KEPT = 64
_kept: dict[Path, tuple[dict[Path, Stamp], list[Path], list[Path]]] = {}


def usd_layers(path: Path) -> tuple[list[Path], list[Path]]:
    """Return the files besides its own that a scene is made of, and where missing ones would lie.

    Both are empty for what is no USD scene, or cannot be read (yet).
    """
    if path.suffix.lower() not in ENDINGS:
        return [], []
    known = _kept.get(path)
    if known is not None and all(stamp(file) == held for file, held in known[0].items()):
        return known[1], known[2]
    own = os.path.realpath(path)
    before = stamp(path)
    if before is None:
        return [], []
    try:
        arguments = {"path": own, "folders": own_folders(own, ())}
        answer, _ = ask(str(path), before[0], LIBRARY, usd_layers_child, arguments)
    except InputError:
        return [], []
    files = [Path(file) for file in answer["files"] if file != own]
    missing = [Path(file) for file in answer["awaited"]]
    if len(_kept) >= _MOST_KEPT:
        _kept.clear()
    _kept[path] = {file: stamp(file) for file in (path, *files, *missing)}, files, missing
    return files, missing
