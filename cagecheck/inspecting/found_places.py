"""Where the findings lie on the model: connected places, numbered in the order to see to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.components import connected
from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.spread import spread
from cagecheck.arrays.types import Floats
from cagecheck.inspecting.finding import Finding, Place
from cagecheck.inspecting.inspection import Inspection
from cagecheck.meshes.normals import equal_positions, normalised

# Places that one finding has on one part; the smaller ones are one place together.
PLACES_PER_PART = 12
# Points that a place is looked at, and drawn as dots, by.
POINTS = 300
# In these units a finding counts whole parts, which are one place each.
_WHOLE = frozenset({"parts", "meshes"})


@dataclass(frozen=True, eq=False)
class FoundPlace:
    """One place of a finding.

    Attributes
    ----------
    finding : its number among the inspection's; part : the name of the low or high part.
    on_low : whether it lies on the low poly.
    triangles : (n,) int64 of the low poly, or of the high poly; empty for what has no area.
    points, normals : (m, 3), a few points of it and the unit normals there.
    faces : how many faces (high poly: triangles) are concerned there.
    told : the place that the finding names here, None where it names none.
    """

    finding: int
    part: str
    on_low: bool
    triangles: NDArray[np.int64]
    points: Floats
    normals: Floats
    faces: int
    told: Place | None


def found_places(inspection: Inspection) -> list[FoundPlace]:
    """Return the places of all findings that have any: finding by finding, part by part.

    Places come as the finding names them, the worst first, then the largest.
    """
    sites = equal_positions(inspection.low.positions)
    out: list[FoundPlace] = []
    for number, finding in enumerate(inspection.findings):
        if finding.side != "high":
            out += _on_low(inspection, number, finding, sites)
        if inspection.surface is not None and finding.side != "low":
            out += _on_high(inspection, number, finding)
    return out


def _on_low(
    inspection: Inspection, number: int, finding: Finding, sites: NDArray[np.int64]
) -> list[FoundPlace]:
    low = inspection.low
    names = low.part_names
    marked = np.zeros(low.mesh.face_count, bool)
    marked[finding.faces] = True
    if len(finding.faces) == 0:
        concerned = [k for k, name in enumerate(names) if name in finding.by_part]
        marked |= np.isin(low.mesh.face_part, concerned)
    mine = np.flatnonzero(marked[low.cut.face])
    of_part = rows_by_label(low.triangle_part[mine], len(names))
    out = []
    for part in _parts_in_order(finding, names):
        triangles = mine[of_part[part]]
        told = [p for p in finding.places if p.part == names[part]]
        if len(triangles) == 0:
            out += [_without_area(number, p) for p in told if p.position is not None]
        elif finding.check.unit in _WHOLE:
            first = told[0] if told else None
            out.append(_low_place(inspection, number, part, triangles, first))
        else:
            for patch, place in _patches(inspection, triangles, told, sites):
                out.append(_low_place(inspection, number, part, patch, place))
    return out


def _parts_in_order(finding: Finding, names: Sequence[str]) -> list[int]:
    """Return the numbers of the parts concerned: those of the worst places, then by how many."""
    order = {name: k for k, name in enumerate(names)}
    worst = [p.part for p in finding.places if p.part in order]
    rest = sorted(finding.by_part, key=lambda name: (-finding.by_part[name], order.get(name, 0)))
    return [order[name] for name in dict.fromkeys([*worst, *rest]) if name in order]


def _low_place(
    inspection: Inspection, number: int, part: int, triangles: NDArray[np.int64], told: Place | None
) -> FoundPlace:
    low = inspection.low
    few = spread(triangles, POINTS)
    return FoundPlace(
        finding=number,
        part=low.part_names[part],
        on_low=True,
        triangles=triangles,
        points=low.positions[low.triangles[few]].mean(axis=1),
        normals=normalised(low.face_normals[few]),
        faces=len(np.unique(low.cut.face[triangles])),
        told=told,
    )


def _without_area(number: int, told: Place) -> FoundPlace:
    """Return a place whose faces are set aside: nothing but a point can be shown."""
    position = np.array([told.position], np.float64)
    up = np.array([[0.0, 1.0, 0.0]])
    none = np.zeros(0, np.int64)
    return FoundPlace(number, told.part or "", True, none, position, up, len(told.faces), told)


def _patches(
    inspection: Inspection,
    triangles: NDArray[np.int64],
    told: list[Place],
    sites: NDArray[np.int64],
) -> list[tuple[NDArray[np.int64], Place | None]]:
    """Part triangles into those that hang together, named places first, then by area."""
    low = inspection.low
    corner = sites[low.triangles[triangles]]
    _, at = np.unique(corner, return_inverse=True)
    own = np.repeat(np.arange(len(triangles)), 3)
    count, group = connected(
        len(triangles) + int(at.max()) + 1, own, len(triangles) + at.reshape(-1)
    )
    _, patch = np.unique(group[: len(triangles)], return_inverse=True)
    count = int(patch.max()) + 1
    area = np.bincount(patch, weights=low.area[triangles], minlength=count)
    face = low.cut.face[triangles]
    named: dict[int, Place] = {}
    for place in told:
        for k in np.unique(patch[np.isin(face, place.faces)]):
            named.setdefault(int(k), place)
    rest = [int(k) for k in np.argsort(-area, kind="stable") if int(k) not in named]
    order = [*named, *rest]
    members = rows_by_label(patch, count)
    out = [(triangles[members[k]], named.get(k)) for k in order[:PLACES_PER_PART]]
    if len(order) > PLACES_PER_PART:
        last = np.concatenate([members[k] for k in order[PLACES_PER_PART - 1 :]])
        out[-1] = triangles[np.sort(last)], out[-1][1]
    return out


def _on_high(inspection: Inspection, number: int, finding: Finding) -> list[FoundPlace]:
    surface = inspection.surface
    assert surface is not None
    names = surface.part_names
    if finding.side == "pair":
        # Faces of such a finding are the low poly's; of the high poly it names whole parts.
        concerned = [k for k, name in enumerate(names) if name in finding.by_part]
        if len(finding.faces):
            return []
        triangles = np.flatnonzero(np.isin(surface.triangle_part, concerned))
    else:
        triangles = finding.faces.astype(np.int64)
    out = []
    of_part = rows_by_label(surface.triangle_part[triangles], len(names))
    for part in _parts_in_order(finding, names):
        mine = triangles[of_part[part]]
        if len(mine) == 0:
            continue
        few = spread(mine, POINTS)
        corners = surface.positions[surface.triangles[few]].astype(np.float64)
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        told = next((p for p in finding.places if p.part == names[part]), None)
        out.append(
            FoundPlace(
                finding=number,
                part=names[part],
                on_low=False,
                triangles=mine,
                points=corners.mean(axis=1),
                normals=normalised(normal),
                faces=len(mine),
                told=told,
            )
        )
    return out
