"""USD scenes, text, binary and packed, through the library usd-core (the extra ``usd``).

A part per mesh, named by its path. Transforms, units and the up axis are applied: positions are in
world space, y up, one unit being one centimetre (the format's default, so that a file in
centimetres keeps its numbers); what was converted is said in a notice. Subdivision surfaces are
read as their control cage. What is invisible or of the purpose guide or proxy is left out and said.
Without a frame skeletons and blend shapes are left out, and what has time samples stands at its
first. Layers are read from the file's own folder only (`usd_vet`).
"""

from __future__ import annotations

import os
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from cagecheck.errors import Notice
from cagecheck.formats import usd_child
from cagecheck.formats.apart import CURE, Library, ask
from cagecheck.formats.checks import MOST_ITEMS
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.frames import frame_notices
from cagecheck.formats.placed_meshes import (
    UNIT_METRES,
    Scene,
    as_on_disk,
    is_scaled,
    left_words,
    mesh_of,
    scene_notices,
    surface_of,
)
from cagecheck.formats.usd_vet import ENDINGS as ENDINGS
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.progress import Progress, silent
from cagecheck.words.numbers import as_given, count_text

LIBRARY = Library("USD", "usd-core", "usd")


def read_usd_mesh(file: FileBytes, *, progress: Progress = silent) -> Mesh:
    """Read a USD scene faithfully. Raises `InputError`, also where the extra is not installed."""
    return mesh_of(file, _load(file, ("uv", "normal"), progress))


def read_usd_surface(
    file: FileBytes, *, normals: bool = True, progress: Progress = silent
) -> Surface:
    """Read the triangles of a USD scene. Raises `InputError` as `read_usd_mesh` does."""
    return surface_of(file, _load(file, ("normal",) if normals else (), progress), normals)


def own_folders(path: str, also: tuple[str, ...]) -> list[str]:
    """Return the folders from which layers may be read: the file's own, and others by name."""
    return [str(Path(path).parent), *(os.path.realpath(folder) for folder in also)]


def _load(file: FileBytes, wanted: tuple[str, ...], progress: Progress) -> Scene:
    time = None if file.pose is None else file.pose.frame
    with TemporaryDirectory() as folder:
        path = as_on_disk(file, folder)
        answer, arrays = ask(
            file.path,
            len(file.data),
            LIBRARY,
            usd_child,
            {
                "path": path,
                "folders": own_folders(path, file.also_from),
                "wanted": wanted,
                "time": time,
                "most": MOST_ITEMS,
            },
        )
    if not answer["parts"]:
        raise file.error(
            f"this file shows no meshes with faces{left_words(answer)}.",
            "Export the mesh with its faces, visible and with the purpose default or render.",
        )
    return Scene(answer, arrays, _notices(file, answer))


def _notices(file: FileBytes, answer: dict[str, Any]) -> tuple[Notice, ...]:
    unit, name = answer["unit"], file.name
    out = []
    if not 0 < unit < 1e9:
        raise file.error(f"a unit of this file is {as_given(unit)} metres long.", CURE)
    if is_scaled(unit):
        out.append(
            Notice(
                "usd-units",
                f"{name}: a unit of this file is {as_given(unit * 100)} cm; it was scaled by "
                f"{as_given(unit / UNIT_METRES)} so that one unit is 1 cm.",
            )
        )
    if answer["up"] == "Z":
        out.append(
            Notice("usd-axes", f"{name}: +z points up in this file; it was turned so that y does.")
        )
    out += scene_notices(file, answer, "usd")
    if answer["missing_layers"]:
        missing = answer["missing_layers"]
        out.append(
            Notice(
                "usd-missing-layers",
                f"{name}: {count_text(len(missing))} files that it refers to are not there, such "
                f"as “{missing[0][:80]}”; what they hold is missing.",
                "Copy them beside it.",
                count=len(missing),
            )
        )
    if file.pose is not None:
        out += frame_notices(file.pose, name, answer["start"], answer["end"])
    return tuple(out)
