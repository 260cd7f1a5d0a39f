"""Values as JSON documents hold them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from cagecheck.meshes.mesh import SourceFile


def plain(value: Any) -> Any:
    """Return the value as JSON allows it: no NaN or infinity, no NumPy scalars."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def source_row(source: SourceFile | None) -> dict[str, Any] | None:
    """Return path, format and hash of a source file, and the frame where it is one of several."""
    if source is None:
        return None
    row: dict[str, Any] = {
        "path": source.path,
        "format": source.format,
        "sha256": source.sha256,
    }
    return row if source.pose is None else row | {"pose": source.pose.to_dict()}
