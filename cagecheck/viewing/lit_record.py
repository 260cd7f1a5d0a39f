"""The lit model of a result folder, read back."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.files import open_plain
from cagecheck.formats.stored import check_ranges, fitted, shortened, unpacked
from cagecheck.predicting.record_fields import LIT

FILE = "lit.npz"
HIGH = "high"
_AGAIN = "Run cagecheck predict again."
# Along the edge of a map; the maps of the page are far smaller.
MOST_TEXELS = 1 << 15


@dataclass(frozen=True, eq=False)
class LitRecord:
    """What ``lit.npz`` holds (see `cagecheck.predicting.lit_record`)."""

    arrays: dict[str, NDArray[Any]]

    @property
    def titles(self) -> dict[str, str]:
        """What the sides are called, by their keys."""
        keys, titles = self.arrays["keys"], self.arrays["titles"]
        return {str(k): str(t) for k, t in zip(keys, titles, strict=True)}

    @property
    def first(self) -> tuple[str, str]:
        """The two sides that are shown first."""
        left, right = self.arrays["first"]
        return str(left), str(right)

    @property
    def size(self) -> int:
        """Texels along the edge of every map."""
        return int(self.arrays["size"])

    def tiles(self) -> list[int]:
        """Return the tiles that the low poly's triangles lie on, 0 for none."""
        return [int(tile) for tile in np.unique(self.arrays["tile"])]

    def texels(self, key: str, tile: int) -> NDArray[np.uint8] | None:
        """Return (H, W, 3) the map of a side on a tile, row 0 on top; None for none."""
        import imagecodecs

        data = self.arrays.get(f"map_{key}_{tile}")
        if data is None:
            return None
        try:
            decoded = np.asarray(imagecodecs.webp_decode(data.tobytes()))
        except Exception as error:
            # The decoder's errors share no base but Exception.
            raise InputError(
                f"the picture map_{key}_{tile} is damaged.", file=FILE, cure=_AGAIN
            ) from error
        if decoded.ndim != 3 or decoded.shape[2] != 3:
            raise InputError(f"map_{key}_{tile} is no picture.", file=FILE, cure=_AGAIN)
        return decoded


def read_lit(folder: Path) -> LitRecord | None:
    """Return the lit model of a result folder; None where it was written without.

    Raises `InputError` for a damaged file.
    """
    path = folder / FILE
    if not path.is_file():
        return None
    try:
        with open_plain(path) as stream:
            arrays = unpacked(stream)
        missing = ({*LIT, "size", "keys", "titles", "words", "first"}) - set(arrays)
        if missing:
            raise ValueError(f"it lacks {min(missing)}")
        lengths: dict[str, int] = {}
        arrays |= fitted(arrays, LIT, lengths)
        check_ranges(arrays, LIT, lengths)
        _check_sides(arrays)
    except (OSError, ValueError) as error:
        raise InputError(f"this file is damaged ({error}).", file=str(path), cure=_AGAIN) from None
    return LitRecord(arrays)


def _check_sides(arrays: dict[str, NDArray[Any]]) -> None:
    """Raise `ValueError` where the sides of the model and their maps do not fit."""
    names = [arrays[name] for name in ("keys", "titles", "words", "first")]
    if any(name.dtype.kind != "U" or name.ndim != 1 for name in names):
        raise ValueError("its titles are no texts")
    if len({len(name) for name in names[:3]}) != 1 or len(names[3]) != 2:
        raise ValueError("its titles have other lengths than what they belong to")
    if not set(names[3].tolist()) <= set(names[0].tolist()):
        raise ValueError("it shows a side that it has not")
    size = arrays["size"]
    if size.ndim != 0 or size.dtype.kind not in "iu" or not 0 < int(size) <= MOST_TEXELS:
        raise ValueError("its maps have no size")
    for name, data in arrays.items():
        if name.startswith("map_") and (data.dtype != np.uint8 or data.ndim != 1):
            raise ValueError(f"{shortened(name)} is no picture")
