"""The lit model of a result folder, read back."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError

FILE = "lit.npz"
HIGH = "high"


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
        return None if data is None else np.asarray(imagecodecs.webp_decode(data.tobytes()))


def read_lit(folder: Path) -> LitRecord | None:
    """Return the lit model of a result folder; None where it was written without.

    Raises `InputError` for a damaged file.
    """
    path = folder / FILE
    if not path.is_file():
        return None
    try:
        with np.load(path, allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        record = LitRecord(arrays)
        corners, triangles = len(arrays["position"]), arrays["triangles"]
        sound = (
            all(len(arrays[name]) == corners for name in ("uv", "normal", "tangent"))
            and all(len(arrays[name]) == len(triangles) for name in ("part", "tile"))
            and 0 <= int(triangles.min(initial=0)) <= int(triangles.max(initial=0)) < corners
            and set(record.first) <= set(record.titles)
        )
    except (OSError, ValueError, EOFError, KeyError, zipfile.BadZipFile):
        sound = False
    if not sound:
        raise InputError(
            "this file is damaged.", file=str(path), cure="Run cagecheck predict again."
        )
    return record
