"""Lists the files that a USD scene is made of, in a process of its own (`child_side`).

Arguments: `path` and `folders` as for `usd_child`. Answer: `files` (real paths, the scene's own
first) and `awaited` (where what is not there would be looked for), as far as they can be read.
"""

from __future__ import annotations

import contextlib
from typing import Any

from cagecheck.formats.usd_vet import Layers, vet


def take_apart(arguments: dict[str, Any], data: Any, arrays: list[Any]) -> dict[str, Any]:
    """Return what `usd_layers` wants to know."""
    import pxr.Sdf  # noqa: F401 - where the extra is missing, that is what is to be said

    layers = Layers()
    with contextlib.suppress(Exception):  # whoever reads the scene will say what is wrong with it
        vet(arguments["path"], arguments["folders"], layers)
    return {"files": list(layers.files), "awaited": list(layers.missing.values())}
