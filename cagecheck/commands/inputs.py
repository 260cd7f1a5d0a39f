"""Options that several commands share; `cagecheck.inputs` does what they ask for."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cagecheck.meshes.alignment import HighAxes
from cagecheck.meshes.normals import NormalSource, NormalWeight
from cagecheck.meshes.triangulate import QuadSplit
from cagecheck.rays.cage import Along, Directions

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
