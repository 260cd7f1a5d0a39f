"""The container of a glTF 2.0 asset: JSON, buffers, node transforms.

Source: Khronos Group, "glTF 2.0 Specification" (ISO/IEC 12113:2022), and the extension
KHR_mesh_quantization.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeGuard
from urllib.parse import unquote, urlsplit

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError
from cagecheck.formats.file_bytes import FileBytes, load_bytes
from cagecheck.words.numbers import count_text

JSON_CHUNK, BINARY_CHUNK = 0x4E4F534A, 0x004E4942
_LONGEST_JSON = 512 << 20
_DEEPEST_NODE = 1000  # hierarchies of rigs are tens deep; the walk itself does not recurse
# Determinants and cofactors of such matrices stay far inside float64.
_LARGEST_ENTRY = 1e30
_READ_EXTENSIONS = {"KHR_mesh_quantization"}
DRACO = "KHR_draco_mesh_compression"
MESHOPT = ("EXT_meshopt_compression", "KHR_meshopt_compression")
PACKING = {DRACO: "Draco"} | dict.fromkeys(MESHOPT, "meshopt")
_HARMLESS_PREFIXES = ("KHR_materials_", "KHR_texture_", "KHR_lights_", "KHR_animation_",
                      "EXT_texture_", "MSFT_texture_", "KHR_xmp", "KHR_node_visibility",
                      "EXT_lights_", "KHR_audio")  # fmt: skip


class MalformedError(Exception):
    """The asset breaks the standard; `read` turns this into an `InputError` with the file."""


@dataclass(eq=False)
class Document:
    """A glTF asset: `tree` as JSON, and its buffers, read when first asked for.

    unpacked : values of accessors that no buffer holds.
    is_rest : skins leave their meshes as they were bound. is_morphed : morph targets are applied.
    """

    file: FileBytes
    tree: dict[str, Any]
    binary: NDArray[np.uint8] | None
    unpacked: dict[int, NDArray[Any]] = field(default_factory=dict)
    is_rest: bool = False
    is_morphed: bool = False
    _buffers: dict[int, NDArray[np.uint8]] = field(default_factory=dict)

    def items(self, kind: str) -> list[dict[str, Any]]:
        """Return a top-level list, empty where the asset has none."""
        value = self.tree.get(kind, [])
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            raise MalformedError(f"its “{kind}” is not a list of objects")
        return value

    def item(self, kind: str, index: object) -> dict[str, Any]:
        """Return one entry of a top-level list."""
        items = self.items(kind)
        if not is_whole(index) or not 0 <= index < len(items):
            raise MalformedError(f"it refers to {kind} {index!r}, but has {len(items)} of them")
        return items[index]

    def buffer(self, index: object) -> NDArray[np.uint8]:
        """Return the (N,) bytes of a buffer, N at least its byteLength."""
        entry = self.item("buffers", index)
        assert isinstance(index, int)
        if index not in self._buffers:
            self._buffers[index] = self._load_buffer(index, entry)
        data = self._buffers[index]
        length = whole(entry, "byteLength", 0)
        if length > len(data):
            raise MalformedError(
                f"buffer {index} promises {count_text(length)} bytes and has "
                f"{count_text(len(data))}"
            )
        return data

    def add_buffer(self, data: NDArray[np.uint8]) -> int:
        """Add a buffer that no file holds; return its number."""
        buffers = self.items("buffers")
        self.tree = self.tree | {"buffers": [*buffers, {"byteLength": len(data)}]}
        self._buffers[len(buffers)] = data
        return len(buffers)

    def _load_buffer(self, index: int, entry: dict[str, Any]) -> NDArray[np.uint8]:
        uri = entry.get("uri")
        if uri is None:
            if index != 0 or self.binary is None:
                raise MalformedError(f"buffer {index} has no data")
            return self.binary
        if not isinstance(uri, str):
            raise MalformedError(f"the address of buffer {index} is not text")
        if uri[:5].lower() == "data:":
            return _data_uri(uri, index)
        try:
            return load_bytes(self._beside(uri)).data
        except InputError as error:
            if error.file == self.file.path:
                raise
            raise InputError(
                f"its data file “{uri[:80]}” cannot be used: {error.what}",
                file=self.file.path,
                cure="Copy the data file along, or export as GLB, which carries its own data.",
            ) from error

    def _beside(self, uri: str) -> Path:
        """Return the path of an external file, which must lie in the asset's own folder."""
        target = beside(self.file.path, uri)
        if target is None:
            raise InputError(
                f"its data lies at “{uri[:80]}”, outside the file's own folder.",
                file=self.file.path,
                cure="Export as GLB, which carries its own data.",
            )
        return target


def beside(path: str | os.PathLike[str], uri: str) -> Path | None:
    """Return the file that an address names in the folder of `path`, None for any other."""
    try:
        parts = urlsplit(uri)
        name = unquote(parts.path)
        folder = Path(path).resolve().parent
        if parts.scheme or parts.netloc or any(sign in name for sign in "\\:\0"):
            return None
        target = (folder / name).resolve()
    except (ValueError, OSError):
        return None
    return target if target.is_relative_to(folder) else None


def is_whole(value: object) -> TypeGuard[int]:
    """Tell a JSON integer from everything else (booleans too)."""
    return isinstance(value, int) and not isinstance(value, bool)


def whole(entry: dict[str, Any], name: str, default: int | None = None) -> int:
    """Return a whole number of at least 0 from a JSON object."""
    value = entry.get(name, default)
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if not is_whole(value) or not 0 <= value < 1 << 53:
        raise MalformedError(f"“{name}” is {value!r}, not a whole number")
    return int(value)


def draco_of(entry: dict[str, Any]) -> dict[str, Any] | None:
    """Return the object that says how a primitive is packed with Draco, None where it is not."""
    extensions = entry.get("extensions")
    held = extensions.get(DRACO) if isinstance(extensions, dict) else None
    return held if isinstance(held, dict) else None


def open_document(file: FileBytes, *, with_packed: bool = False) -> Document:
    """Parse a GLB or glTF file. Raises `MalformedError` or `InputError`.

    with_packed : the caller unpacks what is packed (`draco.unpack_draco`, `meshopt`).
    """
    binary = None
    data = file.data
    if data[:4].tobytes() == b"glTF":
        text, binary = _chunks(data)
    else:
        text = data
    if len(text) > _LONGEST_JSON:
        raise MalformedError("its JSON is larger than 512 MiB")
    try:
        tree = json.loads(text.tobytes().decode("utf-8-sig"), parse_constant=_no_constant)
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise MalformedError("its JSON does not parse") from error
    if not isinstance(tree, dict) or not isinstance(tree.get("asset", {}), dict):
        raise MalformedError("its JSON is not a glTF asset")
    version = str(tree.get("asset", {}).get("version", ""))
    if not version.startswith("2"):
        raise MalformedError(f"it is glTF version {version[:10] or 'unknown'}, not 2")
    needed = tree.get("extensionsRequired", [])
    used = tree.get("extensionsUsed", [])
    packing = [name for name in PACKING if isinstance(used, list) and name in used]
    if packing and not with_packed:
        raise MalformedError(f"it is compressed with {packing[0]}")
    for name in map(str, needed) if isinstance(needed, list) else []:
        if name in PACKING and with_packed:
            continue
        if name not in _READ_EXTENSIONS and not name.startswith(_HARMLESS_PREFIXES):
            raise MalformedError(f"it needs the extension {name[:60]}, which cagecheck lacks")
    return Document(file, tree, binary)


def _no_constant(name: str) -> float:
    raise ValueError(name)


def _chunks(data: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.uint8] | None]:
    """Return the JSON and binary chunks of a GLB."""
    if len(data) < 20:
        raise MalformedError("its header is cut off")
    version, length = (int(x) for x in data[4:12].view("<u4"))
    if version != 2:
        raise MalformedError(f"it is GLB version {version}, not 2")
    if length > len(data):
        raise MalformedError(
            f"its header promises {count_text(length)} bytes, but it has {count_text(len(data))}"
        )
    text = binary = None
    place = 12
    while place + 8 <= length:
        size, kind = (int(x) for x in data[place : place + 8].view("<u4"))
        place += 8
        if size > length - place:
            raise MalformedError("one of its chunks is cut off")
        if kind == JSON_CHUNK and text is None:
            text = data[place : place + size]
        elif kind == BINARY_CHUNK and binary is None:
            binary = data[place : place + size]
        place += size
    if text is None:
        raise MalformedError("it has no JSON chunk")
    return text, binary


def _data_uri(uri: str, index: int) -> NDArray[np.uint8]:
    head, comma, body = uri.partition(",")
    if not comma or not head.lower().endswith(";base64"):
        raise MalformedError(f"the data of buffer {index} is not base64")
    try:
        return np.frombuffer(bytearray(base64.b64decode(unquote(body), validate=True)), np.uint8)
    except (binascii.Error, ValueError) as error:
        raise MalformedError(f"the data of buffer {index} is not base64") from error


@dataclass(frozen=True, eq=False)
class Placed:
    """A node that shows a mesh: node number, name for the part, world matrix (4, 4)."""

    node: int
    name: str
    world: Floats


def placed_meshes(document: Document) -> Iterator[Placed]:
    """Yield the nodes with meshes of the default scene (of all roots without one), depth first.

    Raises `MalformedError` on nodes that contain themselves or have two parents.
    """
    nodes = document.items("nodes")
    stack = [(root, np.eye(4), 0) for root in reversed(_roots(document, nodes))]
    seen: set[int] = set()
    while stack:
        index, parent, depth = stack.pop()
        node = document.item("nodes", index)
        if index in seen:
            raise MalformedError(f"node {index} hangs below itself or has two parents")
        seen.add(index)
        if depth > _DEEPEST_NODE:
            raise MalformedError(f"its nodes are nested more than {_DEEPEST_NODE} deep")
        world = under(parent, local_matrix(node, index))
        if "mesh" in node:
            yield Placed(index, _node_name(document, node, index), world)
        stack.extend((child, world, depth + 1) for child in reversed(children_of(node)))


def children_of(node: dict[str, Any]) -> list[Any]:
    """Return the children of a node as the asset lists them."""
    children = node.get("children", [])
    if not isinstance(children, list):
        raise MalformedError("the children of a node are not a list")
    return children


def _roots(document: Document, nodes: list[dict[str, Any]]) -> list[Any]:
    if document.items("scenes"):
        scene = document.item("scenes", document.tree.get("scene", 0))
        roots = scene.get("nodes", [])
        if not isinstance(roots, list):
            raise MalformedError("the nodes of its scene are not a list")
        return list(roots)
    below = {c for n in nodes for c in children_of(n) if is_whole(c)}
    roots = [k for k in range(len(nodes)) if k not in below]
    if nodes and not roots:
        raise MalformedError("every node hangs below another one")
    return roots


def _node_name(document: Document, node: dict[str, Any], index: int) -> str:
    mesh = document.item("meshes", node["mesh"])
    for name in (node.get("name"), mesh.get("name")):
        if isinstance(name, str) and name.strip():
            return " ".join(name.split())
    return f"node {index}"


def under(parent: Floats, local: Floats) -> Floats:
    """Return parent @ local. Raises `MalformedError` when the scales grow out of hand."""
    with np.errstate(over="ignore", invalid="ignore"):
        out: Floats = parent @ local
    if not (np.abs(out) <= _LARGEST_ENTRY).all():
        raise MalformedError("its nodes scale or move things out of all bounds")
    return out


def local_matrix(node: dict[str, Any], index: int) -> Floats:
    """Return a node's own (4, 4) matrix, from ``matrix`` or translation, rotation and scale."""
    if "matrix" in node:
        return _numbers(node, "matrix", 16, index).reshape(4, 4).T
    out = np.eye(4)
    if "rotation" in node:
        x, y, z, w = _numbers(node, "rotation", 4, index)
        length = np.sqrt(x * x + y * y + z * z + w * w)
        if not length > 0:
            raise MalformedError(f"the rotation of node {index} has no length")
        x, y, z, w = x / length, y / length, z / length, w / length
        out[:3, :3] = [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    if "scale" in node:
        out[:3, :3] *= _numbers(node, "scale", 3, index)
    if "translation" in node:
        out[:3, 3] = _numbers(node, "translation", 3, index)
    return out


def _numbers(node: dict[str, Any], name: str, count: int, index: int) -> Floats:
    try:
        out = np.array(node[name], dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        out = np.zeros(0)
    if out.shape != (count,) or not (np.abs(out) <= _LARGEST_ENTRY).all():
        raise MalformedError(f"the {name} of node {index} is not {count} numbers")
    return out
