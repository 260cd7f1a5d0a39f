"""Other maps of the same bake: which they are, and their texels from files."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.locating.read_maps import TILE_TOKENS, find_maps
from cagecheck.maps.map_names import IMAGE_ENDINGS, parse_map_name, words_of
from cagecheck.maps.pictures import read_picture

BesideKind = Literal["object", "height", "position", "part", "occlusion"]
BESIDE_KINDS: tuple[BesideKind, ...] = get_args(BesideKind)
# Words by which files say what they hold (common practice, no source). "object" and the like say
# it only together with a word for normals, or alone.
KIND_WORDS: dict[BesideKind, tuple[str, ...]] = {
    "object": ("object", "objectspace", "os", "world", "worldspace", "ws"),
    "height": ("height", "heightmap", "disp", "displacement"),
    "position": ("position", "pos"),
    "part": ("id", "ids", "part", "parts", "material", "materials", "matid"),
    "occlusion": ("ao", "occlusion", "ambientocclusion"),
}


@dataclass(frozen=True, eq=False)
class BesideMap:
    """A map of the same bake beside the normal map.

    Attributes
    ----------
    kind : BesideKind
        What it holds: ``object`` space normals, ``height`` above the low poly, ``position`` in
        space, flat colours by ``part`` or material, ambient ``occlusion``.
    path : Path
        Its file.
    tile : int or None
        The UDIM tile that it is of; None where its name carries none.
    values : (H, W, 3) float32
        Whole numbers as shares of their range, floating-point ones as they are; row 0 on top.
    """

    kind: BesideKind
    path: Path
    tile: int | None
    values: NDArray[np.float32]

    def __repr__(self) -> str:
        return f"<BesideMap {self.path.name}: {self.kind}, tile {self.tile or 'unknown'}>"


def beside_map(kind: BesideKind, path: Path, tile: int | None, texels: NDArray[Any]) -> BesideMap:
    """Return a map from a picture's texels: (H, W) or (H, W, C) of any type.

    Parameters
    ----------
    kind : BesideKind
        What it holds.
    path : Path
        Its file.
    tile : int or None
        The tile that it is of.
    texels : (H, W) or (H, W, C) array
        Of one channel all three are made.
    """
    three = texels if texels.ndim == 3 else texels[:, :, None]
    three = three[:, :, :3] if three.shape[2] >= 3 else np.repeat(three[:, :, :1], 3, axis=2)
    if three.dtype.kind == "f":
        values = three.astype(np.float32)
    else:
        values = three.astype(np.float32) / np.float32(np.iinfo(three.dtype).max)
    return BesideMap(kind, path, tile, np.ascontiguousarray(values))


def find_beside(given: Sequence[str], tiles: Collection[int]) -> list[BesideMap]:
    """Read the maps that are meant by ``KIND=MAP`` or ``MAP``, as `find_maps` reads a place.

    Without a kind the files' names say it; of a folder those are taken whose names do.

    Parameters
    ----------
    given : sequence of str
        A file, a folder or a pattern each, with or without its kind.
    tiles : collection of int
        The tiles in use.

    Raises
    ------
    InputError
        Nothing is there, a kind is unknown or untold, or a file cannot be read.
    """
    out = []
    for text in given:
        kind, where = _parted(text)
        for path, tile in _files(where, tiles):
            own = kind or kind_of(path.stem)
            if own is None:
                raise InputError(
                    "the name does not say what this map holds.",
                    file=str(path),
                    cure=f"Write KIND=FILE; kinds are {', '.join(BESIDE_KINDS)}.",
                )
            out.append(beside_map(own, path, tile, read_picture(path).texels))
    return out


def kind_of(stem: str) -> BesideKind | None:
    """Return the kind that a file's name says; None where none or several do."""
    words = [word.casefold() for word in words_of(stem)]
    found = [kind for kind, known in KIND_WORDS.items() if set(words) & set(known)]
    return found[0] if len(found) == 1 else None


def _parted(text: str) -> tuple[BesideKind | None, str]:
    kind, equals, where = text.partition("=")
    if not equals:
        return None, text
    if kind not in BESIDE_KINDS:
        raise InputError(
            f"{kind!r} is no kind of map.", cure=f"Kinds are {', '.join(BESIDE_KINDS)}."
        )
    return kind, where


def _files(where: str, tiles: Collection[int]) -> list[tuple[Path, int | None]]:
    if any(token in where for token in TILE_TOKENS) or not Path(where).is_dir():
        return find_maps(where, tiles)
    pictures = sorted(
        p
        for p in Path(where).iterdir()
        if p.suffix.lower().lstrip(".") in IMAGE_ENDINGS and p.is_file()
    )
    return [(p, parse_map_name(p.name, (), "", tiles).tile) for p in pictures if kind_of(p.stem)]
