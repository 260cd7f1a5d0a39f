"""Quads and larger faces: what cutting them one way or the other changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.edges import takes_part
from cagecheck.inspecting.finding import Finding, count_by_part, how_many
from cagecheck.inspecting.topology import face_places
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import triangle_normals
from cagecheck.words.numbers import as_given, figures

# Quads are told of from this change of normal on (common practice, no source): half of it either
# way is about where the two cuts can be told apart on a smooth, shiny surface.
FLAT_LIMIT_DEG = 5.0


@dataclass(frozen=True, eq=False)
class QuadCuts:
    """What the two ways to cut each quad change.

    Attributes
    ----------
    face : (Q,) int32, the quads.
    change_deg : (Q,) the largest angle between the normals that the two cuts give one point.
    gap : (Q,) distance between the two diagonals where they cross, world units: how far apart the
        two surfaces lie in the middle.
    folded : (Q,) bool, either cut makes triangles that face against each other.
    """

    face: Ints
    change_deg: Floats
    gap: Floats
    folded: NDArray[np.bool_]


def quad_cuts(low: LowPoly) -> QuadCuts:
    """Measure every quad that takes part."""
    mesh = low.mesh
    faces = np.flatnonzero((np.diff(mesh.face_start) == 4) & takes_part(low))
    corner = mesh.corner_vertex[mesh.face_start[:-1][faces][:, None] + np.arange(4)]
    p = low.positions[corner]
    patterns = ((0, 1, 2), (0, 2, 3), (0, 1, 3), (1, 2, 3))
    unit = np.stack(
        [triangle_normals(low.positions, corner[:, list(t)])[0] for t in patterns], axis=1
    )
    change = np.zeros(len(faces))
    for first in (0, 1):
        for second in (2, 3):
            angle = _angle_deg(unit[:, first], unit[:, second])
            change = np.maximum(change, angle)
    fold_first = np.einsum("ij,ij->i", unit[:, 0], unit[:, 1]) < 0
    fold_second = np.einsum("ij,ij->i", unit[:, 2], unit[:, 3]) < 0
    # A concave quad has one good cut, the other runs outside it: nothing to choose, no change.
    change = np.where(fold_first != fold_second, 0.0, change)
    d1, d2 = p[:, 2] - p[:, 0], p[:, 3] - p[:, 1]
    across = np.cross(d1, d2)
    length = np.linalg.norm(across, axis=1)
    reach = np.abs(np.einsum("ij,ij->i", p[:, 1] - p[:, 0], across))
    gap = np.divide(reach, length, out=np.zeros_like(reach), where=length > 0)
    return QuadCuts(faces.astype(np.int32), change, gap, fold_first & fold_second)


def _angle_deg(a: Floats, b: Floats) -> Floats:
    """Angle between unit rows, 0 where either is zero."""
    both = np.any(a, axis=1) & np.any(b, axis=1)
    angle = np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), np.einsum("ij,ij->i", a, b))
    out: Floats = np.where(both, np.degrees(angle), 0.0)
    return out


def polygon_findings(low: LowPoly) -> list[Finding]:
    """Find quads that are not flat or fold over, and faces with more than four corners."""
    cuts = quad_cuts(low)
    sizes = np.diff(low.mesh.face_start)
    found = [
        _non_flat(low, cuts),
        _listed(low, "folded-quads", cuts.face[cuts.folded], "whichever diagonal cuts them"),
        _listed(
            low,
            "many-sided-faces",
            np.flatnonzero((sizes > 4) & takes_part(low)),
            f"the largest with {int(sizes.max(initial=0))} corners",
        ),
    ]
    return [f for f in found if f is not None]


def _non_flat(low: LowPoly, cuts: QuadCuts) -> Finding | None:
    bent = np.flatnonzero((cuts.change_deg > FLAT_LIMIT_DEG) & ~cuts.folded)
    if len(bent) == 0:
        return None
    bent = bent[np.argsort(-cuts.change_deg[bent], kind="stable")]
    faces, change, gap = cuts.face[bent], cuts.change_deg[bent], cuts.gap[bent]
    return Finding(
        CHECKS["non-flat-quads"],
        len(faces),
        f"{how_many(len(faces), 'faces')} where the cut changes the normal by more than "
        f"{as_given(FLAT_LIMIT_DEG)} degrees: {figures(change[0], 3)} degrees at worst, the two "
        f"surfaces up to {figures(gap.max(), 3)} units apart.",
        places=face_places(low, faces, change, "degrees"),
        by_part=count_by_part(low.mesh.face_part[faces], low.part_names),
        measures={
            "worst_degrees": float(change[0]),
            "median_degrees": float(np.median(change)),
            "widest_gap_units": float(gap.max()),
            "limit_degrees": FLAT_LIMIT_DEG,
        },
        faces=np.sort(faces),
    )


def _listed(low: LowPoly, code: str, faces: NDArray[np.integer[Any]], more: str) -> Finding | None:
    if len(faces) == 0:
        return None
    return Finding(
        CHECKS[code],
        len(faces),
        f"{how_many(len(faces), 'faces')}, {more}.",
        places=face_places(low, faces),
        by_part=count_by_part(low.mesh.face_part[faces], low.part_names),
        faces=np.sort(faces).astype(np.int32),
    )
