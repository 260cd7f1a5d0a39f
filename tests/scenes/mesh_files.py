"""Small mesh files of every format, made in memory, for the reading, writing and fuzz tests."""

from __future__ import annotations

import base64
import gzip
import json
import struct
from typing import Any

import numpy as np

CORNERS = np.array(
    [[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 0, 1], [1, 0, 1], [1, 1, 1], [0, 1, 1]],
    dtype=np.float64,
)
QUADS = np.array(
    [[0, 3, 2, 1], [4, 5, 6, 7], [0, 1, 5, 4], [2, 3, 7, 6], [1, 2, 6, 5], [0, 4, 7, 3]]
)
TRIANGLES = np.concatenate([QUADS[:, [0, 1, 2]], QUADS[:, [0, 2, 3]]])

OBJ_TEXT = b"""# two parts, quads, a triangle, a pentagon, UV seams, split normals\r
mtllib scene.mtl
o Body
v 0 0 0
v 1 0 0 0.5 0.25 1
v 1 1 0
v\t0  1   0
vt 0 0
vt 1 0
vt 1 1
vt 0 1
vn 0 0 2
vn 0 1 0
usemtl skin
s 1
f 1/1/1 2/2/1 3/3/1 4/4/1
g detail
s off
f 1/2/2 3/3/2 4/1/2 # said twice
o Arm
v 0 0 1
v 1 0 1e0
v 1.5 0.5 1
v 1 1 1
v 0 1 \\
  1
usemtl steel plate
s 2
f -5 -4 -3 -2 -1
f 5//1 7//1 9//2
"""


def ply_bytes(
    order: str = "<", *, quads: bool = True, uv: bool = False, extra: bool = False
) -> bytes:
    """A cube as PLY: `order` is ``<``, ``>`` or ``text``."""
    name = {"<": "binary_little_endian", ">": "binary_big_endian", "text": "ascii"}[order]
    faces = QUADS if quads else TRIANGLES
    lines = ["ply", f"format {name} 1.0", "comment a cube", f"element vertex {len(CORNERS)}"]
    lines += [f"property float {a}" for a in "xyz"]
    lines += ["property float s", "property float t"] if uv else []
    lines += ["property uchar red", "property double weight"] if extra else []
    lines += [f"element face {len(faces)}"]
    lines += ["property uchar flags"] if extra else []
    lines += ["property list uchar int vertex_indices"]
    lines += ["element edge 1", "property int a", "property int b"] if extra else []
    lines += ["end_header", ""]
    body = b""
    for k, p in enumerate(CORNERS):
        values: list[Any] = [*p.tolist(), *([k / 8, 1 - k / 8] if uv else [])]
        values += [200 + k, 0.1 + k] if extra else []
        code = "fff" + ("ff" if uv else "") + ("Bd" if extra else "")
        body += _row(order, code, values)
    for k, f in enumerate(faces.tolist()):
        code = ("B" if extra else "") + "B" + "i" * len(f)
        body += _row(order, code, [*([k] if extra else []), len(f), *f])
    if extra:
        body += _row(order, "ii", [0, 1])
    return "\n".join(lines).encode() + body


def _row(order: str, code: str, values: list[Any]) -> bytes:
    if order == "text":
        return (" ".join(str(v) for v in values) + "\n").encode()
    return struct.pack(order + code, *values)


def stl_bytes() -> bytes:
    """The cube as binary STL, with attributes."""
    out = b"a cube".ljust(80, b"\0") + struct.pack("<I", len(TRIANGLES))
    for k, t in enumerate(TRIANGLES):
        out += struct.pack("<12fH", 0, 0, 0, *CORNERS[t].ravel(), k)
    return out


def stl_text() -> bytes:
    """The cube as two text solids."""
    out = []
    for name, part in (("left side", TRIANGLES[:6]), ("right", TRIANGLES[6:])):
        out.append(f"solid {name}")
        for t in part:
            out.append("  facet normal 0 0 0\n    outer loop")
            out += ["      vertex {:e} {:e} {:e}".format(*CORNERS[v]) for v in t]
            out.append("    endloop\n  endfacet")
        out.append(f"endsolid {name}")
    return "\n".join(out).encode() + b"\n"


def gltf_tree(
    *, sparse: bool = False, quantised: bool = False, two_nodes: bool = False
) -> tuple[dict[str, Any], bytes]:
    """The cube as a glTF tree and its buffer."""
    positions = CORNERS.astype("<f4").tobytes()
    index = TRIANGLES.astype("<u2").tobytes()
    uv = np.linspace(0, 1, 16).astype("<f4").tobytes()
    tree: dict[str, Any] = {
        "asset": {"version": "2.0"},
        "extras": {"kept": [1, 2.5, "ü"]},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [
            {"name": "root", "children": [1], "rotation": [0, 0, 0.6, 0.8], "scale": [2, 1, 3]},
            {"name": "Cube", "mesh": 0, "translation": [1, 2, 3]},
        ],
        "meshes": [
            {
                "name": "cube mesh",
                "primitives": [
                    {"attributes": {"POSITION": 0, "TEXCOORD_0": 2}, "indices": 1, "material": 0}
                ],
            }
        ],
        "materials": [{"name": "skin"}],
        "accessors": [
            {
                "bufferView": 0,
                "componentType": 5126,
                "count": 8,
                "type": "VEC3",
                "min": [0, 0, 0],
                "max": [1, 1, 1],
            },
            {"bufferView": 1, "componentType": 5123, "count": 36, "type": "SCALAR"},
            {"bufferView": 2, "componentType": 5126, "count": 8, "type": "VEC2"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": 96},
            {"buffer": 0, "byteOffset": 96, "byteLength": 72},
            {"buffer": 0, "byteOffset": 168, "byteLength": 64},
        ],
    }
    data = positions + index + uv
    if quantised:
        begin = len(data)
        data += np.pad((CORNERS * 32767).astype("<i2"), ((0, 0), (0, 1))).tobytes()
        tree["extensionsRequired"] = tree["extensionsUsed"] = ["KHR_mesh_quantization"]
        tree["bufferViews"].append(
            {"buffer": 0, "byteOffset": begin, "byteLength": 64, "byteStride": 8}
        )
        tree["accessors"][0].update(bufferView=3, componentType=5122, normalized=True)
    if sparse:
        begin = len(data)
        data += (
            np.array([6, 7], "<u2").tobytes() + np.array([[2, 2, 2], [0, 1, 4]], "<f4").tobytes()
        )
        tree["bufferViews"] += [
            {"buffer": 0, "byteOffset": begin, "byteLength": 4},
            {"buffer": 0, "byteOffset": begin + 4, "byteLength": 24},
        ]
        last = len(tree["bufferViews"]) - 1
        tree["accessors"][0]["sparse"] = {
            "count": 2,
            "indices": {"bufferView": last - 1, "componentType": 5123},
            "values": {"bufferView": last},
        }
    if two_nodes:
        tree["nodes"].append({"name": "Mirrored", "mesh": 0, "scale": [-1, 1, 1]})
        tree["scenes"][0]["nodes"].append(2)
    tree["buffers"] = [{"byteLength": len(data)}]
    return tree, data


def glb_bytes(tree: dict[str, Any], data: bytes, more: bytes = b"") -> bytes:
    """Pack a tree and its buffer as GLB; `more` is appended as further chunks."""
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    data += b"\0" * (-len(data) % 4)
    out = struct.pack("<II", len(text), 0x4E4F534A) + text
    out += struct.pack("<II", len(data), 0x004E4942) + data + more
    return struct.pack("<4sII", b"glTF", 2, 12 + len(out)) + out


def gltf_bytes(tree: dict[str, Any], data: bytes) -> bytes:
    """Pack a tree and its buffer as glTF with a data URI."""
    uri = "data:application/octet-stream;base64," + base64.b64encode(data).decode()
    tree["buffers"] = [{"byteLength": len(data), "uri": uri}]
    return json.dumps(tree, indent=2).encode()


FBX_TEXT = b"""; FBX 7.4.0 project file
FBXHeaderExtension:  {
\tFBXHeaderVersion: 1003
\tFBXVersion: 7400
}
GlobalSettings:  {
\tVersion: 1000
\tProperties70:  {
\t\tP: "UpAxis", "int", "Integer", "",1
\t\tP: "UpAxisSign", "int", "Integer", "",1
\t\tP: "FrontAxis", "int", "Integer", "",2
\t\tP: "FrontAxisSign", "int", "Integer", "",1
\t\tP: "CoordAxis", "int", "Integer", "",0
\t\tP: "CoordAxisSign", "int", "Integer", "",1
\t\tP: "UnitScaleFactor", "double", "Number", "",1
\t}
}
Objects:  {
\tGeometry: 1000, "Geometry::", "Mesh" {
\t\tVertices: *12 {
\t\t\ta: 0,0,0,1,0,0,1,1,0,0,1,0
\t\t}
\t\tPolygonVertexIndex: *4 {
\t\t\ta: 0,1,2,-4
\t\t}
\t\tGeometryVersion: 124
\t\tLayerElementUV: 0 {
\t\t\tVersion: 101
\t\t\tName: "map"
\t\t\tMappingInformationType: "ByPolygonVertex"
\t\t\tReferenceInformationType: "IndexToDirect"
\t\t\tUV: *8 {
\t\t\t\ta: 0,0,1,0,1,1,0,1
\t\t\t}
\t\t\tUVIndex: *4 {
\t\t\t\ta: 0,1,2,3
\t\t\t}
\t\t}
\t\tLayer: 0 {
\t\t\tVersion: 100
\t\t\tLayerElement:  {
\t\t\t\tType: "LayerElementUV"
\t\t\t\tTypedIndex: 0
\t\t\t}
\t\t}
\t}
\tModel: 2000, "Model::Plate", "Mesh" {
\t\tVersion: 232
\t\tProperties70:  {
\t\t\tP: "Lcl Translation", "Lcl Translation", "", "A",10,20,30
\t\t\tP: "Lcl Scaling", "Lcl Scaling", "", "A",2,3,4
\t\t}
\t}
}
Connections:  {
\tC: "OO",2000,0
\tC: "OO",1000,2000
}
"""


def samples() -> dict[str, bytes]:
    """Name (with extension) to bytes, for every format and flavour that is read."""
    plain = {
        "quads.obj": OBJ_TEXT,
        "little.ply": ply_bytes("<"),
        "triangles.ply": ply_bytes("<", quads=False),
        "big.ply": ply_bytes(">", uv=True, extra=True),
        "text.ply": ply_bytes("text", uv=True, extra=True),
        "binary.stl": stl_bytes(),
        "text.stl": stl_text(),
        "plain.glb": glb_bytes(*gltf_tree()),
        "sparse.glb": glb_bytes(*gltf_tree(sparse=True, two_nodes=True)),
        "quantised.gltf": gltf_bytes(*gltf_tree(quantised=True)),
    }
    packed = {f"{name}.gz": gzip.compress(plain[name], mtime=0) for name in ("quads.obj",)}
    return plain | packed
