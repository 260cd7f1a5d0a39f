"""GLB and glTF files with only their positions changed."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.formats.cage_text import CannotKeepError
from cagecheck.formats.encode_gltf import data_uri, glb_chunks
from cagecheck.formats.file_bytes import FileBytes
from cagecheck.formats.gltf import VertexRun
from cagecheck.formats.gltf_accessor import FLOAT, accessor, scaled, view_of
from cagecheck.formats.gltf_document import (
    BINARY_CHUNK,
    JSON_CHUNK,
    PACKING,
    Document,
    MalformedError,
    open_document,
    whole,
)
from cagecheck.meshes.mesh import Mesh

# Two nodes that show one mesh must ask for the same local places, up to float32 rounding of
# the way there and back.
_SAME = 1e-5


def rewrite_glb(
    file: FileBytes, mesh: Mesh, cage: Floats, moved: NDArray[np.bool_]
) -> Iterator[Any]:
    """Return the GLB file with the positions of moved vertices replaced."""
    document = _opened(file)
    tree, buffers = _changed(document, mesh, cage, moved)
    pieces: list[NDArray[Any]] = []
    if document.binary is not None:
        inner = _is_inner(tree, 0)
        pieces = [buffers.pop(0, document.binary) if inner else document.binary]
    for index, entry in enumerate(document.items("buffers")):
        if str(entry.get("uri", "data:"))[:5].lower() != "data:":
            buffers.setdefault(index, document.buffer(index))
    _embed(tree, buffers)
    length = sum(len(p) for p in pieces)
    return glb_chunks(tree, pieces, length, _further_chunks(file.data))


def rewrite_gltf(
    file: FileBytes, mesh: Mesh, cage: Floats, moved: NDArray[np.bool_]
) -> list[bytes]:
    """Return the glTF file with the positions of moved vertices replaced, its buffers inside.

    Pictures stay where they are; their addresses count from the file's folder.
    """
    document = _opened(file)
    tree, buffers = _changed(document, mesh, cage, moved)
    for index in range(len(document.items("buffers"))):
        buffers.setdefault(index, document.buffer(index))
    _embed(tree, buffers)
    return [json.dumps(tree, indent=2, ensure_ascii=False).encode()]


def _opened(file: FileBytes) -> Document:
    try:
        return open_document(file)
    except MalformedError as error:
        for extension, name in PACKING.items():
            if extension in str(error):
                raise CannotKeepError(f"it is compressed with {name}") from None
        raise


def _is_inner(tree: dict[str, Any], index: int) -> bool:
    entries = tree.get("buffers", [])
    return index < len(entries) and "uri" not in entries[index]


def _embed(tree: dict[str, Any], buffers: dict[int, NDArray[np.uint8]]) -> None:
    for index, data in buffers.items():
        entry = tree["buffers"][index]
        entry["uri"] = data_uri(data.tobytes())
        entry["byteLength"] = len(data)


def _changed(
    document: Document, mesh: Mesh, cage: Floats, moved: NDArray[np.bool_]
) -> tuple[dict[str, Any], dict[int, NDArray[np.uint8]]]:
    """Return the new JSON and the changed buffers."""
    assert mesh.source is not None
    runs: tuple[VertexRun, ...] = mesh.source.layout
    tree = copy.deepcopy(document.tree)
    buffers: dict[int, NDArray[np.uint8]] = {}
    wanted: dict[int, tuple[Floats, NDArray[np.bool_]]] = {}
    for run in runs:
        stored = np.asarray(
            scaled(document, run.accessor, accessor(document, run.accessor, 3)), np.float64
        )
        own = moved[run.begin : run.end]
        if not own.any() and run.accessor not in wanted:
            wanted[run.accessor] = (stored, own)
            continue
        local = np.where(own[:, None], to_local(cage[run.begin : run.end], run.matrix), stored)
        if run.accessor in wanted:
            check_same(wanted[run.accessor][0], local, stored)
            own = own | wanted[run.accessor][1]
        wanted[run.accessor] = (local, own)
    for index, (local, own) in wanted.items():
        if own.any():
            _store(document, tree, buffers, index, local, own)
    return tree, buffers


def to_local(world: Floats, matrix: Floats) -> Floats:
    """Undo the transform to world space. Raises `CannotKeepError` where it flattens."""
    try:
        back = np.linalg.inv(matrix)
    except np.linalg.LinAlgError:
        raise CannotKeepError("a node's transform flattens it, which cannot be undone") from None
    if back.ndim == 3:
        out: Floats = np.einsum("nij,nj->ni", back[:, :3, :3], world) + back[:, :3, 3]
    else:
        out = world @ back[:3, :3].T + back[:3, 3]
    if not np.isfinite(out).all() or np.abs(out).max(initial=0) > np.finfo(np.float32).max:
        raise CannotKeepError("a node's transform flattens it, which cannot be undone")
    return out


def check_same(first: Floats, second: Floats, stored: Floats) -> None:
    """Raise `CannotKeepError` where two places of one mesh ask for different local places."""
    size = max(float(np.abs(stored).max(initial=0)), float(np.abs(first).max(initial=0)))
    if np.abs(first - second).max(initial=0) > _SAME * size:
        raise CannotKeepError("several nodes show one mesh, and the cage differs between them")


def _store(
    document: Document,
    tree: dict[str, Any],
    buffers: dict[int, NDArray[np.uint8]],
    index: int,
    local: Floats,
    own: NDArray[np.bool_],
) -> None:
    entry = tree["accessors"][index]
    single = local.astype("<f4")
    if entry["componentType"] != FLOAT or "sparse" in entry or "bufferView" not in entry:
        _append(document, tree, buffers, entry, single)
    else:
        buffer, begin, length, stride = view_of(document, entry["bufferView"])
        data = buffers.setdefault(buffer, document.buffer(buffer).copy())
        place = whole(entry, "byteOffset", 0)
        rows = np.ndarray(
            (len(local), 3), "<f4", data[begin : begin + length], place, (stride or 12, 4)
        )
        rows[own] = single[own]
        single = rows
    if len(single):
        entry["min"] = [float(x) for x in single.min(axis=0)]
        entry["max"] = [float(x) for x in single.max(axis=0)]


def _append(
    document: Document,
    tree: dict[str, Any],
    buffers: dict[int, NDArray[np.uint8]],
    entry: dict[str, Any],
    single: NDArray[np.float32],
) -> None:
    """Point an accessor at new float32 data behind the first buffer's."""
    entries = tree.setdefault("buffers", [])
    if not entries:
        entries.append({"byteLength": 0, "uri": "data:application/octet-stream;base64,"})
        buffers[0] = np.zeros(0, np.uint8)
    data = buffers[0] if 0 in buffers else document.buffer(0)
    begin = len(data) + -len(data) % 4
    padding = np.zeros(begin - len(data), np.uint8)
    raw = single.reshape(-1).view(np.uint8)
    buffers[0] = np.concatenate([data, padding, raw])
    entries[0]["byteLength"] = len(buffers[0])
    views = tree.setdefault("bufferViews", [])
    views.append({"buffer": 0, "byteOffset": begin, "byteLength": len(raw)})
    for name in ("sparse", "normalized", "byteOffset"):
        entry.pop(name, None)
    entry["bufferView"] = len(views) - 1
    entry["componentType"] = FLOAT


def _further_chunks(data: NDArray[np.uint8]) -> bytes:
    """Return the chunks of a GLB behind its JSON and binary ones, as they are."""
    out, place, seen = [], 12, set()
    length = int(data[8:12].view("<u4")[0])
    while place + 8 <= length:
        size, kind = (int(x) for x in data[place : place + 8].view("<u4"))
        end = place + 8 + size
        if kind not in (JSON_CHUNK, BINARY_CHUNK) or kind in seen:
            out.append(data[place:end].tobytes())
        seen.add(kind)
        place = end
    return b"".join(out)
