"""Baked normal maps from files: one file, a pattern with the tile number, or a folder."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.chores.mapnames import IMAGE_ENDINGS, parse_map_name, words_of
from cagecheck.chores.pictures import read_picture
from cagecheck.errors import InputError

# ``<UDIM>`` is the token of MaterialX 1.38 and OpenUSD; ``{tile}`` is our own, ``*`` the shell's.
TILE_TOKENS = ("{tile}", "<UDIM>", "*")
# Words by which files say that they hold normals (common practice, no source).
NORMAL_WORDS = ("normal", "normals", "norm", "nrm", "nor", "nml")
SMALLEST = 8


@dataclass(frozen=True, eq=False)
class BakedMap:
    """A normal map as it was read.

    Attributes
    ----------
    path : the file; tile : the UDIM number that its name carries, or None.
    values : (H, W, 3) uint8, uint16 or float32, row 0 on top, as in the file.
    empty : (H, W) bool where an alpha channel says that nothing was baked, or None.
    """

    path: Path
    tile: int | None
    values: NDArray[Any]
    empty: NDArray[np.bool_] | None

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in texels."""
        return self.values.shape[1], self.values.shape[0]

    @property
    def bits(self) -> int:
        """Bits of a channel: 8, 16 or 32 (floating point)."""
        return int(self.values.dtype.itemsize * 8)


def find_maps(where: str | Path, tiles: Collection[int] = ()) -> list[tuple[Path, int | None]]:
    """Return the picture files meant by `where`, each with the tile that its name carries.

    where : a file, a folder (files whose name says normal; all pictures where none does) or a
        pattern with ``{tile}``, ``<UDIM>`` or ``*``; tiles : the tiles in use.

    Raises `InputError` when nothing is there or two files carry one tile.
    """
    text = str(where)
    token = next((t for t in TILE_TOKENS if t in text), None)
    if token is not None:
        found = _by_pattern(text, token)
    elif Path(where).is_dir():
        found = _in_folder(Path(where), tiles)
    elif Path(where).is_file():
        found = [(Path(where), _tile_of(Path(where).name, tiles))]
    else:
        raise InputError(
            "there is no such file or folder.", file=text, cure="Check the path of the map."
        )
    seen: dict[int, Path] = {}
    for path, tile in found:
        if tile is None:
            continue
        if tile in seen:
            raise InputError(
                f"both {seen[tile].name} and {path.name} carry the tile {tile}.",
                file=str(path.parent),
                cure="Pass a pattern such as name_normal.{tile}.png.",
            )
        seen[tile] = path
    return found


def read_map(path: Path, tile: int | None = None) -> BakedMap:
    """Read one normal map.

    Raises `InputError` when the file is damaged or has fewer than three channels.
    """
    picture = read_picture(path)
    texels = picture.texels
    if texels.shape[2] < 3:
        raise InputError(
            f"this picture has {texels.shape[2]} channel(s); a normal map has three.",
            file=str(path),
            cure="Pass the normal map.",
        )
    if min(picture.size) < SMALLEST:
        raise InputError(
            f"this picture is only {picture.size[0]} x {picture.size[1]} texels.", file=str(path)
        )
    if texels.dtype.kind == "f":
        texels = texels.astype(np.float32)
        if not np.isfinite(texels[:, :, :3]).all():
            raise InputError(
                "this map holds values that are not numbers.",
                file=str(path),
                cure="Bake or export it again.",
            )
    elif texels.dtype not in (np.uint8, np.uint16):
        raise InputError(
            f"this picture holds {texels.dtype} values.",
            file=str(path),
            cure="Save it with 8, 16 or 32 bits a channel.",
        )
    empty = None
    if texels.shape[2] >= 4 and np.any(texels[:, :, 3] == 0) and np.any(texels[:, :, 3] != 0):
        empty = texels[:, :, 3] == 0
    return BakedMap(path, tile, np.ascontiguousarray(texels[:, :, :3]), empty)


def as_shares(values: NDArray[Any]) -> NDArray[np.float32]:
    """Return map values as float32 from 0 to 1.

    Floating-point maps that hold signed components (some are below 0) are brought to that too.
    """
    if values.dtype.kind == "f":
        signed = float(values.min()) < -1e-3
        return ((values + 1) / 2 if signed else values).astype(np.float32)
    return values.astype(np.float32) / np.float32(np.iinfo(values.dtype).max)


def _by_pattern(text: str, token: str) -> list[tuple[Path, int | None]]:
    folder = Path(text).parent
    name = Path(text).name
    if token in str(folder):
        raise InputError("the tile belongs into the file's name.", file=text)
    if not folder.is_dir():
        raise InputError("there is no such folder.", file=str(folder))
    before, _, after = name.partition(token)
    rule = re.compile(re.escape(before) + r"(\d{4})" + re.escape(after))
    found: list[tuple[Path, int | None]] = [
        (path, int(match[1]))
        for path in sorted(folder.iterdir())
        if (match := rule.fullmatch(path.name))
    ]
    if not found:
        raise InputError(
            "no file fits this pattern.",
            file=text,
            cure="The tile stands for four digits, as in 1001.",
        )
    return found


def _in_folder(folder: Path, tiles: Collection[int]) -> list[tuple[Path, int | None]]:
    pictures = sorted(
        p for p in folder.iterdir() if p.suffix.lower().lstrip(".") in IMAGE_ENDINGS and p.is_file()
    )
    if not pictures:
        raise InputError("this folder holds no pictures.", file=str(folder))
    normal = [p for p in pictures if {w.casefold() for w in words_of(p.stem)} & set(NORMAL_WORDS)]
    return [(p, _tile_of(p.name, tiles)) for p in normal or pictures]


def _tile_of(name: str, tiles: Collection[int]) -> int | None:
    return parse_map_name(name, (), "", tiles).tile
