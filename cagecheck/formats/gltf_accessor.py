"""glTF accessors as NumPy arrays: views where the bytes allow it, copies where they do not."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.formats.gltf_document import Document, MalformedError, is_whole, whole
from cagecheck.words.numbers import count_text

COMPONENTS = {5120: "i1", 5121: "u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}
FLOAT = 5126
_MOST_COUNT = 2**31 - 1
# Zeros that no bytes back (an accessor without a buffer view) may be this many in small files.
_MOST_UNBACKED = 1 << 22


def accessor(document: Document, index: object, width: int) -> NDArray[Any]:
    """Return the (N, width) values of an accessor, sparse entries put in, as stored (not scaled).

    Raises `MalformedError` when it is broken, cut off, or not of that width.
    """
    entry = document.item("accessors", index)
    dtype = component_type(entry, index)
    if WIDTHS.get(str(entry.get("type"))) != width:
        raise MalformedError(
            f"accessor {index} is {entry.get('type')!r}, not {width} numbers a row"
        )
    if is_whole(index) and index in document.unpacked:
        return document.unpacked[index]
    count = whole(entry, "count")
    if count > _MOST_COUNT:
        raise MalformedError(f"accessor {index} promises {count_text(count)} rows")
    if "bufferView" in entry:
        offset = whole(entry, "byteOffset", 0)
        out = _rows(document, entry["bufferView"], offset, dtype, count, width)
    else:
        if count > max(_MOST_UNBACKED, len(document.file.data)):
            raise MalformedError(
                f"accessor {index} promises {count_text(count)} rows without any data"
            )
        out = np.zeros((count, width), dtype)
    if "sparse" in entry:
        out = _with_sparse(document, entry["sparse"], out, index)
    return out


def component_type(entry: dict[str, Any], index: object) -> np.dtype[Any]:
    """Return the NumPy type of an accessor's numbers."""
    code = entry.get("componentType")
    if not isinstance(code, int) or code not in COMPONENTS:
        raise MalformedError(f"accessor {index} has no number type that glTF knows")
    return np.dtype(COMPONENTS[code])


def scaled(document: Document, index: object, values: NDArray[Any]) -> NDArray[Any]:
    """Return an accessor's values as floats, normalised integers scaled to -1 … 1 or 0 … 1."""
    if values.dtype.kind == "f":
        return values
    out = values.astype(np.float32)
    if document.item("accessors", index).get("normalized") is True:
        out /= np.float32(np.iinfo(values.dtype).max)
        if values.dtype.kind == "i":
            np.maximum(out, -1.0, out=out)
    return out


def view_of(document: Document, index: object) -> tuple[int, int, int, int]:
    """Return a buffer view's buffer, first byte, length and stride (0 for packed)."""
    entry = document.item("bufferViews", index)
    buffer = whole(entry, "buffer")
    begin, length = whole(entry, "byteOffset", 0), whole(entry, "byteLength")
    if begin + length > len(document.buffer(buffer)):
        raise MalformedError(f"buffer view {index} runs over the end of its buffer")
    return buffer, begin, length, whole(entry, "byteStride", 0)


def _rows(
    document: Document, view: object, offset: int, dtype: np.dtype[Any], count: int, width: int
) -> NDArray[Any]:
    buffer, begin, length, stride = view_of(document, view)
    row = dtype.itemsize * width
    stride = stride or row
    if stride < row or stride > 65_535:
        raise MalformedError(f"buffer view {view} has a stride of {stride} bytes for {row}")
    if count and offset + (count - 1) * stride + row > length:
        raise MalformedError(
            f"an accessor with {count_text(count)} rows runs over the end of its data"
        )
    data = document.buffer(buffer)[begin : begin + length]
    if count == 0:
        return np.zeros((0, width), dtype)
    return np.ndarray((count, width), dtype, data, offset, (stride, dtype.itemsize))


def _with_sparse(
    document: Document, sparse: object, base: NDArray[Any], index: object
) -> NDArray[Any]:
    if not isinstance(sparse, dict) or not all(
        isinstance(sparse.get(k), dict) for k in ("indices", "values")
    ):
        raise MalformedError(f"the sparse part of accessor {index} is not complete")
    count = whole(sparse, "count")
    places, values = sparse["indices"], sparse["values"]
    place_type = component_type(places, index)
    if place_type.kind != "u":
        raise MalformedError(f"the sparse part of accessor {index} counts in a signed type")
    at = _rows(document, places.get("bufferView"), whole(places, "byteOffset", 0), place_type,
               count, 1)[:, 0]  # fmt: skip
    new = _rows(document, values.get("bufferView"), whole(values, "byteOffset", 0), base.dtype,
                count, base.shape[1])  # fmt: skip
    if count and int(at.max()) >= len(base):
        raise MalformedError(f"the sparse part of accessor {index} is out of range")
    out = base.copy()
    out[at] = new
    return out
