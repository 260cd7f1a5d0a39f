"""Meshes as GLB or self-contained glTF: a node per part, a primitive per material.

glTF has one index per corner, so a vertex with several UVs or normals is written several times;
vertices keep their order and unused ones are left out. Positions become float32.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.formats.gltf_accessor import FLOAT
from cagecheck.formats.gltf_document import BINARY_CHUNK, JSON_CHUNK
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.triangulate import triangulate

_COMPONENTS = {"float32": FLOAT, "uint32": 5125, "uint8": 5121}
_VERTEX_DATA, _INDEX_DATA = 34962, 34963
_LARGEST = 2**32 - 1  # a GLB states its length in 32 bits


class AssetBuilder:
    """Collects arrays and nodes, then gives the file."""

    def __init__(self) -> None:
        self.pieces: list[NDArray[Any]] = []
        self.length = 0
        self.tree: dict[str, Any] = {
            "asset": {"version": "2.0", "generator": "cagecheck"},
            "scene": 0,
            "scenes": [{"nodes": []}],
            "nodes": [],
            "meshes": [],
            "accessors": [],
            "bufferViews": [],
        }

    def add_array(self, values: NDArray[Any], *, bounds: bool = False) -> int:
        """Append float32 (n, k) values, uint32 (n,) indices or uint8 (n, 4) colours.

        Returns the accessor's number.
        """
        values = np.ascontiguousarray(values)
        is_index = values.dtype == np.uint32
        views, accessors = self.tree["bufferViews"], self.tree["accessors"]
        views.append(
            {
                "buffer": 0,
                "byteOffset": self.length,
                "byteLength": values.nbytes,
                "target": _INDEX_DATA if is_index else _VERTEX_DATA,
            }
        )
        entry: dict[str, Any] = {
            "bufferView": len(views) - 1,
            "componentType": _COMPONENTS[values.dtype.name],
            "count": len(values),
            "type": "SCALAR" if is_index else f"VEC{values.shape[1]}",
        }
        if values.dtype == np.uint8:
            entry["normalized"] = True  # 255 is full strength
        if bounds:
            entry["min"] = [float(x) for x in values.min(axis=0)]
            entry["max"] = [float(x) for x in values.max(axis=0)]
        accessors.append(entry)
        self.pieces.append(values)
        self.length += values.nbytes  # in fours of bytes, so all stays aligned
        return len(accessors) - 1

    def add_node(self, name: str, primitives: list[dict[str, Any]]) -> None:
        """Append a node with a mesh of its own."""
        self.tree["meshes"].append({"name": name, "primitives": primitives})
        self.tree["nodes"].append({"name": name, "mesh": len(self.tree["meshes"]) - 1})
        self.tree["scenes"][0]["nodes"].append(len(self.tree["nodes"]) - 1)

    def glb(self) -> Iterator[bytes | NDArray[Any]]:
        """Yield the GLB file. Raises `InputError` beyond 4 GiB."""
        self.tree["buffers"] = [{"byteLength": self.length}]
        return glb_chunks(self.tree, self.pieces, self.length)

    def gltf(self) -> Iterator[bytes]:
        """Yield the glTF file with its data inside."""
        data = b"".join(piece.tobytes() for piece in self.pieces)
        self.tree["buffers"] = [{"byteLength": len(data), "uri": data_uri(data)}]
        yield json.dumps(self.tree, indent=1, ensure_ascii=False).encode()


def data_uri(data: bytes | bytearray | memoryview) -> str:
    """Return bytes as a data URI."""
    return "data:application/octet-stream;base64," + base64.b64encode(data).decode()


def glb_chunks(
    tree: dict[str, Any],
    pieces: list[NDArray[Any]],
    length: int,
    more: bytes = b"",
) -> Iterator[bytes | NDArray[Any]]:
    """Yield a GLB file from its JSON, its binary chunk's pieces, and further chunks as they are."""
    text = json.dumps(tree, separators=(",", ":"), ensure_ascii=False).encode()
    text += b" " * (-len(text) % 4)
    padding = -length % 4
    total = 12 + 8 + len(text) + (8 + length + padding if pieces else 0) + len(more)
    if total > _LARGEST:
        raise InputError("this mesh is larger than the 4 GiB that a GLB can hold.",
                         cure="Write PLY or OBJ instead.")  # fmt: skip
    yield b"glTF" + np.array([2, total], "<u4").tobytes()
    yield np.array([len(text), JSON_CHUNK], "<u4").tobytes() + text
    if pieces:
        yield np.array([length + padding, BINARY_CHUNK], "<u4").tobytes()
        yield from pieces
        yield b"\x00" * padding
    yield more


def asset_of_surface(surface: Surface) -> AssetBuilder:
    """Return the asset of a surface; corners with normals of their own become vertices."""
    builder = AssetBuilder()
    rows, corners = _surface_vertices(surface)
    for part, name in enumerate(surface.part_names):
        triangles = corners
        if len(surface.part_names) > 1:
            triangles = triangles[surface.triangle_part == part]
        if not len(triangles):
            continue
        used = np.zeros(len(surface.positions) if rows is None else len(rows), bool)
        used[triangles.ravel()] = True
        number = np.cumsum(used, dtype=np.int64) - 1
        positions = surface.positions[used if rows is None else rows[used, 0]]
        attributes = {"POSITION": builder.add_array(positions.astype("<f4"), bounds=True)}
        normals = surface.normals
        if normals is not None:
            own = normals.rows[used if rows is None else rows[used, 1]]
            if own.any(axis=1).all():
                attributes["NORMAL"] = builder.add_array(own.astype("<f4"))
        index = builder.add_array(number[triangles.ravel()].astype(np.uint32))
        builder.add_node(name, [{"attributes": attributes, "indices": index}])
    return builder


def _surface_vertices(surface: Surface) -> tuple[NDArray[np.int64] | None, NDArray[Any]]:
    """Return the (n, 2) pairs of vertex and normal in use, and the (T, 3) triangles by them.

    None where a vertex has one normal at most: then the triangles are the surface's own.
    """
    if surface.normals is None or surface.normals.corner is None:
        return None, surface.triangles
    key = surface.triangles.astype(np.int64) * len(surface.normals.rows) + surface.normals.corner
    kinds, corners = np.unique(key, return_inverse=True)
    pairs = np.stack(np.divmod(kinds, len(surface.normals.rows)), axis=1)
    return pairs, corners.reshape(-1, 3)


def asset_of_mesh(mesh: Mesh) -> AssetBuilder:
    """Return the asset of a mesh, polygons cut into triangles."""
    builder = AssetBuilder()
    cut = triangulate(mesh)
    part = mesh.face_part[cut.face]
    material = (
        np.full(len(part), -1) if mesh.face_material is None else mesh.face_material[cut.face]
    )
    if mesh.material_names:
        builder.tree["materials"] = [{"name": name} for name in mesh.material_names]
    for k, name in enumerate(mesh.part_names):
        own = np.flatnonzero(part == k)
        if not len(own):
            continue
        attributes, number = _vertices(builder, mesh, cut.corners[own].ravel())
        primitives = []
        for m in np.unique(material[own]):
            index = number.reshape(-1, 3)[material[own] == m].ravel()
            entry: dict[str, Any] = {
                "attributes": attributes,
                "indices": builder.add_array(index.astype(np.uint32)),
            }
            if m >= 0:
                entry["material"] = int(m)
            primitives.append(entry)
        builder.add_node(name, primitives)
    return builder


def _vertices(
    builder: AssetBuilder, mesh: Mesh, corners: NDArray[np.int32]
) -> tuple[dict[str, int], NDArray[np.int64]]:
    """Append the vertices that corners need; return the attributes and each corner's vertex."""
    keys = [mesh.corner_vertex[corners].astype(np.float64)[:, None]]
    uv = None if mesh.corner_uv is None else mesh.corner_uv[corners]
    normal = None if mesh.corner_normal is None else mesh.corner_normal[corners]
    if uv is not None and not np.isnan(uv).all():
        keys.append(np.nan_to_num(uv))
    else:
        uv = None
    # A primitive has normals for all of its vertices or for none.
    if normal is not None and np.isfinite(normal).all():
        keys.append(normal)
    else:
        normal = None
    _, first, number = np.unique(
        np.concatenate(keys, axis=1), axis=0, return_index=True, return_inverse=True
    )
    vertex = mesh.corner_vertex[corners[first]]
    attributes = {"POSITION": builder.add_array(mesh.positions[vertex].astype("<f4"), bounds=True)}
    if normal is not None:
        attributes["NORMAL"] = builder.add_array(normal[first].astype("<f4"))
    if uv is not None:
        flipped = np.nan_to_num(uv[first])
        flipped[:, 1] = 1.0 - flipped[:, 1]
        attributes["TEXCOORD_0"] = builder.add_array(flipped.astype("<f4"))
    return attributes, number.ravel()
