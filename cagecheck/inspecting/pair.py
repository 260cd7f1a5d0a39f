"""The low poly against the high: parts without a partner, parts that lie elsewhere."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import InputError
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.finding import PLACES_NAMED, Finding, Place, how_many, point
from cagecheck.inspecting.high import PartMeasures
from cagecheck.meshes.alignment import check_alignment, measure_alignment
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.options import with_flags
from cagecheck.words.numbers import count_text, figures, share_text
from cagecheck.words.sentences import names_words

# How far a low part may reach beyond the box of its high parts, as a share of that box's
# diagonal, and how much of its area may do so. A cage is seldom pushed farther than this (common
# practice, no source).
BOX_MARGIN = 0.1
OUTSIDE_SHARE = 0.5


def unpaired_findings(
    low: LowPoly, surface: Surface, measures: PartMeasures, paired: NDArray[np.bool_]
) -> list[Finding]:
    """Find parts without a partner; `paired` is (low parts, high parts) bool."""
    found = []
    faces = np.bincount(low.mesh.face_part, minlength=len(low.part_names))
    lone_low = np.flatnonzero(~paired.any(axis=1) & (faces > 0))
    lone_high = np.flatnonzero(~paired.any(axis=0) & (measures.triangles > 0))
    if len(lone_low):
        boxes = [_low_box(low, int(k)) for k in lone_low[:PLACES_NAMED]]
        found.append(
            Finding(
                CHECKS["unpaired-low"],
                len(lone_low),
                f"{how_many(len(lone_low), 'parts')} of {count_text(len(low.part_names))}: "
                f"{_some(low.part_names, lone_low)}.",
                side="pair",
                places=tuple(
                    Place(part=low.part_names[k], position=point(box.mean(axis=0)))
                    for k, box in zip(lone_low, boxes, strict=False)
                ),
                by_part={low.part_names[k]: 1 for k in lone_low},
                faces=np.flatnonzero(np.isin(low.mesh.face_part, lone_low)).astype(np.int32),
            )
        )
    if len(lone_high):
        middle = 0.5 * (measures.low + measures.high)
        found.append(
            Finding(
                CHECKS["unpaired-high"],
                len(lone_high),
                f"{how_many(len(lone_high), 'parts')} of {count_text(len(surface.part_names))}: "
                f"{_some(surface.part_names, lone_high)}.",
                side="pair",
                places=tuple(
                    Place(part=surface.part_names[k], position=point(middle[k]))
                    for k in lone_high[:PLACES_NAMED]
                ),
                by_part={surface.part_names[k]: 1 for k in lone_high},
            )
        )
    return found


def alignment_finding(low: LowPoly, surface: Surface) -> Finding | None:
    """Say whether scale, axes or place of the high poly look wrong, and the flag that mends it."""
    try:
        notices = check_alignment(low.mesh, surface)
    except InputError as error:
        text, cure = error.what, with_flags(error.cure or "")
    else:
        if not notices:
            return None
        text, cure = notices[0].text, notices[0].cure
    found = measure_alignment(low.mesh, surface)
    return Finding(
        CHECKS["alignment"],
        1,
        text[:1].upper() + text[1:],
        side="pair",
        measures={
            "median_distance_in_low_diagonals": found.distance,
            "high_size_over_low_size": found.size_ratio,
            "gap_in_low_diagonals": found.gap,
            "best_scale": found.scale,
            "median_distance_after": found.corrected_distance,
        },
        own_cure=cure,
    )


def _some(names: tuple[str, ...], chosen: NDArray[np.integer[Any]]) -> str:
    return names_words([names[k] for k in chosen], PLACES_NAMED)


def _low_box(low: LowPoly, part: int) -> Floats:
    corners = low.mesh.face_part[low.mesh.corner_face] == part
    points = low.positions[low.mesh.corner_vertex[corners]]
    return np.stack([points.min(axis=0), points.max(axis=0)])


def misplaced_finding(
    low: LowPoly, measures: PartMeasures, paired: NDArray[np.bool_]
) -> Finding | None:
    """Find low parts of which more than half lies outside the box of their own high parts."""
    middle = low.positions[low.triangles].mean(axis=1)
    rows: list[tuple[float, int, float]] = []
    for k, mine in enumerate(rows_by_label(low.triangle_part, len(low.part_names))):
        partners = np.flatnonzero(paired[k] & (measures.triangles > 0))
        if len(mine) == 0 or len(partners) == 0:
            continue
        box_low = measures.low[partners].min(axis=0)
        box_high = measures.high[partners].max(axis=0)
        margin = BOX_MARGIN * float(np.linalg.norm(box_high - box_low))
        away = np.maximum(box_low - middle[mine], middle[mine] - box_high).max(axis=1)
        whole = float(low.area[mine].sum())
        share = float(low.area[mine][away > margin].sum()) / whole if whole > 0 else 0.0
        if share > OUTSIDE_SHARE:
            rows.append((share, k, float(away.max())))
    if not rows:
        return None
    rows.sort(key=lambda row: (-row[0], row[1]))
    chosen: Ints = np.array([k for _, k, _ in rows], np.int32)
    return Finding(
        CHECKS["part-misplaced"],
        len(rows),
        f"{how_many(len(rows), 'parts')} lie mostly outside the box of their high parts.",
        side="pair",
        places=tuple(
            Place(
                part=low.part_names[k],
                position=point(_low_box(low, k).mean(axis=0)),
                measure=away,
                note=f"{share_text(share)} outside, up to {figures(away)} units away",
            )
            for share, k, away in rows[:PLACES_NAMED]
        ),
        by_part={low.part_names[k]: 1 for k in chosen},
        measures={"farthest_units": max(row[2] for row in rows)},
        faces=np.flatnonzero(np.isin(low.mesh.face_part, chosen)).astype(np.int32),
    )
