"""Rims of holes in the high poly near places of the low poly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.box import box_of
from cagecheck.arrays.types import Floats
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.surface_edges import high_edges

# Edges are looked for in triangles that reach this much nearer than the rim may be: their corners
# lie farther than their middles.
CORNER_SHARE = 1.5
# Cells along each side of the high poly's box, to set aside what lies near no place.
CELLS = 64


def rim_within(
    surface: Surface, wanted: NDArray[np.bool_], centre: Floats, radius: Floats
) -> NDArray[np.bool_]:
    """Tell which balls hold the middle of an open edge of the parts wanted there.

    An edge is open when one triangle of those parts has it, by position: vertices at one place
    count as one, and where the border of a wanted part lies on that of another there is no hole.

    Parameters
    ----------
    wanted : (G, high parts) bool. centre : (G, 3) world. radius : (G,) world units.

    Returns
    -------
    (G,) bool.
    """
    out = np.zeros(len(centre), bool)
    if len(centre) == 0 or surface.triangle_count == 0:
        return out
    near = _triangles_near(surface, np.asarray(wanted.any(axis=0)), centre, CORNER_SHARE * radius)
    edges, _ = high_edges(near)
    if len(edges.triangle) == 0:
        return out
    from scipy.spatial import cKDTree  # rays that all hit do not wait for it to load

    middle = 0.5 * (edges.start + edges.end)
    part = near.triangle_part[edges.triangle]
    tree = cKDTree(middle)
    for g, inside in enumerate(tree.query_ball_point(centre, radius)):
        mine = np.array(inside, np.int64)
        mine = mine[wanted[g, part[mine]]]
        _, uses = np.unique(middle[mine], axis=0, return_counts=True)
        out[g] = bool((uses == 1).any())
    return out


def _triangles_near(
    surface: Surface, parts: NDArray[np.bool_], centre: Floats, radius: Floats
) -> Surface:
    """Return the triangles of some parts with a corner in a cell that a ball reaches."""
    low, high = box_of(surface.positions)
    cell = np.where(high > low, (high - low) / CELLS, 1.0)
    marked = np.zeros((CELLS, CELLS, CELLS), np.bool_)
    for point, reach in zip(centre, radius, strict=True):
        # One cell more on either side, so that rounding sets nothing aside.
        first = np.clip((point - reach - low) / cell - 1, 0, CELLS).astype(int)
        last = np.clip((point + reach - low) / cell + 2, 0, CELLS).astype(int)
        marked[first[0] : last[0], first[1] : last[1], first[2] : last[2]] = True
    near = np.empty(len(surface.positions), np.bool_)
    _in_marked(surface.positions, low, cell, marked, near)
    kept = np.empty(surface.triangle_count, np.bool_)
    used = np.zeros(len(surface.positions), np.bool_)
    _with_corner_in(near, surface.triangles, parts, surface.triangle_part, kept, used)
    triangles = surface.triangles[kept]
    number = np.cumsum(used) - 1
    return Surface(
        surface.positions[used],
        number[triangles].astype(np.int32),
        surface.triangle_part[kept],
        surface.part_names,
    )


@njit(cache=True, nogil=True)
def _with_corner_in(near, triangles, parts, part, kept, used):  # type: ignore[no-untyped-def]
    """Mark the triangles of some parts with a corner that is near, and all their corners."""
    for t in range(len(triangles)):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        kept[t] = (near[a] or near[b] or near[c]) and parts[part[t]]
        if kept[t]:
            used[a] = used[b] = used[c] = True


@njit(cache=True, nogil=True)
def _in_marked(positions, low, cell, marked, out):  # type: ignore[no-untyped-def]
    for i in range(len(positions)):
        x = min(int((np.float64(positions[i, 0]) - low[0]) / cell[0]), marked.shape[0] - 1)
        y = min(int((np.float64(positions[i, 1]) - low[1]) / cell[1]), marked.shape[1] - 1)
        z = min(int((np.float64(positions[i, 2]) - low[2]) / cell[2]), marked.shape[2] - 1)
        out[i] = marked[x, y, z]
