"""Options that several commands share; `cagecheck.predicting.inputs` does what they ask for."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cagecheck.maps.high_normals import HighNormals
from cagecheck.meshes.alignment import HighAxes
from cagecheck.meshes.normals import NormalSource, NormalWeight
from cagecheck.meshes.triangulate import QuadSplit
from cagecheck.rays.cage import Along, Directions

LowPath = Annotated[Path, typer.Argument(help="The low poly.", metavar="LOW")]
HighPath = Annotated[Path, typer.Argument(help="The high poly.", metavar="HIGH")]
OffsetOption = Annotated[
    float | None,
    typer.Option(
        "--offset", metavar="UNITS", help="One cage offset everywhere, in the files' units."
    ),
]
PushOption = Annotated[
    Path | None,
    typer.Option("--push", metavar="FILE", help="Push distances per vertex (JSON or CSV)."),
]
CageOption = Annotated[
    Path | None,
    typer.Option("--cage", metavar="MESH", help="Cage mesh: the low poly with its vertices moved."),
]
DepthOption = Annotated[
    float | None,
    typer.Option(
        "--depth",
        metavar="UNITS",
        help="How far below the low poly rays look (else taken from the scene).",
    ),
]
ReachOption = Annotated[
    float | None,
    typer.Option(
        "--reach",
        metavar="UNITS",
        help="How far out other surfaces are looked for (else taken from the scene).",
    ),
]
SamplesOption = Annotated[
    int, typer.Option("--samples", min=1, metavar="N", help="About how many samples to take.")
]
DensityOption = Annotated[
    float | None,
    typer.Option(
        "--density",
        metavar="N",
        help="Instead of --samples: samples per square unit (on edges, its square root per unit).",
    ),
]
TexelsOption = Annotated[
    int | None,
    typer.Option(
        "--texels",
        metavar="N",
        help="Instead of --samples: one at the centre of each texel of N x N maps, one per tile.",
    ),
]
SizeOption = Annotated[
    int,
    typer.Option(
        "--size",
        min=1,
        max=65536,
        metavar="N",
        help="The maps are N x N texels; all numbers of texels are for this size.",
    ),
]
PairOption = Annotated[
    list[str] | None,
    typer.Option(
        "--pair",
        metavar="LOW=HIGH",
        help='Pair parts by name, as in "{name}_lp={name}_hp*": {name} is alike on both sides, '
        "* is anything. May repeat: rules add up.",
    ),
]
NoPairingOption = Annotated[
    bool,
    typer.Option("--no-pairing", help="Do not go by names: all high parts serve all low parts."),
]
ApartOption = Annotated[
    bool,
    typer.Option("--apart", help="Bake each pair by itself: a low part sees only its high parts."),
]
DirectionsOption = Annotated[
    Directions,
    typer.Option(
        "--directions",
        help="Normals that the cage is pushed along: averaged (it stays closed), corner (it "
        "opens at hard edges) or each face's own.",
    ),
]
AlongOption = Annotated[
    Along,
    typer.Option(
        "--along", help="Rays run from the cage to the low poly, or along the low poly's normals."
    ),
]
NormalsOption = Annotated[
    NormalSource,
    typer.Option(
        "--normals",
        help="Shading normals: the file's own, all smooth, hard where sharper than --hardness, "
        "or by smoothing groups.",
    ),
]
HardnessOption = Annotated[
    float,
    typer.Option(
        "--hardness",
        min=0,
        max=180,
        metavar="DEGREES",
        help="With --normals hardness: edges sharper than this are hard.",
    ),
]
WeightOption = Annotated[
    NormalWeight,
    typer.Option(
        "--weight", help="What a face counts for in computed normals: its corner's angle, its area."
    ),
]
QuadsOption = Annotated[
    QuadSplit,
    typer.Option(
        "--quads", help="How quads are cut in two: from the first corner, or the short way across."
    ),
]
HighScaleOption = Annotated[
    float,
    typer.Option(
        "--high-scale",
        metavar="FACTOR",
        help="Scale the high poly first (100: from metres to centimetres).",
    ),
]
HighAxesOption = Annotated[
    HighAxes,
    typer.Option(
        "--high-axes", help="Turn the high poly first: which way up it is, if the low is not."
    ),
]
HighNormalsOption = Annotated[
    HighNormals,
    typer.Option(
        "--high-normals",
        help="What the high poly is shaded with in maps: its file's own normals (smooth where it "
        "has none), smooth ones, or each face's.",
    ),
]
SeedOption = Annotated[
    int, typer.Option("--seed", metavar="N", help="Seed of the random places of samples.")
]
