"""Named arrays in one file, as NumPy's NPZ; packed where that is worth the time."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

# The fastest level: the next ones take twice the time and more for a few per cent.
_LEVEL = 1
# Bytes that tell whether an array packs well, from its middle.
_TRIED = 1 << 16
# Below this share packing is worth its time. Numbers of classes and indices get there, measured
# lengths and angles do not: their digits are as good as chance.
WORTH = 0.5


def write_npz(path: Path, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write arrays for `numpy.load`; the same arrays give the same bytes."""
    with zipfile.ZipFile(path, "w", compresslevel=_LEVEL) as archive:
        for name, values in arrays.items():
            # Of every member that is opened by its name alone, as is its date: 1980.
            archive.compression = zipfile.ZIP_DEFLATED if _packs(values) else zipfile.ZIP_STORED
            with archive.open(f"{name}.npy", "w", force_zip64=True) as stream:
                np.lib.format.write_array(stream, np.asanyarray(values), allow_pickle=False)


def narrow(index: NDArray[np.int64]) -> NDArray[np.signedinteger]:
    """Return whole numbers in 32 bits where they fit."""
    top = np.iinfo(np.int32).max
    fits = len(index) == 0 or (index.min() >= -top and index.max() <= top)
    return index.astype(np.int32) if fits else index


def _packs(values: NDArray[Any]) -> bool:
    """Tell whether a piece of an array, and so all of it, becomes much smaller."""
    flat = np.ascontiguousarray(values).reshape(-1)
    count = _TRIED // max(flat.itemsize, 1)
    middle = max(len(flat) // 2 - count // 2, 0)
    piece = flat[middle : middle + count].tobytes()
    return len(piece) > 0 and len(zlib.compress(piece, _LEVEL)) < WORTH * len(piece)
