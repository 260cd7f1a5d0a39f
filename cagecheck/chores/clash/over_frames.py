"""Clashes frame by frame: files in, a folder of maps, tables and a page out.

Only what a page and a table need is kept of a frame; a map is laid while the next frame is looked
at, and coloured again when the deepest clash of all is known.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from cagecheck.arrays.blocks import usable_cores
from cagecheck.chores.clash.find import Clashes, find_clashes
from cagecheck.chores.clash.heat import colour_clash_map, write_clash_map, write_legend
from cagecheck.chores.clash.page import ShownFrame, shown_frame, write_clash_page
from cagecheck.errors import InputError
from cagecheck.files import OutputFolder
from cagecheck.formats.frames import parse_frames
from cagecheck.formats.read import read_mesh
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.pose import Pose
from cagecheck.progress import Progress, silent
from cagecheck.words.cells import Table
from cagecheck.words.numbers import as_given

_FIELDS = ("part", "other", "kind", "depth", "tolerance", "face", "other_face", "length", "faces")


@dataclass(frozen=True)
class ClashFiles:
    """Which files are looked at for clashes, and how they make up frames.

    Attributes
    ----------
    meshes : tuple[Path, ...]
        One per frame; layers of one scene with `together` or `frames`.
    standing : tuple[Path, ...]
        Meshes that stand in every frame.
    together : bool
        The meshes are layers of one scene.
    frames : str | None
        Frames of files that move, see `parse_frames`.
    animation : str | None
        Which, if a file holds several.
    rate : float
        Frames a second, for files that count seconds.
    """

    meshes: tuple[Path, ...]
    standing: tuple[Path, ...] = ()
    together: bool = False
    frames: str | None = None
    animation: str | None = None
    rate: float = Pose.rate

    def moments(self) -> list[tuple[list[Path], Pose | None]]:
        """Return what to read for every frame: the files, and the pose they are in."""
        if self.frames is None:
            scenes = [list(self.meshes)] if self.together else [[path] for path in self.meshes]
            return [(paths, None) for paths in scenes]
        if not self.rate > 0:
            raise InputError("`rate` must be above 0.")
        poses = [Pose(k, self.animation, self.rate) for k in parse_frames(self.frames)]
        return [(list(self.meshes), pose) for pose in poses]


@dataclass(frozen=True, eq=False)
class FoundFrames:
    """What was found in all frames.

    Attributes
    ----------
    files : ClashFiles
        What was looked at.
    results : tuple[tuple[str, Clashes], ...]
        Name and clashes of every frame, without the parts themselves.
    document : dict[str, Any]
        What clash.json holds.
    written : tuple[Path, ...]
        The files.
    known : tuple[tuple[list[Mesh], Clashes], ...]
        The scene and the clashes of every frame, if they were to be kept.
    """

    files: ClashFiles
    results: tuple[tuple[str, Clashes], ...]
    document: dict[str, Any]
    written: tuple[Path, ...]
    known: tuple[tuple[list[Mesh], Clashes], ...]


def find_clash_frames(
    files: ClashFiles,
    *,
    ignore: float | None = None,
    pieces: bool = False,
    out: str | os.PathLike[str] | None = None,
    keep: bool = False,
    force: bool = False,
    progress: Progress = silent,
) -> FoundFrames:
    """Find clashes in every frame of a scene in files, and write them where `out` says.

    Parameters
    ----------
    files : ClashFiles
        What is looked at.
    ignore : float, optional
        Depth up to which parts count as touching, see `find_clashes`.
    pieces : bool, optional
        Take every connected piece of a part as a part of its own.
    out : str | os.PathLike[str], optional
        Folder for a page, a heat map of every frame, clash.csv and clash.json.
    keep : bool, optional
        Keep scenes and parts at hand, as mending needs them.
    force : bool, optional
        Replace files that exist.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    FoundFrames
        Frame by frame.

    Raises
    ------
    InputError
        A file cannot be read, a frame has fewer than two parts, or `out` cannot be written.
    """
    moments = files.moments()
    common = [read_mesh(path) for path in files.standing]
    results: list[tuple[str, Clashes]] = []
    rows: list[dict[str, Any]] = []
    known: list[tuple[list[Mesh], Clashes]] = []
    shown: ShownFrame | None = None
    with contextlib.ExitStack() as stack:
        folder = None if out is None else stack.enter_context(OutputFolder(Path(out), force=force))
        # A map is laid while the next frame is looked at; never more, for the sake of memory.
        writer = stack.enter_context(ThreadPoolExecutor(1))
        writing: Future[ShownFrame] | None = None
        for number, (paths, pose) in enumerate(moments, start=1):
            scene: list[Mesh] = [read_mesh(path, pose=pose) for path in paths] + common
            found = find_clashes(scene, ignore=ignore, pieces=pieces, progress=progress)
            name = frame_name(paths, pose)
            named = [str(path) for path in (*paths, *files.standing)]
            rows.append({"frame": name, "files": named} | found.to_dict())
            if writing is not None:
                shown = _deeper(shown, writing.result())
            if folder is not None:
                path = folder.add(_map_name(number))
                writing = writer.submit(_lay_map, name, found, path)
            if keep:
                known.append((scene, found))
            # Parts and their trees are large, and only mending needs them any more.
            results.append((name, replace(found, parts=(), involved=(), sides={})))
        if writing is not None:
            shown = _deeper(shown, writing.result())
        document: dict[str, Any] = {"frames": rows}
        if folder is not None:
            _write(folder, results, document, shown)
    written = () if folder is None else tuple(folder.paths())
    return FoundFrames(files, tuple(results), document, written, tuple(known))


def frame_name(paths: Sequence[Path], pose: Pose | None) -> str:
    """Return how a frame is called: its files, and its number where they hold several."""
    name = " + ".join(path.name for path in paths)
    return name if pose is None or pose.frame is None else f"{name} frame {as_given(pose.frame)}"


def _deepest(found: Sequence[Clashes]) -> float:
    return max((hit.depth or 0.0 for one in found for hit in one.found), default=0.0)


def _lay_map(name: str, found: Clashes, path: Path) -> ShownFrame:
    return shown_frame(name, found, write_clash_map(found, _deepest([found]), path))


def _deeper(shown: ShownFrame | None, other: ShownFrame) -> ShownFrame:
    """Return the frame with the deeper clash, of equals the first."""
    if shown is None or _deepest([other.clashes]) > _deepest([shown.clashes]):
        return other
    return shown


def _map_name(number: int) -> str:
    return f"frame_{number:04d}.ply"


def _write(
    out: OutputFolder,
    results: Sequence[tuple[str, Clashes]],
    document: dict[str, Any],
    shown: ShownFrame | None,
) -> None:
    """Write what is known when all frames are, and colour their maps alike."""
    deepest = _deepest([found for _, found in results])
    (out.add("clash.json")).write_text(
        json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8"
    )
    with out.add("clash.csv").open("w", newline="", encoding="utf-8") as stream:
        write_clash_csv(stream, results)
    write_legend(deepest, out.add("legend.png"))
    records = ("clash.json", "clash.csv")
    write_clash_page(results, out.add("clash.html"), shown=shown, files=records)
    others = [
        out.add(_map_name(number))
        for number, (_, found) in enumerate(results, start=1)
        if _deepest([found]) != deepest
    ]
    with ThreadPoolExecutor(usable_cores()) as pool:
        list(pool.map(colour_clash_map, others, itertools.repeat(deepest)))


def write_clash_csv(stream: Any, results: Sequence[tuple[str, Clashes]]) -> None:
    """Write a row for every clash of every frame."""
    table = Table(stream, lineterminator="\r\n")
    table.row(["frame", "file", *_FIELDS, "x", "y", "z"])
    for frame, (name, found) in enumerate(results, start=1):
        for hit in found.found:
            values = [getattr(hit, field) for field in _FIELDS]
            table.row([frame, name, *values, *(float(x) for x in hit.point)])
