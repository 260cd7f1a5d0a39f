"""Unpacks data packed with meshopt in a process of its own (`child_side`); `meshopt` asks for it.

Arguments: `views`, each with `count`, `stride`, `mode`, `filter` and the `size` of its bytes, which
follow in the data. The arrays are the unpacked bytes. It imports nothing of cagecheck.
"""

from __future__ import annotations

from typing import Any

import numpy as np


def take_apart(arguments: dict[str, Any], data: Any, arrays: list[Any]) -> dict[str, Any]:
    """Unpack all of them."""
    from meshopt import decode_gltf_buffer  # the extra "meshopt"

    for view in arguments["views"]:
        raw = data.read(view["size"])
        if len(raw) != view["size"]:
            raise ValueError("the data is cut off")
        rows = decode_gltf_buffer(raw, view["count"], view["stride"], view["mode"], view["filter"])
        arrays.append(np.ascontiguousarray(rows).reshape(-1).view(np.uint8))
    return {}
