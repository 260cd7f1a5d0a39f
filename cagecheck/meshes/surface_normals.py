"""The normals that the file of a high poly gives, kept small and looked over.

They are kept per vertex wherever all corners at a vertex have the same one, so that a file that
lists them per corner costs no more than one that lists them per vertex; only a file with hard
edges (several normals at a vertex) keeps a number per corner.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Ints
from cagecheck.errors import Notice
from cagecheck.loops import njit
from cagecheck.meshes.mesh import Surface, SurfaceNormals
from cagecheck.meshes.triangulate_large import cut_polygons
from cagecheck.words.numbers import decimals
from cagecheck.words.sentences import names_words

# Lengths this near to 1 are left as they are: float32 and quantised files round to that.
UNIT_SLACK = 1e-3
# A shading normal leans from its triangle by less than a right angle, except at needles and tight
# folds. Scans have well under 1 % of such corners; a file whose normals were turned over, not moved
# along with the mesh or filled with a constant has tens of percent.
MOST_AGAINST = 0.05
_NAMED = 3


def unit_rows(rows: NDArray[np.floating[Any]]) -> NDArray[np.float32]:
    """Return (R, 3) float32 unit rows, zero where a row has no direction; the input if it is so."""
    if rows.dtype == np.float32 and rows.flags.c_contiguous and _all_unit(rows):
        return rows
    out = np.empty(rows.shape, np.float32)
    _make_unit(rows, out)
    return out


def normals_of_corners(
    rows: NDArray[np.floating[Any]],
    index: Ints,
    positions: NDArray[np.floating[Any]],
    face_start: NDArray[np.int64],
    corner_vertex: Ints,
) -> SurfaceNormals | None:
    """Return the normals of a mesh whose (C,) corners have rows `index` of (R, 3) `rows`.

    An index of -1 is a corner without a normal. None where no corner has any.
    """
    if not len(rows) or index.max(initial=-1) < 0:
        return None
    unit = unit_rows(rows)
    own = _row_of_vertex(unit, index, corner_vertex, len(positions))
    if len(own):
        return SurfaceNormals(_rows_at(unit, own))
    if index.min() < 0:
        unit = np.concatenate([unit, np.zeros((1, 3), np.float32)])
        index = np.where(index < 0, np.int32(len(unit) - 1), index)
    corner, _ = cut_polygons(positions, face_start, corner_vertex, index)
    return SurfaceNormals(unit, corner)


def checked_normals(surface: Surface) -> Surface:
    """Return the surface with only those of its file's normals that can be right, and notices.

    Looked over part by part: where more than `MOST_AGAINST` of the triangle corners have normals
    that face against their triangle, the part's normals are taken out (zero, or None for all).
    """
    normals = surface.normals
    if normals is None:
        return surface
    triangles = np.ascontiguousarray(surface.triangles).view(np.int32)
    corner = triangles if normals.corner is None else normals.corner
    tally = np.zeros((len(surface.part_names), 3), np.int64)
    _look_over(surface.positions, triangles, surface.triangle_part, normals.rows, corner, tally)
    corners, given, against = tally.T
    wrong = against > MOST_AGAINST * np.maximum(given, 1)
    without = (given == 0) & (corners > 0)
    notices = list(surface.notices)
    if wrong.any():
        worst = 100.0 * float(against[wrong].sum()) / float(given[wrong].sum())
        notices.append(
            Notice(
                "high-normals-unusable",
                f"{_place(surface)}{decimals(worst, 0)} % of the file's normals of "
                f"{_parts(surface, wrong)} face against their triangles; maps use smooth ones "
                "there.",
                "Export it again with its normals, and with its faces looking outward.",
                int(wrong.sum()),
            )
        )
    if without.any() and not (without | wrong | (corners == 0)).all():
        notices.append(
            Notice(
                "high-normals-missing",
                f"{_place(surface)}the file has no normals for {_parts(surface, without)}; maps "
                "use smooth ones there.",
                count=int(without.sum()),
            )
        )
    kept: SurfaceNormals | None = normals
    if not (given[~wrong] > 0).any():
        kept = None
    elif wrong.any():
        kept = _without_parts(normals, triangles, surface.triangle_part, wrong)
    return replace(surface, normals=kept, notices=tuple(notices))


def _place(surface: Surface) -> str:
    return f"{surface.source.name}: " if surface.source else ""


def _parts(surface: Surface, chosen: NDArray[np.bool_]) -> str:
    names = [surface.part_names[k] for k in np.flatnonzero(chosen)]
    if len(names) == len(surface.part_names):
        return "all parts" if len(names) > 1 else names[0]
    return names_words(names, _NAMED)


def _without_parts(
    normals: SurfaceNormals, triangles: Ints, part: Ints, wrong: NDArray[np.bool_]
) -> SurfaceNormals:
    """Return the normals with those of some parts made zero."""
    if normals.corner is None:
        kept = np.zeros(len(normals.rows), bool)
        kept[triangles[~wrong[part]]] = True
        return SurfaceNormals(np.where(kept[:, None], normals.rows, np.float32(0)))
    rows = np.concatenate([normals.rows, np.zeros((1, 3), np.float32)])
    none = np.int32(len(rows) - 1)
    return SurfaceNormals(rows, np.where(wrong[part][:, None], none, normals.corner))


@njit(cache=True, nogil=True)
def _all_unit(rows: NDArray[Any]) -> bool:
    for r in range(len(rows)):
        square = rows[r, 0] * rows[r, 0] + rows[r, 1] * rows[r, 1] + rows[r, 2] * rows[r, 2]
        # NaN fails the comparison too.
        if not abs(square - 1.0) <= 2 * UNIT_SLACK:
            return False
    return True


@njit(cache=True, nogil=True)
def _make_unit(rows: NDArray[Any], out: NDArray[np.float32]) -> None:
    for r in range(len(rows)):
        x, y, z = np.float64(rows[r, 0]), np.float64(rows[r, 1]), np.float64(rows[r, 2])
        length = np.sqrt(x * x + y * y + z * z)
        scale = 1.0 / length if length > 0.0 and np.isfinite(length) else 0.0
        if scale > 0.0 and np.isfinite(scale):
            out[r, 0], out[r, 1], out[r, 2] = x * scale, y * scale, z * scale
        else:
            out[r, 0] = out[r, 1] = out[r, 2] = 0.0


@njit(cache=True, nogil=True)
def _row_of_vertex(
    rows: NDArray[np.float32], index: Ints, corner_vertex: Ints, vertices: int
) -> Ints:
    """Return the (V,) row of every vertex, -1 for none; empty where a vertex has several."""
    out = np.full(vertices, -2, np.int32)
    for c in range(len(index)):
        v, row = corner_vertex[c], index[c]
        if out[v] == row:
            continue
        if out[v] == -2:
            out[v] = row
            continue
        mine = out[v]
        same = (
            row >= 0
            and mine >= 0
            and rows[row, 0] == rows[mine, 0]
            and rows[row, 1] == rows[mine, 1]
            and rows[row, 2] == rows[mine, 2]
        )
        if not same:
            return np.zeros(0, np.int32)
    return out


@njit(cache=True, nogil=True)
def _rows_at(rows: NDArray[np.float32], index: Ints) -> NDArray[np.float32]:
    out = np.zeros((len(index), 3), np.float32)
    for v in range(len(index)):
        if index[v] >= 0:
            for k in range(3):
                out[v, k] = rows[index[v], k]
    return out


@njit(cache=True, nogil=True)
def _look_over(
    positions: NDArray[Any],
    triangles: Ints,
    part: Ints,
    rows: NDArray[np.float32],
    corner: Ints,
    tally: NDArray[np.int64],
) -> None:
    """Count per part: corners of triangles with area, those with a normal, those against."""
    u, v, n = np.empty(3), np.empty(3), np.empty(3)
    for f in range(len(triangles)):
        a, b, c = triangles[f, 0], triangles[f, 1], triangles[f, 2]
        for k in range(3):
            base = np.float64(positions[a, k])
            u[k] = positions[b, k] - base
            v[k] = positions[c, k] - base
        n[0] = u[1] * v[2] - u[2] * v[1]
        n[1] = u[2] * v[0] - u[0] * v[2]
        n[2] = u[0] * v[1] - u[1] * v[0]
        if n[0] == 0.0 and n[1] == 0.0 and n[2] == 0.0:
            continue
        p = part[f]
        for k in range(3):
            row = corner[f, k]
            x, y, z = rows[row, 0], rows[row, 1], rows[row, 2]
            tally[p, 0] += 1
            if x != 0.0 or y != 0.0 or z != 0.0:
                tally[p, 1] += 1
                if n[0] * x + n[1] * y + n[2] * z < 0.0:
                    tally[p, 2] += 1
