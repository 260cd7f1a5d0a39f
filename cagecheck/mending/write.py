"""Mended meshes into files of their own, checked anew as they were written.

Of every mesh in which a part may move a file is written: its own file with nothing but positions
changed, and byte by byte the same where nothing moved. One frame of a file that moves by itself is
written as an OBJ of that frame: in the file its skeleton would move what is mended once more.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from cagecheck.chores.clash.find import find_clashes
from cagecheck.errors import InputError
from cagecheck.files import OutputFolder, read_plain, sha256_of
from cagecheck.formats.read import read_mesh
from cagecheck.formats.write_cage import write_cage
from cagecheck.mending.page import mending_html
from cagecheck.mending.result import MendedFrame, Mending
from cagecheck.mending.stretch_map import write_stretch_legend, write_stretch_map
from cagecheck.meshes.mesh import Mesh
from cagecheck.progress import Progress, silent

_MOST_BYTES = 1 << 34


def write_mending(
    mending: Mending,
    folder: str | os.PathLike[str],
    *,
    names: Sequence[str] = (),
    force: bool = False,
    progress: Progress = silent,
) -> tuple[list[Path], Mending]:
    """Write the mended meshes, their stretch as heat maps, a page and mend.json.

    Parameters
    ----------
    mending : Mending
        What `mend_clashes` returns.
    folder : str | os.PathLike[str]
        The folder; it must not be the one that the meshes are from.
    names : Sequence[str], optional
        What the frames are called; numbers from 1 by default.
    force : bool, optional
        Replace files that exist.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    tuple of list of Path and Mending
        The files, and the mending with clashes as they are found in the files just written.

    Raises
    ------
    InputError
        A file exists and `force` is off, a mesh's file has changed since it was read, `folder` is
        the one that a mesh is from, or it cannot be written.
    """
    target = Path(folder)
    _refuse_own_folder(mending, target)
    frames = []
    files: list[list[str]] = []
    with OutputFolder(target, force=force) as out:
        for k, frame in enumerate(mending.frames):
            progress("writing", k, len(mending.frames))
            written = _write_frame(frame, k, mending, out)
            files.append([name for name, _ in written.values()])
            frames.append(_checked(frame, mending, {i: mesh for i, (_, mesh) in written.items()}))
        checked = replace(mending, frames=tuple(frames))
        most = max((abs(frame.largest_stretch) for frame in frames), default=0.0)
        for k, frame in enumerate(frames, start=1):
            if frame.parts:
                write_stretch_map(frame, most, out.add(f"stretch_{k:04d}.ply"))
        write_stretch_legend(most, out.add("stretch_legend.png"))
        called = list(names) or [str(k + 1) for k in range(len(frames))]
        out.add("mend.html").write_text(mending_html(checked, called), encoding="utf-8")
        document = mending_document(checked, called, files)
        out.add("mend.json").write_text(
            json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8"
        )
    return out.paths(), checked


def mending_document(
    mending: Mending, names: Sequence[str] = (), files: Sequence[Sequence[str]] = ()
) -> dict[str, Any]:
    """Return what mend.json holds."""
    about = "A proposal: look at every frame before it is used."
    document: dict[str, Any] = {"version": 1, "about": about} | mending.to_dict()
    for k, frame in enumerate(document["frames"]):
        frame["frame"] = names[k] if names else str(k + 1)
        frame["files"] = list(files[k]) if files else []
    return document


def _refuse_own_folder(mending: Mending, folder: Path) -> None:
    for frame in mending.frames:
        for mesh in frame.meshes:
            if mesh.source is not None and Path(mesh.source.path).resolve().parent == (
                folder.resolve()
            ):
                raise InputError(
                    "this is the folder that the meshes are from; mended ones carry the same "
                    "names.",
                    file=str(folder),
                    cure="Name another folder.",
                )


def _write_frame(
    frame: MendedFrame, number: int, mending: Mending, out: OutputFolder
) -> dict[int, tuple[str, Mesh]]:
    """Write the meshes of one frame in which a part may move; return name and mesh as read."""
    written: dict[int, tuple[str, Mesh]] = {}
    numbers = sorted({part.cloth.mesh for part in frame.parts})
    # Where nothing clashes nothing says what moves: all meshes are written as they are, those that
    # stand in every frame once.
    for mesh_number in numbers if mending.outer else range(len(frame.meshes)):
        mesh = frame.meshes[mesh_number]
        if number and mesh is mending.frames[0].meshes[mesh_number]:
            continue
        name = _name_of(mesh, number, mesh_number)
        if name in out.names:
            name = f"frame_{number + 1:04d}_{name}"
        path = out.add(name)
        if mesh.source is not None and not frame.moved[mesh_number] and _keeps_format(mesh):
            if sha256_of(mesh.source.path) != mesh.source.sha256:
                raise InputError(
                    "the file has changed since it was read.",
                    file=mesh.source.path,
                    cure="Run cagecheck again.",
                )
            path.write_bytes(read_plain(mesh.source.path, most=_MOST_BYTES))
            written[mesh_number] = (name, mesh)
            continue
        original = mesh
        if mesh.source is not None and _keeps_format(mesh):
            original = read_mesh(mesh.source.path)
        write_cage(original, mesh.positions, path, force=True)
        written[mesh_number] = (name, read_mesh(path))
    return written


def _keeps_format(mesh: Mesh) -> bool:
    if mesh.source is None or _is_posed(mesh):
        return False
    return mesh.source.format not in ("fbx", "abc")  # which are read only


def _is_posed(mesh: Mesh) -> bool:
    return mesh.source is not None and mesh.source.pose is not None


def _name_of(mesh: Mesh, frame: int, number: int) -> str:
    if mesh.source is None:
        return f"frame_{frame + 1:04d}_mesh_{number + 1}.obj"
    name = mesh.source.name
    if _keeps_format(mesh):
        return name
    return f"{f'frame_{frame + 1:04d}_' if _is_posed(mesh) else ''}{Path(name).stem}.obj"


def _checked(frame: MendedFrame, mending: Mending, written: dict[int, Mesh]) -> MendedFrame:
    """Return the frame with the clashes of its files, whose numbers may be rounded."""
    same = all(
        mesh.positions.shape == frame.meshes[k].positions.shape
        and np.array_equal(mesh.positions, frame.meshes[k].positions)
        for k, mesh in written.items()
    )
    if same:
        return frame
    scene = [written.get(k, mesh) for k, mesh in enumerate(frame.meshes)]
    return replace(frame, after=find_clashes(scene, ignore=mending.ignore).passing)
