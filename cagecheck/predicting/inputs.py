"""A low and a high poly, read from files, aligned and paired; and the cage that is asked for."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from cagecheck.errors import InputError, Notice
from cagecheck.formats.frames import parse_frame
from cagecheck.formats.push_file import read_push
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.meshes.alignment import HighAxes, check_alignment, transform_surface
from cagecheck.meshes.facets import triangle_areas
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.normals import NormalRule
from cagecheck.meshes.pairs import Pairing, pair_parts
from cagecheck.meshes.pose import FRAMES_A_SECOND, Pose
from cagecheck.meshes.triangulate import QuadSplit
from cagecheck.options import CAGE, MESHES, nested, option
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage, Directions, cage_from_mesh, cage_from_push


@dataclass(frozen=True)
class Moment:
    """Which frame of meshes that move is baked.

    Attributes
    ----------
    frame : str | None
        Its number, or ``rest`` for the rest pose; None takes the meshes as they lie in their files.
    animation : str | None
        The animation's name, where a glTF file holds several.
    rate : float
        Frames a second, for glTF, which counts seconds.
    """

    frame: str | None = option(
        None, MESHES,
        "Read this frame of files that move (glTF, USD, Alembic): a number, or rest for the rest "
        "pose.",
        metavar="N",
    )  # fmt: skip
    animation: str | None = option(
        None, MESHES, "The animation of `frame`, where a glTF file holds several.", metavar="NAME"
    )
    rate: float = option(
        FRAMES_A_SECOND, MESHES,
        "Frames a second of `frame`, where files count seconds (glTF, Alembic).", least=1e-6,
        metavar="R",
    )  # fmt: skip

    def pose(self) -> Pose | None:
        """Return what the readers take. Raises `InputError` for what is no frame."""
        if self.frame is None:
            return None
        return Pose(parse_frame(self.frame), self.animation, self.rate)


@dataclass(frozen=True)
class MeshOptions:
    """How meshes that were read are understood.

    Attributes
    ----------
    pair : list[str] | None
        Naming rules, see `pair_parts`.
    no_pairing : bool
        Names count for nothing: all high parts serve all low parts.
    normals : NormalRule
        How corner normals of the low poly are found.
    quads : QuadSplit
        How its quads are cut, see `prepare_low`.
    high_scale : float
        What the high poly is scaled by.
    high_axes : HighAxes
        Which way up the high poly is.
    moment : Moment
        Which frame of meshes that move is read.
    """

    pair: list[str] | None = option(
        None, MESHES,
        'Pair parts by name, as in "{name}_lp={name}_hp*": {name} is alike on both sides, '
        "* is anything. May repeat.",
        metavar="LOW=HIGH",
    )  # fmt: skip
    no_pairing: bool = option(
        False, MESHES, "Do not go by names: all high parts serve all low parts."
    )
    normals: NormalRule = nested(NormalRule)
    quads: QuadSplit = option(
        "first", MESHES,
        "How quads are cut in two: from the first corner, or the short way across.",
    )  # fmt: skip
    high_scale: float = option(
        1.0, MESHES, "Scale the high poly first (100: from metres to centimetres).",
        metavar="FACTOR",
    )  # fmt: skip
    high_axes: HighAxes = option(
        "as-is", MESHES, "Turn the high poly first: which way up it is, if the low is not."
    )
    moment: Moment = nested(Moment)


@dataclass(frozen=True)
class CageFiles:
    """A cage that lies in a file.

    Attributes
    ----------
    push : Path | None
        Push distances per vertex, JSON or CSV.
    cage : Path | None
        A cage mesh: the low poly with its vertices moved.
    """

    push: Path | None = option(
        None, CAGE, "Push distances per vertex (JSON or CSV).", metavar="FILE"
    )
    cage: Path | None = option(
        None, CAGE, "Cage mesh: the low poly with its vertices moved.", metavar="FILE"
    )


@dataclass(frozen=True, eq=False)
class Inputs:
    """A low and a high poly, read, aligned and paired.

    Attributes
    ----------
    low : LowPoly
        The low poly, prepared.
    high : Surface
        The high poly, in the low poly's space.
    pairing : Pairing
        Which high parts serve each low part.
    notices : tuple[Notice, ...]
        What readers, alignment and pairing want the artist to know.
    """

    low: LowPoly
    high: Surface
    pairing: Pairing
    notices: tuple[Notice, ...]

    def __repr__(self) -> str:
        return f"<Inputs: {self.low!r}, {self.high!r}, {self.pairing!r}>"


def read_inputs(
    low_path: str | os.PathLike[str],
    high_path: str | os.PathLike[str],
    reading: MeshOptions | None = None,
    *,
    high_normals: bool = True,
    progress: Progress = silent,
) -> Inputs:
    """Read, align and pair a low and a high poly.

    Meshes that no ray could bring together are refused; smaller mismatches become notices.

    Parameters
    ----------
    low_path, high_path : str | os.PathLike[str]
        The files.
    reading : MeshOptions, optional
        How the meshes are understood.
    high_normals : bool, optional
        Keep the high poly's own normals, which maps and the visible error are shaded with.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        A file cannot be used, or the two do not go together.

    Examples
    --------
    >>> import cagecheck
    >>> how = cagecheck.MeshOptions(no_pairing=True)
    >>> inputs = cagecheck.read_inputs("hero_low.obj", "hero_high.ply", how)
    >>> inputs.low, inputs.high
    (<LowPoly hero_low.obj: 8 triangles>, <Surface hero_high.ply: 32 triangles>)
    """
    how = reading or MeshOptions()
    low = read_low(low_path, how, progress=progress)
    high = read_high(high_path, how, normals=high_normals, progress=progress)
    return bring_together(low, high, how)


def read_low(
    path: str | os.PathLike[str],
    how: MeshOptions,
    *,
    progress: Progress = silent,
) -> LowPoly:
    """Read and prepare a low poly. Raises `InputError` where there is nothing to bake onto."""
    mesh = read_mesh(path, pose=how.moment.pose(), progress=progress)
    low = prepare_low(mesh, rule=how.normals, quads=how.quads)
    if float(low.area.sum()) <= 0:
        raise InputError(
            "all faces of the low poly have zero area.",
            file=str(path),
            cure="Check the export; there is nothing to bake onto.",
        )
    return low


def read_high(
    path: str | os.PathLike[str],
    how: MeshOptions,
    *,
    normals: bool = True,
    progress: Progress = silent,
) -> Surface:
    """Read a high poly, scaled and turned as it is understood."""
    high = read_surface(path, normals=normals, pose=how.moment.pose(), progress=progress)
    area = np.empty(high.triangle_count)
    triangle_areas(high.positions, high.triangles, area)
    if not area.any():
        raise InputError(
            "all triangles of the high poly have zero area.",
            file=str(path),
            cure="Check the export; there is nothing that rays could hit.",
        )
    return transform_surface(high, how.high_scale, how.high_axes)


def bring_together(low: LowPoly, high: Surface, how: MeshOptions) -> Inputs:
    """Check that two meshes lie on each other, and pair their parts."""
    pairing = pair_parts(
        low.part_names, high.part_names, how.pair or [], pairing=not how.no_pairing
    )
    checked = check_alignment(low.mesh, high)
    notices = (*low.mesh.notices, *high.notices, *checked, *pairing.notices)
    return Inputs(low, high, pairing, notices)


def read_cage(
    low: LowPoly,
    *,
    offset: float | None = None,
    push: str | os.PathLike[str] | None = None,
    cage: str | os.PathLike[str] | None = None,
    directions: Directions = "averaged",
    progress: Progress = silent,
) -> tuple[Cage | None, tuple[Notice, ...]]:
    """Return the cage that the options name, and notices about it.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    offset : float, optional
        A uniform offset, world units.
    push : str | os.PathLike[str], optional
        A file of push distances, see `read_push`.
    cage : str | os.PathLike[str], optional
        A cage mesh, see `cage_from_mesh`; of one that moves the low poly's frame is read.
    directions : Directions, optional
        See `cage_from_offset`.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Returns
    -------
    Cage or None, tuple of Notice
        None stands for a uniform offset.

    Raises
    ------
    InputError
        More than one is named, or the cage does not fit the low poly.
    """
    named = [
        name
        for name, value in (("`offset`", offset), ("`push`", push), ("`cage`", cage))
        if value is not None
    ]
    if len(named) > 1:
        raise InputError(
            f"{' and '.join(named)} name more than one cage.", cure="Give only one of them."
        )
    if cage is not None:
        source = low.mesh.source  # a cage may be a layer over the low poly's own file
        beside = () if source is None else (Path(source.path).resolve().parent,)
        pose = None if source is None else source.pose
        mesh = read_mesh(cage, pose=pose, also_from=beside, progress=progress)
        return cage_from_mesh(low, mesh), ()
    if push is None:
        return None, ()
    offsets, sha256 = read_push(push)
    found = cage_from_push(low, offsets, directions)
    source = low.mesh.source
    if sha256 and source and sha256 != source.sha256:
        return found, (
            Notice(
                "push-for-another-file",
                f"{push} was made for another version of the low poly.",
                "Tune again if the low poly has changed since.",
            ),
        )
    return found, ()
