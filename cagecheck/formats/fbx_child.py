"""A process of its own that takes an FBX file apart; `fbx` starts it.

It runs apart for two reasons: a damaged file must not be able to end the caller, and the bindings
(ufbx 0.0.5) hand out some objects without counting the reference, which ends the interpreter
sooner or later. Here every object is fetched once and kept (`held`), and the process leaves
without tidying up.

Arguments: metres a unit, the limit of memory in bytes, and what to send besides positions, faces
and materials (``uv``, ``normal``). Standard input: the file's bytes. Standard output: one line of
JSON, then the arrays that it lists, one after the other. It imports nothing of cagecheck, so that
it starts quickly.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import sys
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


def main() -> None:
    """Read the file from standard input and write the answer."""
    unit, limit, wanted = float(sys.argv[1]), int(sys.argv[2]), sys.argv[3:]
    _limit_memory(limit)
    arrays: list[np.ndarray[Any, Any]] = []
    try:
        answer = _take_apart(sys.stdin.buffer.read(), unit, limit, wanted, arrays)
    except ImportError:
        answer = {"missing": True}
    except MemoryError:
        answer = {"error": "it needs more memory than a mesh of its size should"}
    except Exception as error:  # whatever the library says, the caller hears it in words
        answer = {"error": str(error) or type(error).__name__}
    if "error" in answer:
        arrays = []
    answer["arrays"] = [[a.dtype.str, list(a.shape)] for a in arrays]
    out = sys.stdout.buffer
    out.write(json.dumps(answer).encode() + b"\n")
    for array in arrays:
        out.write(np.ascontiguousarray(array).reshape(-1).view(np.uint8).data)
    out.flush()
    os._exit(0)


def _limit_memory(limit: int) -> None:
    """Let this process grow by a few times the limit of the library, where the system can."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (8 * limit, 8 * limit))


def _take_apart(
    data: bytes, unit: float, limit: int, wanted: list[str], arrays: list[Any]
) -> dict[str, Any]:
    import ufbx  # the extra "fbx"

    if not hasattr(ufbx, "VertexVec2"):  # another package of the same import name
        raise ImportError("ufbx")
    memory = {"memory_limit": limit}
    scene = held(
        ufbx.load_memory(
            data,
            file_format=ufbx.FileFormat.FBX,
            ignore_animation=True,
            ignore_embedded=True,
            load_external_files=False,
            index_error_handling=ufbx.IndexErrorHandling.ABORT_LOADING,
            target_axes=ufbx.axes_right_handed_y_up,
            target_unit_meters=unit,
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


if __name__ == "__main__":
    main()
