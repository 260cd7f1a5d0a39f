"""Meshes of a glTF asset that are packed with Draco, unpacked through DracoPy (extra ``draco``).

Source: Khronos Group, extension KHR_draco_mesh_compression.
"""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.formats import draco_child
from cagecheck.formats.apart import Library, ask
from cagecheck.formats.gltf_accessor import COMPONENTS, WIDTHS, view_of
from cagecheck.formats.gltf_document import DRACO, Document, MalformedError, draco_of, is_whole

_LIBRARY = Library("Draco", "DracoPy", "draco")
_TRIANGLES, _LONG = 4, 5125


def unpack_draco(document: Document) -> None:
    """Give every packed primitive accessors of its own whose values are unpacked.

    Raises `MalformedError`, or `InputError` where the library is missing or breaks off.
    """
    meshes = document.items("meshes")
    if not any(draco_of(entry) is not None for mesh in meshes for entry in _primitives(mesh)):
        return
    document.tree = document.tree | {
        "meshes": copy.deepcopy(meshes),
        "accessors": [dict(entry) for entry in document.items("accessors")],
    }
    packed = [
        entry
        for mesh in document.items("meshes")
        for entry in _primitives(mesh)
        if draco_of(entry) is not None
    ]
    views = [_view(document, entry) for entry in packed]
    bytes_of: dict[int, NDArray[np.uint8]] = {}
    for view in dict.fromkeys(views):
        buffer, begin, length, _ = view_of(document, view)
        bytes_of[view] = document.buffer(buffer)[begin : begin + length]
    file = document.file
    answer, arrays = ask(
        file.path, len(file.data), _LIBRARY, draco_child,
        {"sizes": [len(b) for b in bytes_of.values()]}, list(bytes_of.values()),
    )  # fmt: skip
    held = dict(zip(bytes_of, answer["meshes"], strict=True))
    for entry, view in zip(packed, views, strict=True):
        _put(document, entry, held[view], arrays)


def _primitives(mesh: dict[str, Any]) -> list[dict[str, Any]]:
    held = mesh.get("primitives", [])
    return [entry for entry in held if isinstance(entry, dict)] if isinstance(held, list) else []


def _view(document: Document, entry: dict[str, Any]) -> int:
    view = (draco_of(entry) or {}).get("bufferView")
    document.item("bufferViews", view)
    assert is_whole(view)
    return int(view)


def _put(
    document: Document, entry: dict[str, Any], held: dict[str, Any], arrays: list[NDArray[Any]]
) -> None:
    """Point a primitive's indices and packed attributes at unpacked values."""
    given, attributes = (draco_of(entry) or {}).get("attributes"), entry.get("attributes")
    if not isinstance(given, dict) or not isinstance(attributes, dict):
        raise MalformedError(f"a primitive packed with {DRACO} names no attributes")
    faces = arrays[held["faces"]]
    for name, number in given.items():
        place = held["attributes"].get(str(number))
        if place is None or name not in attributes:
            raise MalformedError(f"its packed mesh lacks the attribute {str(name)[:40]}")
        model = document.item("accessors", attributes[name])
        attributes[name] = _add(document, model, arrays[place])
    vertices = len(arrays[next(iter(held["attributes"].values()))])
    if faces.size and int(faces.max()) >= vertices:
        raise MalformedError("its packed mesh refers to a vertex that is not there")
    model = {"componentType": _LONG, "type": "SCALAR"}
    entry["indices"] = _add(document, model, faces.reshape(-1, 1))
    entry["mode"] = _TRIANGLES
    del entry["extensions"][DRACO]


def _add(document: Document, model: dict[str, Any], values: NDArray[Any]) -> int:
    code, kind = model.get("componentType"), str(model.get("type"))
    if not is_whole(code) or code not in COMPONENTS or WIDTHS.get(kind) != values.shape[1]:
        raise MalformedError("an attribute of its packed mesh is not what its accessor says")
    entry = {k: v for k, v in model.items() if k in ("componentType", "type", "normalized")}
    accessors = document.tree["accessors"]
    accessors.append(entry | {"count": len(values)})
    document.unpacked[len(accessors) - 1] = values.astype(COMPONENTS[code])
    return len(accessors) - 1
