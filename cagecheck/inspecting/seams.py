"""Hard edges against UV seams (common practice, no source: split UVs where edges are hard)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.finding import (
    PLACES_NAMED,
    Finding,
    Place,
    count_by_part,
    how_many,
    point,
)
from cagecheck.inspecting.islands import Islands
from cagecheck.inspecting.topology import face_tile
from cagecheck.meshes.edges import next_corner
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.words.numbers import figures

# An edge is hard where the shading normals of its two sides differ by more than this at either
# end. Files keep normals to three or four decimals, which is 0.1 degrees at most.
HARD_DEG = 1.0
# From this share of all edges on, hard ones inside islands are nobody's choice: the file is shaded
# flat (common practice, no source).
FACETED_SHARE = 0.5
FACETED_CURE = (
    "Most edges are hard: the file is shaded flat, or has lost its normals. Export it with smooth "
    "normals, or have them computed (--normals hardness), and look again."
)


def normal_steps(low: LowPoly, islands: Islands) -> Floats:
    """Return (E,) degrees: the greater step of the shading normal across every inner edge."""
    left, right = islands.left, islands.right
    position = low.welded.ravel()
    normal = low.shading_normals.reshape(-1, 3)
    left_end, right_end = next_corner(left), next_corner(right)
    opposed = position[left] == position[right_end]
    meets_start = np.where(opposed, right_end, right)
    meets_end = np.where(opposed, right, right_end)
    out = np.zeros(len(left))
    for a, b in ((normal[left], normal[meets_start]), (normal[left_end], normal[meets_end])):
        sine = np.linalg.norm(np.cross(a, b), axis=1)
        out = np.maximum(out, np.degrees(np.arctan2(sine, np.einsum("ij,ij->i", a, b))))
    return out


def seam_findings(low: LowPoly, islands: Islands) -> list[Finding]:
    """Find hard edges without a UV split, and UV seams inside smooth areas."""
    step = normal_steps(low, islands)
    has_uv = (islands.of_triangle[islands.left // 3] >= 0) & (
        islands.of_triangle[islands.right // 3] >= 0
    )
    # Edges wound against each other have a check of their own.
    position = low.welded.ravel()
    sound = position[islands.left] == position[next_corner(islands.right)]
    hard = step > HARD_DEG
    inside = hard & ~islands.is_seam
    faceted = bool(sound.any()) and float(inside[sound].mean()) >= FACETED_SHARE
    cure = FACETED_CURE if faceted else ""
    found = [
        _finding(
            low, islands, "hard-edge-no-split", has_uv & sound & hard & ~islands.is_seam, step, cure
        ),
        _finding(low, islands, "seam-in-smooth", has_uv & sound & ~hard & islands.is_seam, None),
    ]
    return [f for f in found if f is not None]


def _finding(
    low: LowPoly,
    islands: Islands,
    code: str,
    wanted: NDArray[np.bool_],
    step: Floats | None,
    own_cure: str = "",
) -> Finding | None:
    edges = np.flatnonzero(wanted)
    if len(edges) == 0:
        return None
    left, right = islands.left[edges], islands.right[edges]
    vertex = low.triangles.ravel()
    start, end = low.positions[vertex[left]], low.positions[vertex[next_corner(left)]]
    length = np.linalg.norm(end - start, axis=1)
    worth = length if step is None else step[edges]
    faces = low.cut.face[np.stack([left, right], axis=1) // 3]
    places = tuple(
        Place(
            part=low.part_names[low.triangle_part[left[k] // 3]],
            faces=(int(faces[k, 0]), int(faces[k, 1])),
            position=point(0.5 * (start[k] + end[k])),
            tile=face_tile(low, int(faces[k, 0])),
            measure=float(worth[k]),
            note="" if step is None else f"normals {figures(worth[k], 3)} degrees apart",
        )
        for k in np.lexsort((-length, -worth))[:PLACES_NAMED]
    )
    measures = {"length_units": float(length.sum())}
    if step is not None:
        measures["greatest_step_degrees"] = float(worth.max())
    return Finding(
        CHECKS[code],
        len(edges),
        f"{how_many(len(edges), 'edges')}, {figures(length.sum())} units long together. "
        f"Normals: {low.normal_rule.describe()}.",
        places=places,
        by_part=count_by_part(low.triangle_part[left // 3], low.part_names),
        measures=measures,
        own_cure=own_cure,
        faces=np.unique(faces).astype(np.int32),
    )
