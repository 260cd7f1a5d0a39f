"""Unpacks Draco meshes in a process of its own (`child_side`); `draco` asks for it.

Arguments: `sizes`, the bytes of every packed mesh, which follow in the data. Answer: `meshes`, for
each the array of its triangles and those of its attributes by their unique numbers. It imports
nothing of cagecheck.
"""

from __future__ import annotations

from typing import Any

import numpy as np


def take_apart(arguments: dict[str, Any], data: Any, arrays: list[Any]) -> dict[str, Any]:
    """Return what `draco` wants to know."""
    import DracoPy  # the extra "draco"

    def send(array: Any) -> int:
        arrays.append(np.ascontiguousarray(array))
        return len(arrays) - 1

    meshes = []
    for size in arguments["sizes"]:
        mesh = DracoPy.decode(data.read(size))
        faces = getattr(mesh, "faces", None)
        if faces is None:
            raise ValueError("it packs points without triangles")
        meshes.append(
            {
                "faces": send(np.asarray(faces, np.uint32).reshape(-1, 3)),
                "attributes": {str(a["unique_id"]): send(a["data"]) for a in mesh.attributes},
            }
        )
    return {"meshes": meshes}
