"""Baked normal maps from files: one file, a pattern with the tile number, or a folder."""

from __future__ import annotations

import os
import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.maps.map_names import IMAGE_ENDINGS, parse_map_name, words_of
from cagecheck.maps.pictures import Picture, read_picture
from cagecheck.words.numbers import count_text

# ``<UDIM>`` is the token of MaterialX 1.38 and OpenUSD; ``{tile}`` is our own, ``*`` the shell's.
TILE_TOKENS = ("{tile}", "<UDIM>", "*")
# Words by which files say that they hold normals: these, those that begin with the first, and where
# no file has any of them the short ones (common practice, no source).
NORMAL_WORDS = ("normal", "norm", "norms", "nrm", "nrml", "nor", "nml")
SHORT_WORDS = ("n", "nm")
SMALLEST = 8
# Stored normals have unit length to within 8-bit rounding and filters; so have the texels of a
# normal map, nearly all of them. A colour or grey picture has few such texels.
UNIT_SLACK, UNIT_SHARE = 0.1, 0.5
_LOOKED_AT = 100_000

Numbers = Literal["whole", "half float", "float"]


@dataclass(frozen=True, eq=False)
class BakedMap:
    """A normal map as it was read.

    Attributes
    ----------
    path : Path
        The file.
    tile : int | None
        The UDIM number that its name carries.
    values : (H, W, 3) uint8, uint16 or float32
        Row 0 on top, as in the file.
    empty : (H, W) bool or None
        Where an alpha channel says that nothing was baked.
    half : bool
        The file holds half floats (IEEE 754 binary16), which `values` widen without loss.
    crop : tuple[int, int, int, int] | None
        Left, top, width and height of the part of the file that this is; None for all of it.
    alpha : (H, W) float32 or None
        From 0 to 1, where a fourth channel varies.
    """

    path: Path
    tile: int | None
    values: NDArray[Any]
    empty: NDArray[np.bool_] | None
    half: bool = False
    crop: tuple[int, int, int, int] | None = None
    alpha: NDArray[np.float32] | None = None

    def __repr__(self) -> str:
        width, height = self.size
        return f"<BakedMap {self.name}: {width} x {height}, tile {self.tile or 'unknown'}>"

    @property
    def name(self) -> str:
        """The file's name, with the place in it of a part."""
        if self.crop is None:
            return self.path.name
        left, top, width, height = self.crop
        return f"{self.path.name} (x {left}-{left + width}, y {top}-{top + height})"

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in texels."""
        return self.values.shape[1], self.values.shape[0]

    @property
    def bits(self) -> int:
        """Bits of a channel in the file: 8, 16 or 32."""
        return 16 if self.half else int(self.values.dtype.itemsize * 8)

    @property
    def numbers(self) -> Numbers:
        """What the bits of a channel make up."""
        if self.half:
            return "half float"
        return "float" if self.values.dtype.kind == "f" else "whole"

    @property
    def depth_words(self) -> str:
        """Say the depth of a channel: ``8 bits``, ``16 bits (half float)``."""
        more = "" if self.numbers == "whole" else f" ({self.numbers})"
        return f"{self.bits} bits{more}"


def find_maps(where: str | Path, tiles: Collection[int] = ()) -> list[tuple[Path, int | None]]:
    """Return the picture files meant by `where`, each with the tile that its name carries.

    Parameters
    ----------
    where : str | Path
        A file, a folder (files whose name says normal; where none does, those that look like
        normal maps) or a pattern with ``{tile}``, ``<UDIM>`` or ``*``.
    tiles : collection of int, optional
        The tiles in use.

    Raises
    ------
    InputError
        Nothing is there, no picture of a folder is a normal map, or two files carry one tile.
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


def read_map(path: str | os.PathLike[str], tile: int | None = None) -> BakedMap:
    """Read one normal map.

    Of an EXR file with several layers the one whose name says normal is read.

    Parameters
    ----------
    path : str | os.PathLike[str]
        The file.
    tile : int, optional
        The UDIM number that it is of, see `find_maps`; found out by `locate` by default.

    Raises
    ------
    InputError
        The file is missing or damaged, has fewer than three channels, is grey, or has layers of
        which none says that it is the normals.
    """
    path = Path(path)
    picture = read_picture(path)
    texels = picture.texels[:, :, _chosen_channels(path, picture)]
    if texels.shape[2] < 3:
        what = "a grey picture" if texels.shape[2] == 1 else "a picture of two channels"
        raise InputError(
            f"this is {what} (a height, roughness or other mask, perhaps); a normal map has three "
            "channels.",
            file=str(path),
            cure="Pass the normal map.",
        )
    if min(picture.size) < SMALLEST:
        raise InputError(
            f"this picture is only {picture.size[0]} x {picture.size[1]} texels.", file=str(path)
        )
    half = texels.dtype == np.float16
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
    if _is_grey(texels):
        raise InputError(
            "this picture is grey: its three channels are alike, as in a height, roughness or "
            "other mask.",
            file=str(path),
            cure="Pass the normal map.",
        )
    empty = alpha = None
    if texels.shape[2] >= 4 and np.any(texels[:, :, 3] != texels[0, 0, 3]):
        alpha = as_shares(texels[:, :, 3])
        if np.any(texels[:, :, 3] == 0):
            empty = texels[:, :, 3] == 0
    return BakedMap(path, tile, np.ascontiguousarray(texels[:, :, :3]), empty, half, alpha=alpha)


def as_shares(values: NDArray[Any]) -> NDArray[np.float32]:
    """Return map values as float32 from 0 to 1.

    Floating-point maps that hold signed components (some are below 0) are brought to that too.
    """
    if values.dtype.kind == "f":
        signed = float(values.min()) < -1e-3
        return ((values + 1) / 2 if signed else values).astype(np.float32)
    top = np.float32(np.iinfo(values.dtype).max)
    # In one pass; float32 holds all numbers of 8 and 16 bits.
    return np.divide(values, top, dtype=np.float32, casting="unsafe")


def unit_share(values: NDArray[Any]) -> float:
    """Return the share of texels whose values are a unit vector, as those of normals are.

    Texels of the background (the value in the upper left corner) do not count.
    """
    height, width = values.shape[:2]
    step = max(int(np.sqrt(height * width / _LOOKED_AT)), 1)
    n = (as_shares(values[::step, ::step, :3]) * 2 - 1).reshape(-1, 3)
    n = n[(n != n[0]).any(axis=1)]
    return float(np.mean(np.abs(np.linalg.norm(n, axis=1) - 1) < UNIT_SLACK)) if len(n) else 0.0


def _is_grey(texels: NDArray[Any]) -> bool:
    first = texels[:, :, :1]
    # A picture of one value only may still be a normal map of which nothing was baked.
    return bool((texels[:, :, :3] == first).all() and (first != first[0, 0]).any())


def _chosen_channels(path: Path, picture: Picture) -> list[int]:
    """Return the channels to read: all, or the normal layer's of a file with several layers."""
    layers: dict[str, list[int]] = {}
    for k, name in enumerate(picture.channels):
        layers.setdefault(name.rpartition(".")[0], []).append(k)
    if len(layers) < 2:
        return list(range(picture.texels.shape[2]))
    said = [layer for layer in layers if _says_normal(layer, NORMAL_WORDS)]
    if len(said) == 1:
        return layers[said[0]]
    if len(layers.get("", ())) >= 3:
        return layers[""]
    names = ", ".join(sorted(layer or "unnamed" for layer in layers))
    raise InputError(
        f"this file has the layers {names}, and it is not clear which are the normals.",
        file=str(path),
        cure="Save the normals into a file of their own.",
    )


def _says_normal(name: str, words: tuple[str, ...]) -> bool:
    found = {word.casefold() for word in words_of(name)}
    return bool(found & set(words)) or any(word.startswith(NORMAL_WORDS[0]) for word in found)


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
    for words in (NORMAL_WORDS, SHORT_WORDS):
        normal = [p for p in pictures if _says_normal(p.stem, words)]
        if normal:
            break
    else:
        normal = [p for p in pictures if _looks_normal(p)]
    if not normal:
        raise InputError(
            f"none of the {count_text(len(pictures))} pictures in this folder is called or looks "
            "like a "
            "normal map."
            if len(pictures) > 1
            else f"the one picture in this folder, {pictures[0].name}, is neither called a normal "
            "map nor looks like one.",
            file=str(folder),
            cure="Pass the file itself, or a pattern such as name_normal.{tile}.png.",
        )
    return [(p, _tile_of(p.name, tiles)) for p in normal]


def _looks_normal(path: Path) -> bool:
    try:
        return unit_share(read_map(path).values) >= UNIT_SHARE
    except InputError:
        return False


def _tile_of(name: str, tiles: Collection[int]) -> int | None:
    return parse_map_name(name, (), "", tiles).tile
