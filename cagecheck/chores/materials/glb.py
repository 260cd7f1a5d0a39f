"""Materials and UV positions in GLB files.

The binary chunk keeps its bytes; index lists of parted primitives (and UVs that two tiles share)
are added behind it, and only moved UVs are rewritten in place. In the JSON only materials,
primitives, the added accessors and views, and the buffer's length change.
Source: Khronos Group, "glTF 2.0 Specification" (ISO/IEC 12113:2022).
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import InputError
from cagecheck.formats.file_bytes import load_bytes
from cagecheck.formats.gltf import FAN, STRIP, TRIANGLES
from cagecheck.formats.gltf_accessor import FLOAT, accessor, scaled, view_of
from cagecheck.formats.gltf_document import (
    BINARY_CHUNK,
    JSON_CHUNK,
    Document,
    MalformedError,
    open_document,
    placed_meshes,
    whole,
)
from cagecheck.meshes.tiles import NO_TILE, udim_of
from cagecheck.words.numbers import count_text

Shift = tuple[int, int]
_SHORT, _LONG = 5123, 5125
_INDEX_TARGET, _VERTEX_TARGET = 34963, 34962


@dataclass(eq=False)
class _Piece:
    """A primitive (the JSON object itself), its triangles as vertex numbers, UVs and tiles."""

    entry: dict[str, Any]
    triangles: NDArray[np.int64]
    tile: Ints


class GlbEdit:
    """A GLB file opened for changes. Faults of the file raise `MalformedError` or `InputError`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        held = open_document(load_bytes(path))
        if held.binary is None:
            raise InputError(
                "this GLB carries no data of its own.", file=str(path), cure="Export it again."
            )
        self.tree = held.tree
        # A private copy: moved UVs are rewritten in it, and added data goes behind it.
        binary = np.array(held.binary[: whole(held.item("buffers", 0), "byteLength")])
        self.document = Document(held.file, held.tree, binary)

    def set_materials(self, materials: Mapping[int, tuple[str, str | None]]) -> None:
        """Give all faces of a tile its material, parting primitives that span tiles.

        `materials` holds for each tile the new name and the name of the material it is made after.
        """
        for mesh in self._meshes():
            mesh["primitives"] = [
                part for entry in mesh["primitives"] for part in self._parted(entry)
            ]
        tiles_of: dict[int, set[int]] = {}
        for entry in self._entries():
            tiles_of.setdefault(entry.get("material", -1), set()).add(self._pieces_tile(entry))
        number_of = self._make_materials(materials, tiles_of)
        for entry in self._entries():
            entry["material"] = number_of.get(self._pieces_tile(entry), entry.get("material", -1))
            if entry["material"] < 0:
                del entry["material"]

    def move_uvs(self, shift: Mapping[int, Shift]) -> None:
        """Move the UVs of all faces on a tile by (u, v) whole tiles, v upwards."""
        self._move(lambda entry: shift.get(self._pieces_tile(entry), (0, 0)))

    def move_uvs_by_material(self, shift: Mapping[str, Shift]) -> None:
        """Move the UVs of all faces with a material of that name."""
        names = _names(self.document.items("materials"))

        def shift_of(entry: dict[str, Any]) -> Shift:
            number = entry.get("material", -1)
            return shift.get(names[number], (0, 0)) if number >= 0 else (0, 0)

        self._move(shift_of)

    def write(self, path: Path) -> None:
        """Write the GLB."""
        assert self.document.binary is not None, "made in __init__"
        binary = self.document.binary.tobytes()
        self.tree["buffers"][0]["byteLength"] = len(binary)
        binary += b"\0" * (-len(binary) % 4)
        text = json.dumps(self.tree, ensure_ascii=False, separators=(",", ":")).encode()
        text += b" " * (-len(text) % 4)
        total = 12 + 8 + len(text) + 8 + len(binary)
        head = np.array([0x46546C67, 2, total], "<u4").tobytes()
        chunks = (
            np.array([len(text), JSON_CHUNK], "<u4").tobytes()
            + text
            + np.array([len(binary), BINARY_CHUNK], "<u4").tobytes()
            + binary
        )
        path.write_bytes(head + chunks)

    def _meshes(self) -> list[dict[str, Any]]:
        """Return the meshes that the scene shows, each once."""
        nodes = [
            self.document.item("nodes", placed.node) for placed in placed_meshes(self.document)
        ]
        numbers = dict.fromkeys(node["mesh"] for node in nodes)
        return [self.document.item("meshes", number) for number in numbers]

    def _entries(self) -> list[dict[str, Any]]:
        return [entry for mesh in self._meshes() for entry in mesh["primitives"]]

    def _piece(self, entry: dict[str, Any]) -> _Piece | None:
        """Return a primitive's triangles and their tiles, or None for what has no tiles."""
        mode = entry.get("mode", TRIANGLES)
        attributes = entry["attributes"]
        if mode not in (TRIANGLES, STRIP, FAN) or "TEXCOORD_0" not in attributes:
            return None
        uv = self._uv(attributes["TEXCOORD_0"])
        if "indices" in entry:
            index = accessor(self.document, entry["indices"], 1)[:, 0].astype(np.int64)
        else:
            index = np.arange(len(uv), dtype=np.int64)
        triangles = _as_triangles(index, mode)
        return _Piece(entry, triangles, udim_of(uv[triangles].mean(axis=1)))

    def _uv(self, number: int) -> Floats:
        uv = scaled(self.document, number, accessor(self.document, number, 2)).astype(np.float64)
        uv[:, 1] = 1.0 - uv[:, 1]
        return uv

    def _pieces_tile(self, entry: dict[str, Any]) -> int:
        """Return the tile of a primitive that lies on one tile."""
        piece = self._piece(entry)
        return NO_TILE if piece is None or len(piece.tile) == 0 else int(piece.tile[0])

    def _parted(self, entry: dict[str, Any]) -> list[dict[str, Any]]:
        piece = self._piece(entry)
        tiles = np.zeros(0) if piece is None else np.unique(piece.tile)
        if piece is None or len(tiles) < 2:
            return [entry]
        out = []
        for tile in tiles.tolist():
            part = copy.deepcopy(entry)
            part["indices"] = self._add_indices(piece.triangles[piece.tile == tile])
            part["mode"] = TRIANGLES
            out.append(part)
        return out

    def _make_materials(
        self, wanted: Mapping[int, tuple[str, str | None]], tiles_of: Mapping[int, set[int]]
    ) -> dict[int, int]:
        """Return the number of each tile's material; renames a material that is free for it."""
        materials = self.tree.setdefault("materials", [])
        old_names = _names(materials)
        models = [copy.deepcopy(material) for material in materials]
        claimed = {k for k, tiles in tiles_of.items() if NO_TILE in tiles}
        out: dict[int, int] = {}
        for tile, (name, made_from) in wanted.items():
            fits = [k for k, old in enumerate(old_names) if old == made_from]
            here = [k for k in fits if tile in tiles_of.get(k, set())]
            model = next(iter(here + fits), None)
            if model is not None and model not in claimed:
                claimed.add(model)
                materials[model]["name"] = name
                out[tile] = model
                continue
            new = copy.deepcopy(models[model]) if model is not None else {}
            materials.append(new | {"name": name})
            out[tile] = len(materials) - 1
        if not materials:
            del self.tree["materials"]
        return out

    def _move(self, shift_of: Callable[[dict[str, Any]], Shift]) -> None:
        """Move UVs in place where every vertex moves one way, else in a copy per primitive."""
        users: dict[int, list[tuple[dict[str, Any], Shift, NDArray[np.int64]]]] = {}
        for entry in self._entries():
            piece = self._piece(entry)
            if piece is not None:
                used = np.unique(piece.triangles)
                number = entry["attributes"]["TEXCOORD_0"]
                users.setdefault(number, []).append((entry, shift_of(entry), used))
        for number, uses in users.items():
            if any(shift != (0, 0) for _, shift, _ in uses):
                self._move_accessor(number, uses)

    def _move_accessor(
        self, number: int, uses: list[tuple[dict[str, Any], Shift, NDArray[np.int64]]]
    ) -> None:
        held = self.document.item("accessors", number)
        if held["componentType"] != FLOAT:
            raise InputError(
                "its UVs are stored as whole numbers, which cannot be moved to another tile.",
                file=str(self.path),
                cure="Export it with floating-point UVs.",
            )
        values = np.array(accessor(self.document, number, 2))
        moved = np.zeros_like(values)
        is_moved = np.zeros(len(values), bool)
        agree = "sparse" not in held and self._is_alone(number)
        for _, shift, used in uses:
            step = np.array([shift[0], -shift[1]], values.dtype)
            agree = agree and bool((moved[used][is_moved[used]] == step).all())
            moved[used], is_moved[used] = step, True
        if agree:
            self._rewrite(number, values + moved)
            return
        for entry, shift, used in uses:
            if shift != (0, 0):
                own = values.copy()
                own[used] += np.array([shift[0], -shift[1]], values.dtype)
                entry["attributes"]["TEXCOORD_0"] = self._add_uvs(own)

    def _is_alone(self, number: int) -> bool:
        """Whether no other accessor reads the same bytes (interleaved rows do not count)."""
        mine = self.document.item("accessors", number)
        key = (mine.get("bufferView"), mine.get("byteOffset", 0))
        twins = [
            k
            for k, other in enumerate(self.document.items("accessors"))
            if (other.get("bufferView"), other.get("byteOffset", 0)) == key
        ]
        buffer = view_of(self.document, mine["bufferView"])[0] if "bufferView" in mine else -1
        return twins == [number] and buffer == 0

    def _rewrite(self, number: int, values: NDArray[Any]) -> None:
        held = self.document.item("accessors", number)
        _, begin, length, stride = view_of(self.document, held["bufferView"])
        assert self.document.binary is not None, "made in __init__"
        room = self.document.binary[begin : begin + length]
        rows = np.ndarray(
            values.shape, "<f4", room.data, held.get("byteOffset", 0), (stride or 8, 4)
        )
        rows[:] = values
        _set_range(held, values)

    def _add_indices(self, triangles: NDArray[np.int64]) -> int:
        # 65535 is the restart value of short indices, so it is no vertex (glTF 2.0, 3.7.2.1).
        is_short = int(triangles.max(initial=0)) < 65535
        data = triangles.astype("<u2" if is_short else "<u4")
        view = self._add_view(data.tobytes(), _INDEX_TARGET)
        return self._add_accessor(
            {
                "bufferView": view,
                "componentType": _SHORT if is_short else _LONG,
                "count": triangles.size,
                "type": "SCALAR",
            }
        )

    def _add_uvs(self, values: NDArray[Any]) -> int:
        view = self._add_view(values.astype("<f4").tobytes(), _VERTEX_TARGET)
        return self._add_accessor(
            {"bufferView": view, "componentType": FLOAT, "count": len(values), "type": "VEC2"}
        )

    def _add_view(self, data: bytes, target: int) -> int:
        held = self.document
        assert held.binary is not None, "made in __init__"
        padding = b"\0" * (-len(held.binary) % 4)
        begin = len(held.binary) + len(padding)
        added = np.frombuffer(padding + data, np.uint8)
        # A new document, so that what reads it sees the longer buffer.
        self.document = Document(held.file, self.tree, np.concatenate([held.binary, added]))
        self.tree["buffers"][0]["byteLength"] = begin + len(data)
        views = self.tree.setdefault("bufferViews", [])
        views.append({"buffer": 0, "byteOffset": begin, "byteLength": len(data), "target": target})
        return len(views) - 1

    def _add_accessor(self, entry: dict[str, Any]) -> int:
        accessors = self.tree.setdefault("accessors", [])
        accessors.append(entry)
        return len(accessors) - 1


def _names(materials: list[dict[str, Any]]) -> list[str]:
    """Return material names as the reader gives them."""
    return [
        str(m["name"]) if isinstance(m.get("name"), str) else f"material {k}"
        for k, m in enumerate(materials)
    ]


def _as_triangles(index: NDArray[np.int64], mode: int) -> NDArray[np.int64]:
    """Return (t, 3) vertex numbers of a list, strip or fan (glTF 2.0, 3.7.2.1)."""
    if mode == TRIANGLES:
        if len(index) % 3:
            raise MalformedError(f"a primitive has {count_text(len(index))} corners")
        return index.reshape(-1, 3)
    k = np.arange(max(len(index) - 2, 0))
    if mode == STRIP:
        return index[np.stack([k, k + 1 + k % 2, k + 2 - k % 2], axis=1)]
    return index[np.stack([k + 1, k + 2, np.zeros_like(k)], axis=1)]


def _set_range(held: dict[str, Any], values: NDArray[Any]) -> None:
    if "min" in held and "max" in held and len(values):
        held["min"] = values.min(axis=0).astype(float).tolist()
        held["max"] = values.max(axis=0).astype(float).tolist()
