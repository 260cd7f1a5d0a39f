"""Predicted maps as picture files, and the document that says how to read them.

Normals use the mapping of `cagecheck.maps.encode`. Heights in 8 and 16 bits put 0 in the middle
and `height_range` world units at either end; in floating point they are plain world units. Part
and material maps hold one flat colour each, listed in the document. Texels where nothing was
recorded show the background: a flat normal, height 0, black. Texels around islands are padded (see
`cagecheck.maps.pad`), except in defect maps, which are transparent there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Ints
from cagecheck.errors import InputError
from cagecheck.files import OutputFolder
from cagecheck.maps.encode import Bits, Green, NormalNumbers, quantised
from cagecheck.maps.map_names import DEFAULT_PATTERN, fill_pattern
from cagecheck.maps.pad import nearest_covered, taken
from cagecheck.maps.pictures import Picture, write_picture
from cagecheck.options import MAPS, option
from cagecheck.predicting.maps.bake import NO_ID, TileBake
from cagecheck.report.colours import DEFECT_COLOURS, defect_colours

MapKind = Literal["normal", "object", "height", "part", "material", "defect"]
MAP_KINDS: tuple[MapKind, ...] = ("normal", "object", "height", "part", "material", "defect")
# The fields of a `TileBake` that each kind is written from.
_FIELD = {
    "normal": "tangent",
    "object": "world",
    "height": "height",
    "part": "part",
    "material": "material",
}
# Mip levels of a 4096 map down to 128 stay clean with 16 texels (common practice, no source).
DEFAULT_PADDING = 16.0
# Equal steps round the hue circle never repeat and stay far apart (the golden angle).
_GOLDEN_DEGREES = 180.0 * (3.0 - np.sqrt(5.0))
_FLAT = np.array([0.0, 0.0, 1.0], np.float32)
# Rows of a map whose normals become numbers together: few megabytes, and Python's share hidden.
_BAND = 64


@dataclass(frozen=True)
class MapFiles:
    """What map files are like, whatever they show (see `MapFormat`).

    Attributes
    ----------
    bits : Bits
        Per channel: 8, 16 or 32 (floating point, EXR or TIFF only).
    ending : str
        ``png``, ``tif``, ``tga`` (8 bits only) or ``exr`` (32 bits only).
    green : Green
        Where the green channel of tangent-space maps points.
    padding : float
        Texels around islands.
    """

    bits: Bits = option(8, MAPS, "Bits per channel of the maps.", metavar="N", typed=int)
    ending: str = option(
        "png", MAPS, "Kind of map files: png, tif, tga or exr.", metavar="KIND",
        parse=lambda text: text.lower().lstrip("."),
    )  # fmt: skip
    green: Green = option("up", MAPS, "Where the green channel points (glTF: up).")
    padding: float = option(
        DEFAULT_PADDING, MAPS, "Texels of padding around islands in the maps.",
        metavar="TEXELS", least=0, in_help=True,
    )  # fmt: skip


@dataclass(frozen=True)
class MapFormat(MapFiles):
    """How maps are written.

    Attributes
    ----------
    bits : Bits
        Per channel: 8, 16 or 32 (floating point, EXR or TIFF only).
    ending : str
        ``png``, ``tif``, ``tga`` (8 bits only) or ``exr`` (32 bits only).
    green : Green
        Where the green channel of tangent-space maps points.
    padding : float
        Texels around islands.
    kinds : tuple[MapKind, ...]
        The maps to write, of `MAP_KINDS`.
    asset : str
        The asset's name, for file names.
    pattern : str
        File names, see `cagecheck.maps.map_names`.
    """

    kinds: tuple[MapKind, ...] = ("normal",)
    asset: str = "asset"
    pattern: str = DEFAULT_PATTERN

    def checked(self) -> MapFormat:
        """Return the format; raise `InputError` where bits and file format do not go together."""
        if self.bits not in get_args(Bits):
            raise InputError(f"maps have no {self.bits} bits.", cure="Choose 8, 16 or 32.")
        allowed = {
            "png": (8, 16),
            "tif": (8, 16, 32),
            "tiff": (8, 16, 32),
            "tga": (8,),
            "exr": (32,),
        }
        bits = allowed.get(self.ending)
        if bits is None:
            raise InputError(
                f"maps are not written as {self.ending}.", cure="Choose png, tif, tga or exr."
            )
        if self.bits not in bits:
            raise InputError(
                f"{self.ending} maps are not written with {self.bits} bits.",
                cure=f"Choose {' or '.join(map(str, bits))} bits, or another format.",
            )
        if not self.padding >= 0:
            raise InputError("the padding must be zero or more texels.")
        return self

    @property
    def numbers(self) -> NormalNumbers | None:
        """The whole numbers of normals, for `Baker.tile`; None in floating point."""
        return None if self.bits == 32 else NormalNumbers(self.bits, self.green)


def fields_for(kinds: Sequence[MapKind]) -> tuple[str, ...]:
    """Return the fields of `TileBake` that the kinds of map need."""
    return tuple(_FIELD[kind] for kind in kinds if kind in _FIELD)


def write_tile_maps(
    bake: TileBake,
    output: OutputFolder,
    form: MapFormat,
    *,
    part_names: Sequence[str] = (),
    material_names: Sequence[str] = (),
    defects: NDArray[np.uint8] | None = None,
    height_range: float | None = None,
) -> list[dict[str, Any]]:
    """Write the maps of one tile into an open folder; return one JSON row per file.

    defects : (H, W) uint8 main defect per texel, `CLEAN` where none, needed for ``defect``.
    height_range : world units of the largest height in 8 and 16 bits; the tile's own by default.
    """
    form = form.checked()
    source = nearest_covered(bake.hit, form.padding)
    # Missed texels are part of what the bake shows: they are not padded over.
    source[bake.missed] = -1
    rows: list[dict[str, Any]] = []
    for kind in form.kinds:
        row: dict[str, Any] = {"tile": bake.tile, "kind": kind, "size": bake.size}
        ending, bits = form.ending, form.bits
        if kind in ("part", "material", "defect"):
            ending, bits = ("png" if ending == "exr" else ending), 8
        if kind == "defect":
            assert defects is not None, "a defect map needs the defects"
            texels = _defect_texels(defects, bake.covered)
            row["colours"] = {d.title: list(c) for d, c in DEFECT_COLOURS.items()}
        elif kind in ("part", "material"):
            numbers = bake.part if kind == "part" else bake.material
            assert numbers is not None
            names = part_names if kind == "part" else material_names
            texels, row["colours"] = _id_texels(numbers, names, source)
        elif kind == "height":
            assert bake.height is not None
            texels, row["height_range"] = _height_texels(bake.height, source, bits, height_range)
        else:
            normals = bake.tangent if kind == "normal" else bake.world
            assert normals is not None
            assert bake.numbers in (None, form.numbers), "the bake holds the numbers of other maps"
            flipped = kind == "normal" and form.green == "down"
            if bake.numbers is None:
                texels = _normal_texels(normals, source, bits, flipped)
            else:
                texels = taken(normals, source, quantised(_FLAT, bits))
            row["green"] = form.green if kind == "normal" else None
        name = fill_pattern(
            form.pattern, asset=form.asset, map=kind, tile=str(bake.tile), ext=ending, material=""
        )
        write_picture(output.add(name), Picture(texels), ending)
        rows.append({**row, "file": name, "bits": bits, "padding": form.padding})
    return rows


def _normal_texels(
    vectors: NDArray[np.float32], source: Ints, bits: Bits, flip_green: bool
) -> NDArray[Any]:
    signs = np.array([1, -1 if flip_green else 1, 1], np.float32)
    out = np.empty((*source.shape, 3), quantised(_FLAT, bits).dtype)
    # Band by band: no full-size floating-point copy of the map.
    for y in range(0, len(source), _BAND):
        band = slice(y, y + _BAND)
        out[band] = quantised(taken(vectors, source[band], _FLAT) * signs, bits)
    return out


def _height_texels(
    height: NDArray[np.float32], source: Ints, bits: Bits, given: float | None
) -> tuple[NDArray[Any], float]:
    filled = np.where(source >= 0, height.ravel()[np.maximum(source, 0)], np.float32(0))
    largest = given if given is not None else float(np.abs(filled).max(initial=0.0))
    if bits == 32:
        return filled[:, :, None].astype(np.float32), largest
    return quantised(filled[:, :, None] / (largest or 1.0), bits), largest


def _id_texels(
    numbers: Ints, names: Sequence[str], source: Ints
) -> tuple[NDArray[np.uint8], dict[str, list[int]]]:
    padded = np.where(source >= 0, numbers.ravel()[np.maximum(source, 0)], NO_ID)
    count = max(len(names), int(numbers.max(initial=-1)) + 1)
    table = np.concatenate([id_colours(count), np.zeros((1, 3), np.uint8)])
    legend = {
        (names[k] if k < len(names) else str(k)): [int(c) for c in table[k]]
        for k in np.unique(numbers[numbers >= 0])
    }
    return table[padded], legend


def id_colours(count: int) -> NDArray[np.uint8]:
    """Return (count, 3) different colours: hues by the golden angle, lightness in three steps.

    Hue, chroma and lightness are those of OKLab (Ottosson, "A perceptual color space for image
    processing", 2020). A colour that repeats after rounding is moved on until it is new.
    """
    seen: set[tuple[int, ...]] = set()
    out = np.empty((count, 3), np.uint8)
    k = 0
    for i in range(count):
        while True:
            colour = _oklch((0.5, 0.65, 0.8)[k % 3], 0.12, np.radians(k * _GOLDEN_DEGREES))
            k += 1
            if tuple(colour) not in seen:
                break
        seen.add(tuple(colour))
        out[i] = colour
    return out


def _oklch(lightness: float, chroma: float, hue: float) -> list[int]:
    a, b = chroma * np.cos(hue), chroma * np.sin(hue)
    cone = np.array(
        [
            lightness + 0.3963377774 * a + 0.2158037573 * b,
            lightness - 0.1055613458 * a - 0.0638541728 * b,
            lightness - 0.0894841775 * a - 1.2914855480 * b,
        ]
    )
    to_linear = np.array(
        [
            [4.0767416621, -3.3077115913, 0.2309699292],
            [-1.2684380046, 2.6097574011, -0.3413193965],
            [-0.0041960863, -0.7034186147, 1.7076147010],
        ]
    )
    linear = np.clip(to_linear @ cone**3, 0, 1)
    # The sRGB transfer function, IEC 61966-2-1.
    value = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return [int(c) for c in np.rint(255 * value)]


def _defect_texels(defects: NDArray[np.uint8], covered: NDArray[np.bool_]) -> NDArray[np.uint8]:
    out = defect_colours(defects.ravel()).reshape(*defects.shape, 4)
    out[~covered] = 0
    return out
