"""What the processes that take scenes apart check alike; nothing of cagecheck is imported."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


class RefusedError(Exception):
    """The file reads, but is not taken."""

    def __init__(self, what: str, cure: str) -> None:
        super().__init__(what)
        self.refused = (what, cure)


def check_faces(
    name: str, sizes: NDArray[np.int32], vertex: NDArray[np.int32], points: int
) -> None:
    """Refuse faces whose corners do not add up, or refer to vertices that are not there."""
    corners = int(sizes.sum(dtype=np.int64))
    if sizes.min() < 0 or corners != len(vertex):
        raise RefusedError(
            f"the faces of {name} have {corners} corners, but it lists {len(vertex)}.",
            "Export it again.",
        )
    if vertex.min() < 0 or vertex.max() >= points:
        raise RefusedError(
            f"a face of {name} refers to a vertex that is not there.", "Export it again."
        )


def corner_rows(
    values: NDArray[Any],
    index: NDArray[np.int32] | None,
    how: str,
    sizes: NDArray[np.int32],
    vertex: NDArray[np.int32],
    points: int,
) -> NDArray[np.int32] | None:
    """Return the row of `values` that every corner has; None where they do not fit the mesh.

    index : a row for every element, None for all in order. how : which elements there are, one
    of ``constant``, ``uniform`` (faces), ``vertex``, ``varying`` and ``faceVarying``.
    """
    counts = {"constant": 1, "uniform": len(sizes), "faceVarying": len(vertex),
              "vertex": points, "varying": points}  # fmt: skip
    if (len(values) if index is None else len(index)) != counts[how] or (
        index is not None and (index.min() < 0 or index.max() >= len(values))
    ):
        return None
    element = {
        "constant": lambda: np.zeros(len(vertex), np.int32),
        "uniform": lambda: np.repeat(np.arange(len(sizes), dtype=np.int32), sizes),
        "faceVarying": lambda: np.arange(len(vertex), dtype=np.int32),
    }.get(how, lambda: vertex)()
    return element if index is None else index[element]
