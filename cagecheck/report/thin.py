"""A light copy of the high poly, for display only."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import fast_simplification
import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.unseen import triangle_areas
from cagecheck.meshes.mesh import Surface

Thin = Callable[[Surface, int], Surface]

# A part keeps at least this many triangles, so that small ones stay themselves.
LEAST_TRIANGLES = 60
# Parts denser than this many times their budget are first binned on a grid, which is many times
# quicker than collapsing edges, down to this many times their budget.
BINNED_ABOVE, BINNED_TO = 12.0, 5.0


def thin_surface(surface: Surface, most: int) -> Surface:
    """Return about `most` triangles that look like `surface`, part by part.

    Large parts are binned on a grid (VTK's binned decimation), then edges collapse by their
    quadric error (Garland and Heckbert, "Surface Simplification Using Quadric Error Metrics",
    SIGGRAPH 1997, by the library fast-simplification). Parts keep their numbers.
    """
    area = np.empty(surface.triangle_count)
    triangle_areas(surface.positions, surface.triangles, area)
    order = np.argsort(surface.triangle_part, kind="stable")
    counts = np.bincount(surface.triangle_part, minlength=len(surface.part_names))
    of_part = np.bincount(surface.triangle_part, weights=area, minlength=len(counts))
    # Half by area and half by count: detail deserves triangles, but so does a large plain part.
    share = of_part / (of_part.sum() or 1.0) + counts / max(counts.sum(), 1)
    budget = np.maximum((most * share / 2).astype(int), LEAST_TRIANGLES)
    positions, triangles, part, base = [], [], [], 0
    for k, rows in enumerate(np.split(order, np.cumsum(counts)[:-1])):
        if len(rows) == 0:
            continue
        p, t = _compact(surface.positions, surface.triangles[rows])
        p, t = _thin(p, t, int(budget[k]), float(of_part[k]))
        positions.append(p)
        triangles.append(t + base)
        part.append(np.full(len(t), k, np.int32))
        base += len(p)
    return Surface(
        np.concatenate(positions).astype(np.float32),
        np.concatenate(triangles).astype(np.int32),
        np.concatenate(part),
        surface.part_names,
    )


def _compact(positions: NDArray[Any], triangles: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return only the vertices in use, and the triangles by them."""
    flat = triangles.ravel().astype(np.int64)
    low, high = int(flat.min()), int(flat.max())
    used = np.zeros(high - low + 1, bool)
    used[flat - low] = True
    number = np.cumsum(used) - 1
    return positions[low : high + 1][used], number[flat - low].reshape(-1, 3)


def _thin(
    positions: NDArray[Any], triangles: NDArray[Any], budget: int, area: float
) -> tuple[NDArray[Any], NDArray[Any]]:
    if len(triangles) <= budget or area <= 0:
        return positions, triangles
    if len(triangles) > BINNED_ABOVE * budget:
        positions, triangles = _binned(positions, triangles, budget, area)
    if len(triangles) <= budget:
        return positions, triangles
    points, faces = fast_simplification.simplify(
        np.ascontiguousarray(positions, np.float32),
        np.ascontiguousarray(triangles, np.int32),
        target_count=budget,
    )
    return points, faces


def _binned(
    positions: NDArray[Any], triangles: NDArray[Any], budget: int, area: float
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return the part with one vertex per cell of a grid: about two triangles per cell."""
    # Imported here since they take a third of a second, which most commands need not wait.
    import pyvista as pv
    from vtkmodules.vtkFiltersCore import vtkBinnedDecimation

    side = np.sqrt(2 * area / (BINNED_TO * budget))
    cells = np.clip(np.ceil(np.ptp(positions, axis=0) / side), 1, 1 << 10).astype(int)
    grid = vtkBinnedDecimation()
    grid.SetInputData(pv.PolyData.from_regular_faces(positions, triangles))
    grid.SetNumberOfDivisions(*(int(n) for n in cells))
    grid.SetPointGenerationModeToBinAverages()
    grid.Update()
    out = pv.wrap(grid.GetOutput())
    faces = np.asarray(out.regular_faces)
    return _compact(np.asarray(out.points), faces) if len(faces) else (positions, triangles)


class KeptThin:
    """`thin_surface` that keeps its last copies: for page after page of the same high poly."""

    def __init__(self) -> None:
        self._kept: dict[int, tuple[Surface, Surface]] = {}

    def __call__(self, surface: Surface, most: int) -> Surface:
        """Return about `most` triangles that look like `surface`."""
        known = self._kept.get(most)
        if known is None or known[0] is not surface:
            known = self._kept[most] = surface, thin_surface(surface, most)
        return known[1]
