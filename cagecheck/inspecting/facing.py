"""Do low and high poly face the same way? Where not, which of the two is inside out?

Points spread over each low part are compared with the nearest of many points on its high parts.
Where the faces oppose nearly everywhere, one of the two is inside out. Which one is told by what
each shows by itself: the volume of what is closed, what the sides of open shells see.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats, Ints
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.finding import PLACES_NAMED, Finding, Place, how_many, point
from cagecheck.inspecting.high import PartMeasures, part_ways
from cagecheck.meshes.facets import hit_normals, triangle_areas
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.words.numbers import share_text

# Points on every low part and on all of the high poly. A thin shell is told from its other skin
# where points lie closer together than it is thick.
LOW_POINTS, HIGH_POINTS = 256, 200_000
# How much of a part must oppose what lies nearest (common practice, no source): a part with a
# flipped patch stays below, double-sided cards are near a half.
OPPOSED_SHARE = 0.8
# A part's own shells tell which way it faces when that much more of its area agrees than not.
SURE = 0.5
_SEED = 20_013


@dataclass(frozen=True, eq=False)
class Opposed:
    """Low parts that face against their high parts.

    part : (N,) int32. share : (N,) how much of the part opposes.
    blame : (N,) -1 for the low poly, 1 for the high, 0 where neither shows which.
    agreeing : low parts that face as their high parts do nearly everywhere.
    """

    part: Ints
    share: Floats
    blame: NDArray[np.int8]
    agreeing: Ints


def opposed_parts(
    low: LowPoly,
    low_way: Floats,
    surface: Surface,
    measures: PartMeasures,
    paired: NDArray[np.bool_],
) -> Opposed:
    """Find the low parts that face against their high parts.

    low_way : (K,) from 1, the part's shells face out, to -1, they face in; 0 is not known.
    """
    rng = np.random.default_rng(_SEED)
    triangle, place = _spread(surface, rng)
    normal = hit_normals(surface, triangle.astype(np.int32))
    owner = surface.triangle_part[triangle]
    high_way = part_ways(measures)
    trees: dict[bytes, tuple[cKDTree, Floats]] = {}
    part, share, blame, agreeing = [], [], [], []
    for k, mine in enumerate(rows_by_label(low.triangle_part, len(low.part_names))):
        mine = mine[low.area[mine] > 0]
        key = paired[k].tobytes()
        if len(mine) == 0 or not paired[k].any():
            continue
        if key not in trees:
            rows = np.flatnonzero(paired[k][owner])
            trees[key] = cKDTree(place[rows]), normal[rows]
        tree, facing = trees[key]
        if tree.n == 0:
            continue
        pick = rng.choice(mine, LOW_POINTS, p=low.area[mine] / low.area[mine].sum())
        _, nearest = tree.query(_on_triangles(low.positions[low.triangles[pick]], rng))
        against = np.einsum("ij,ij->i", low.face_normals[pick], facing[nearest]) < 0
        if against.mean() <= 1 - OPPOSED_SHARE:
            agreeing.append(k)
        if against.mean() < OPPOSED_SHARE:
            continue
        area = measures.area[paired[k]]
        of_high = float((high_way[paired[k]] * area).sum() / area.sum()) if area.sum() > 0 else 0.0
        part.append(k)
        share.append(float(against.mean()))
        blame.append(_blame(float(low_way[k]), of_high))
    return Opposed(
        np.array(part, np.int32),
        np.array(share),
        np.array(blame, np.int8),
        np.array(agreeing, np.int32),
    )


def _blame(low_way: float, high_way: float) -> int:
    """Return -1 for the low poly, 1 for the high; they oppose, so one that is right tells."""
    if low_way <= -SURE and high_way > -SURE:
        return -1
    if high_way <= -SURE and low_way > -SURE:
        return 1
    if low_way >= SURE and high_way < SURE:
        return 1
    if high_way >= SURE and low_way < SURE:
        return -1
    return 0


def _spread(surface: Surface, rng: np.random.Generator) -> tuple[NDArray[np.int64], Floats]:
    """Return triangles drawn by area, and a point on each."""
    area = np.empty(surface.triangle_count)
    triangle_areas(surface.positions, surface.triangles, area)
    total = np.cumsum(area)
    if len(total) == 0 or not total[-1] > 0:
        return np.zeros(0, np.int64), np.zeros((0, 3))
    # One draw in each of as many equal shares: as even as can be, and in order.
    count = min(HIGH_POINTS, 8 * len(area))
    at = (np.arange(count) + rng.random(count)) / count * total[-1]
    triangle = np.minimum(np.searchsorted(total, at, side="right"), len(area) - 1)
    corners = surface.positions[surface.triangles[triangle]].astype(np.float64)
    return triangle, _on_triangles(corners, rng)


def _on_triangles(corners: Floats, rng: np.random.Generator) -> Floats:
    """Return a uniform point on each of (N, 3, 3) triangles."""
    u, v = rng.random((2, len(corners)))
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    out: Floats = corners[:, 0] + u[:, None] * (corners[:, 1] - corners[:, 0])
    return out + v[:, None] * (corners[:, 2] - corners[:, 0])


def opposed_finding(low: LowPoly, found: Opposed, told: NDArray[np.bool_]) -> Finding | None:
    """Say which parts oppose their high parts, and who is to blame.

    told : (N,) bool, of which of them that is said already.
    """
    rows = np.flatnonzero(~told)
    if len(rows) == 0:
        return None
    names = [low.part_names[k] for k in found.part[rows]]
    blame = found.blame[rows]
    sentences = [
        f"{how_many(int((blame == who).sum()), 'parts')}: {words}."
        for who, words in (
            (-1, "the low poly is inside out"),
            (1, "the high poly is inside out"),
            (0, "one of the two is inside out, and neither shows which"),
        )
        if (blame == who).any()
    ]
    cures = {
        -1: "Flip the faces of these low parts.",
        1: "Flip the faces of their high parts.",
        0: "Look which of them shows its backs, and flip its faces.",
    }
    places = []
    for k, share, who in zip(found.part[rows], found.share[rows], blame, strict=True):
        corners = low.positions[low.triangles[low.triangle_part == k]]
        where = {-1: "the low poly", 1: "the high poly", 0: "not known which"}[int(who)]
        places.append(
            Place(
                part=low.part_names[k],
                position=point(corners.reshape(-1, 3).mean(axis=0)),
                measure=float(share),
                note=f"{share_text(share)} opposed; inside out: {where}",
            )
        )
    mine = np.isin(low.mesh.face_part, found.part[rows])
    return Finding(
        CHECKS["facing-apart"],
        len(rows),
        " ".join(sentences),
        side="pair",
        places=tuple(places[:PLACES_NAMED]),
        by_part=dict.fromkeys(names, 1),
        measures={
            "parts_low_inside_out": float((blame == -1).sum()),
            "parts_high_inside_out": float((blame == 1).sum()),
        },
        own_cure=" ".join(cures[who] for who in (-1, 1, 0) if (blame == who).any()),
        faces=np.flatnonzero(mine).astype(np.int32),
    )
