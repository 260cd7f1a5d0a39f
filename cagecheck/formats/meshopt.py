"""Data of a glTF asset that is packed with meshopt, unpacked through meshopt (extra ``meshopt``).

Source: Khronos Group, extension EXT_meshopt_compression.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.formats import meshopt_child
from cagecheck.formats.apart import Library, ask
from cagecheck.formats.file_bytes import MOST_GROWTH, SMALL_ENOUGH
from cagecheck.formats.gltf_document import MESHOPT, Document, MalformedError, whole

_LIBRARY = Library("meshopt", "meshopt", "meshopt")
_MODES = ("ATTRIBUTES", "TRIANGLES", "INDICES")
_FILTERS = ("NONE", "OCTAHEDRAL", "QUATERNION", "EXPONENTIAL", "COLOR")
_LARGEST_ROW = 256


def unpack_meshopt(document: Document) -> None:
    """Point every packed buffer view at a buffer of its own whose bytes are unpacked.

    Raises `MalformedError`, or `InputError` where the library is missing or breaks off.
    """
    views = document.items("bufferViews")
    told = [(number, _held(view)) for number, view in enumerate(views)]
    packed = [(number, held) for number, held in told if held is not None]
    if not packed:
        return
    entries: list[dict[str, Any]] = []
    data: list[NDArray[np.uint8]] = []
    total = 0
    for number, held in packed:
        entry = {
            "count": whole(held, "count"),
            "stride": whole(held, "byteStride"),
            "mode": held.get("mode"),
            "filter": held.get("filter", "NONE"),
        }
        total += entry["count"] * entry["stride"]
        if entry["mode"] not in _MODES or entry["filter"] not in _FILTERS:
            raise MalformedError(f"buffer view {number} is packed with meshopt in an unknown way")
        if not 0 < entry["stride"] <= _LARGEST_ROW:
            raise MalformedError(f"buffer view {number} has a stride of {entry['stride']} bytes")
        begin, length = whole(held, "byteOffset", 0), whole(held, "byteLength")
        raw = document.buffer(held.get("buffer"))
        if begin + length > len(raw):
            raise MalformedError(f"buffer view {number} runs over the end of its buffer")
        data.append(raw[begin : begin + length])
        entries.append(entry | {"size": length})
    if total > max(SMALL_ENOUGH, MOST_GROWTH * len(document.file.data)):
        raise MalformedError("unpacked, its data would grow far beyond what a mesh does")
    file = document.file
    _, arrays = ask(file.path, len(file.data), _LIBRARY, meshopt_child, {"views": entries}, data)
    new = list(views)
    for (number, _), entry, array in zip(packed, entries, arrays, strict=True):
        size = entry["count"] * entry["stride"]
        if len(array) != size:
            raise MalformedError(f"buffer view {number} does not unpack to what it promises")
        kept = {k: v for k, v in views[number].items() if k == "byteStride"}
        new[number] = kept | {"buffer": document.add_buffer(array), "byteLength": size}
    document.tree = document.tree | {"bufferViews": new}


def _held(view: dict[str, Any]) -> dict[str, Any] | None:
    """Return the object that says how a buffer view is packed, None where it is not."""
    extensions = view.get("extensions")
    if not isinstance(extensions, dict):
        return None
    found = [extensions[name] for name in MESHOPT if isinstance(extensions.get(name), dict)]
    return found[0] if found else None
