"""Options that several commands share, and what they stand for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from cagecheck.errors import InputError, Notice
from cagecheck.meshes.alignment import HighAxes, check_alignment, transform_surface
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.normals import NormalRule, NormalSource, NormalWeight
from cagecheck.meshes.pairs import Pairing, pair_parts
from cagecheck.meshes.read import read_mesh, read_surface
from cagecheck.meshes.triangulate import QuadSplit
from cagecheck.progress import Progress
from cagecheck.rays.cage import Along, Cage, Directions, cage_from_mesh, cage_from_push
from cagecheck.rays.push_file import read_push

LowPath = Annotated[Path, typer.Argument(help="The low poly.", metavar="LOW")]
HighPath = Annotated[Path, typer.Argument(help="The high poly.", metavar="HIGH")]
OffsetOption = Annotated[
    float | None, typer.Option("--offset", help="Uniform cage offset, in the files' units.")
]
PushOption = Annotated[
    Path | None, typer.Option("--push", help="Push distances per vertex (JSON or CSV).")
]
CageOption = Annotated[
    Path | None, typer.Option("--cage", help="Cage mesh: the low poly with its vertices moved.")
]
DepthOption = Annotated[
    float | None, typer.Option("--depth", help="How far rays look below the low poly.")
]
ReachOption = Annotated[
    float | None, typer.Option("--reach", help="How far out other layers are looked for.")
]
SamplesOption = Annotated[
    int, typer.Option("--samples", min=1, help="About how many samples to take.")
]
DensityOption = Annotated[
    float | None,
    typer.Option("--density", help="Samples per square unit (edges: its root per unit)."),
]
TexelsOption = Annotated[
    int | None,
    typer.Option("--texels", help="Sample the texel centres of N-square maps, one per tile."),
]
SizeOption = Annotated[
    int, typer.Option("--size", min=1, max=65536, help="Edge of the maps in texels.")
]
PairOption = Annotated[
    list[str] | None,
    typer.Option("--pair", help="Pairing by name: LOW=HIGH with {name} and *. May repeat."),
]
NoPairingOption = Annotated[
    bool, typer.Option("--no-pairing", help="Bake everything onto everything.")
]
ApartOption = Annotated[
    bool, typer.Option("--apart", help="Every low part sees only its own high parts.")
]
DirectionsOption = Annotated[
    Directions,
    typer.Option("--directions", help="Push along averaged, corner (split) or face normals."),
]
AlongOption = Annotated[
    Along, typer.Option("--along", help="Rays run from the cage to the low poly, or on normals.")
]
NormalsOption = Annotated[
    NormalSource, typer.Option("--normals", help="Where shading normals come from.")
]
HardnessOption = Annotated[
    float, typer.Option("--hardness", min=0, max=180, help="Degrees, with --normals hardness.")
]
WeightOption = Annotated[
    NormalWeight, typer.Option("--weight", help="What faces weigh in computed normals.")
]
QuadsOption = Annotated[
    QuadSplit, typer.Option("--quads", help="How quads are cut: first corner or short side.")
]
HighScaleOption = Annotated[
    float, typer.Option("--high-scale", help="Scale the high poly by this first.")
]
HighAxesOption = Annotated[
    HighAxes, typer.Option("--high-axes", help="The high poly's up axis, if not the low's.")
]
SeedOption = Annotated[int, typer.Option("--seed", help="Seed of the sample places.")]


@dataclass(frozen=True, eq=False)
class Inputs:
    """A low and a high poly, read, aligned and paired."""

    low: LowPoly
    high: Surface
    pairing: Pairing
    notices: tuple[Notice, ...]


def read_inputs(
    low_path: Path,
    high_path: Path,
    *,
    pair: list[str] | None = None,
    no_pairing: bool = False,
    normals: NormalRule | None = None,
    quads: QuadSplit = "first",
    high_scale: float = 1.0,
    high_axes: HighAxes = "as-is",
    progress: Progress,
) -> Inputs:
    """Read, align and pair; raise `InputError` with what is wrong.

    Meshes that no ray could bring together are refused; smaller mismatches become notices.
    """
    mesh = read_mesh(low_path, progress=progress)
    low = prepare_low(mesh, rule=normals, quads=quads)
    if float(low.area.sum()) <= 0:
        raise InputError(
            "all faces of the low poly have zero area.",
            file=str(low_path),
            cure="Check the export; there is nothing to bake onto.",
        )
    high = read_surface(high_path, progress=progress)
    high = transform_surface(high, high_scale, high_axes)
    pairing = pair_parts(low.part_names, high.part_names, pair or [], pairing=not no_pairing)
    notices = (*mesh.notices, *high.notices, *check_alignment(mesh, high), *pairing.notices)
    return Inputs(low, high, pairing, notices)


def read_cage(
    low: LowPoly,
    *,
    offset: float | None,
    push: Path | None,
    cage: Path | None,
    directions: Directions,
    progress: Progress,
) -> tuple[Cage | None, tuple[Notice, ...]]:
    """Return the cage that the options name (None: a uniform offset) and notices about it.

    Raises `InputError` when more than one is named, or the cage does not fit the low poly.
    """
    named = [
        name
        for name, value in (("--offset", offset), ("--push", push), ("--cage", cage))
        if value is not None
    ]
    if len(named) > 1:
        raise InputError(
            f"{' and '.join(named)} name more than one cage.", cure="Give only one of them."
        )
    if cage is not None:
        return cage_from_mesh(low, read_mesh(cage, progress=progress)), ()
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
