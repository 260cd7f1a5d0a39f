"""Options of commands that write predicted maps, and the format that they name."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

import typer

from cagecheck.errors import InputError
from cagecheck.maps.encode import Bits
from cagecheck.maps.high_normals import HighNormals
from cagecheck.maps.write_maps import DEFAULT_PADDING, MAP_KINDS, Green, MapFormat, MapKind

MapsOption = Annotated[
    str | None,
    typer.Option(
        "--maps",
        help=f"Write predicted maps: {', '.join(MAP_KINDS)}, or all; separated by commas.",
    ),
]
BitsOption = Annotated[int, typer.Option("--bits", help="Bits a channel: 8, 16 or 32 (EXR, TIFF).")]
MapEnding = Literal["png", "tif", "tga", "exr"]
MapFileOption = Annotated[MapEnding, typer.Option("--map-file", help="File format of the maps.")]
GreenOption = Annotated[
    Green, typer.Option("--green", help="Where green points: up (glTF) or down.")
]
MapPaddingOption = Annotated[
    float, typer.Option("--padding", min=0, help="Padding around islands, in texels.")
]
SupersampleOption = Annotated[
    int, typer.Option("--supersample", help="Rays per texel of the maps: 1, 4 or 16.")
]
HighNormalsOption = Annotated[
    HighNormals, typer.Option("--high-normals", help="Normals of the high poly: smooth or face.")
]
DEFAULT_MAP_PADDING = DEFAULT_PADDING


def map_format(
    maps: str, bits: int, ending: MapEnding, green: Green, padding: float, asset: str
) -> MapFormat:
    """Return the format that the options name.

    Raises `InputError` for a kind of map, a depth or a file format that does not exist.
    """
    names = [word.strip() for word in maps.split(",") if word.strip()]
    kinds: list[MapKind] = []
    for name in names:
        chosen = [kind for kind in MAP_KINDS if name in (kind, "all")]
        if not chosen:
            raise InputError(
                f"--maps {name}: there is no such map.", cure=f"Choose from {', '.join(MAP_KINDS)}."
            )
        kinds += [kind for kind in chosen if kind not in kinds]
    if not kinds:
        raise InputError("--maps names no map.", cure=f"Choose from {', '.join(MAP_KINDS)}.")
    if bits not in get_args(Bits):
        raise InputError(f"--bits must be 8, 16 or 32, not {bits}.")
    form = MapFormat(tuple(kinds), bits, ending, green, padding, asset)  # type: ignore[arg-type]
    return form.checked()
