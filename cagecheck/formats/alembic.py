"""Alembic archives through the library alembic3d (the extra ``alembic``).

A part per mesh, named by its path. Transforms are applied; the format knows neither units nor axes,
so that numbers stay as they are (y is up by its convention). Sets of faces are materials. A frame
is a time in seconds times the rate; without one, and at rest, the first sample stands. Nothing but
the file itself is opened.
"""

from __future__ import annotations

from tempfile import TemporaryDirectory
from typing import Any

from cagecheck.errors import Notice
from cagecheck.formats import alembic_child
from cagecheck.formats.apart import Library, ask
from cagecheck.formats.checks import MOST_ITEMS
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.frames import frame_notices
from cagecheck.formats.placed_meshes import (
    UNIT_METRES,
    Scene,
    as_on_disk,
    left_words,
    mesh_of,
    scene_notices,
    surface_of,
)
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.progress import Progress, silent

ENDING = ".abc"
OLD = b"\x89HDF"
_LIBRARY = Library("Alembic", "alembic3d", "alembic")
_CURE = "Export the frame as OBJ or GLB, or all of them as glTF or USD."


def read_alembic_mesh(file: FileBytes, *, progress: Progress = silent) -> Mesh:
    """Read an archive faithfully. Raises `InputError`, also where the extra is not installed."""
    return mesh_of(file, _load(file, ("uv", "normal")))


def read_alembic_surface(
    file: FileBytes, *, normals: bool = True, progress: Progress = silent
) -> Surface:
    """Read the triangles of an archive. Raises `InputError` as `read_alembic_mesh` does."""
    return surface_of(file, _load(file, ("normal",) if normals else ()), normals)


def _load(file: FileBytes, wanted: tuple[str, ...]) -> Scene:
    if file.data[: len(OLD)].tobytes() == OLD:
        raise file.error("this Alembic file is of the old kind (HDF5), which is not read.", _CURE)
    pose = file.pose
    time = None if pose is None or pose.frame is None else pose.frame / pose.rate
    with TemporaryDirectory() as folder:
        arguments = {
            "path": as_on_disk(file, folder),
            "wanted": wanted,
            "time": time,
            "most": MOST_ITEMS,
        }
        answer, arrays = ask(file.path, len(file.data), _LIBRARY, alembic_child, arguments)
    answer["unit"] = UNIT_METRES
    if not answer["parts"]:
        raise file.error(
            f"this file shows no meshes with faces{left_words(answer)}.",
            "Export the mesh with its faces, visible.",
        )
    return Scene(answer, arrays, _notices(file, answer))


def _notices(file: FileBytes, answer: dict[str, Any]) -> tuple[Notice, ...]:
    out = scene_notices(file, answer, "alembic")
    pose = file.pose
    if pose is not None:
        ends = [None if t is None else t * pose.rate for t in (answer["start"], answer["end"])]
        out += frame_notices(pose, file.name, *ends)
    return tuple(out)
