"""USD layers that override a scene: the cage's points, or materials. The scene itself is kept.

A layer names the scene below it and holds what differs from it, nothing else. A package (.usdz) is
copied, with such a layer put before its own.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.formats import usd_write_child
from cagecheck.formats.apart import ask
from cagecheck.formats.cage_gltf import check_same, to_local
from cagecheck.formats.cage_text import CannotKeepError
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.placed_meshes import PrimRun, SceneLayout, as_on_disk
from cagecheck.formats.usd import LIBRARY, own_folders
from cagecheck.meshes.mesh import Mesh

PACKAGE = ".usdz"


def override_points(
    file: FileBytes,
    mesh: Mesh,
    cage: Floats,
    moved: NDArray[np.bool_],
    ending: str,
    place: Path,
    *,
    copy: bool = False,
) -> bytes:
    """Return a layer in which the moved vertices of a scene lie elsewhere.

    ending : of the file to write. place : where it will lie. copy : the scene's own layer with
    these changed, in place of a layer over it. Raises `CannotKeepError` where several
    places of one mesh ask for different points, or nothing can be written so.
    """
    assert mesh.source is not None
    layout: SceneLayout = mesh.source.layout
    runs = layout.runs
    changed: dict[str, tuple[PrimRun, NDArray[np.int64], Floats]] = {}
    places: dict[str, Floats] = {}
    touched = {run.path for run in runs if moved[run.begin : run.end].any()}
    for run in runs:
        if run.path not in touched:
            continue
        rows = np.flatnonzero(moved[run.begin : run.end])
        local = to_local(cage[run.begin : run.end], run.matrix)
        if run.path in places:
            check_same(places[run.path], local, local)
        if run.path not in changed or len(rows) > len(changed[run.path][1]):
            changed[run.path] = (run, rows, local[rows])
        places[run.path] = local
    entries = [
        {"path": run.path, "roots": run.roots, "rows": len(rows)}
        for run, rows, _ in changed.values()
    ]
    data = [array for _, rows, values in changed.values() for array in (rows, values)]
    return write_layer(file, ending, place, {"runs": entries, "copy": copy}, data)


def override_materials(
    file: FileBytes,
    mesh: Mesh,
    names: Sequence[str],
    made: Sequence[tuple[str, str | None]],
    ending: str,
    place: Path,
) -> bytes:
    """Return a layer that binds faces to materials.

    names : of every face, a new name, the name of one of the mesh's own, or empty. made : the new
    materials and what each is made after. ending, place : as for `override_points`.
    """
    assert mesh.source is not None
    scene: SceneLayout = mesh.source.layout
    path_of = dict(zip(mesh.material_names, scene.materials, strict=True))
    data: list[NDArray[Any]] = []
    entries = []
    for run in {run.path: run for run in reversed(scene.runs)}.values():
        mine = np.array(names[run.face_begin : run.face_end])
        held = []
        for name in dict.fromkeys(mine.tolist()):
            faces = np.flatnonzero(mine == name).astype(np.int64)
            data.append(faces)
            is_new = any(name == new for new, _ in made)
            held.append((name if is_new else path_of.get(name, ""), len(faces)))
        entries.append({"path": run.path, "roots": run.roots, "materials": held})
    bases = [(name, None if base is None else path_of.get(base)) for name, base in made]
    return write_layer(file, ending, place, {"runs": entries, "made": bases}, data)


def write_layer(
    file: FileBytes, ending: str, place: Path, what: dict[str, Any], data: Sequence[NDArray[Any]]
) -> bytes:
    """Return the bytes of an overriding layer, see `usd_write_child`."""
    if file.packed:
        raise CannotKeepError("a layer cannot lie over a gzipped scene")
    if ending == PACKAGE and file.extension != PACKAGE:
        raise CannotKeepError("a package is written only as the copy of one (.usdz)")
    with TemporaryDirectory() as folder:
        path = as_on_disk(file, folder)
        out = Path(folder) / f"out{ending}"
        arguments = {
            "path": path,
            "folders": own_folders(path, file.also_from),
            "out": str(out),
            "address": _address(Path(file.path), place),
            "place": os.path.realpath(place.parent),
        }
        ask(file.path, len(file.data), LIBRARY, usd_write_child, arguments | what, data)
        return out.read_bytes()


def _address(source: Path, place: Path) -> str:
    """Return how a layer at `place` names the scene: the way there, or the whole path."""
    start = Path(os.path.realpath(place.parent))
    try:
        way = Path(os.path.relpath(os.path.realpath(source), start)).as_posix()
    except ValueError:  # another drive
        return Path(os.path.realpath(source)).as_posix()
    return way if way.startswith("..") else f"./{way}"
