"""Takes an FBX file apart in a process of its own (`child_side`); `fbx` asks for it.

It runs apart for a second reason besides damaged files: the bindings (ufbx 0.0.5) hand out some
objects without counting the reference, which ends the interpreter sooner or later. Here every
object is fetched once and kept (`held`), and the process leaves without tidying up.

Arguments: `unit` (metres), `memory` (bytes), and `wanted`, what to send besides positions, faces
and materials (``uv``, ``normal``). The data is the file's bytes.
"""

from __future__ import annotations

import ctypes
from typing import Any

import numpy as np

_count_reference = ctypes.pythonapi.Py_IncRef
_count_reference.argtypes = [ctypes.py_object]
_count_reference.restype = None
_SPARE_REFERENCES = 4


def held(thing: Any) -> Any:
    """Keep an object of the library for good."""
    for _ in range(_SPARE_REFERENCES):
        _count_reference(thing)
    return thing


def take_apart(arguments: dict[str, Any], data: Any, arrays: list[Any]) -> dict[str, Any]:
    """Return what `fbx` wants to know of the file in `data`."""
    import ufbx  # the extra "fbx"

    if not hasattr(ufbx, "VertexVec2"):  # another package of the same import name
        raise ImportError("ufbx")
    memory = {"memory_limit": arguments["memory"]}
    wanted = arguments["wanted"]
    scene = held(
        ufbx.load_memory(
            data.read(),
            file_format=ufbx.FileFormat.FBX,
            ignore_animation=True,
            ignore_embedded=True,
            load_external_files=False,
            index_error_handling=ufbx.IndexErrorHandling.ABORT_LOADING,
            target_axes=ufbx.axes_right_handed_y_up,
            target_unit_meters=arguments["unit"],
            temp_allocator=memory,
            result_allocator=memory,
        )
    )
    settings = held(scene.settings)
    nodes = held(scene.nodes)
    found = [_node(held(nodes[k]), wanted, arrays) for k in range(len(nodes))]
    return {
        "unit": float(settings.unit_meters),
        "up": int(held(settings.axes).up),
        "text": bool(held(scene.metadata).ascii),
        "parts": [part for part in found if part],
    }


def _node(node: Any, wanted: list[str], arrays: list[Any]) -> dict[str, Any] | None:
    mesh = node.mesh
    if mesh is None:
        return None
    held(mesh)
    if mesh.num_faces == 0 or mesh.num_indices == 0:
        return None

    def send(values: Any, kind: str, width: int) -> int:
        array = np.array(held(values), dtype=kind)
        arrays.append(array.reshape(-1, width) if width > 1 else array.reshape(-1))
        return len(arrays) - 1

    def attribute(name: str, values: Any, width: int) -> list[int] | None:
        if name not in wanted or not held(values).exists:
            return None
        return [send(values.values, "<f8", width), send(values.indices, "<i8", 1)]

    names = held(node.materials)
    return {
        "name": str(node.name) or str(mesh.name) or f"node {node.typed_id}",
        "matrix": [[float(x) for x in column] for column in node.geometry_to_world],
        "vertices": send(mesh.vertices, "<f8", 3),
        "faces": send(mesh.faces, "<i8", 2),
        "vertex_indices": send(mesh.vertex_indices, "<i8", 1),
        "face_material": send(mesh.face_material, "<i8", 1),
        "uv": attribute("uv", mesh.vertex_uv, 2),
        "normal": attribute("normal", mesh.vertex_normal, 3),
        "materials": [str(held(names[k]).name) for k in range(len(names))],
    }
