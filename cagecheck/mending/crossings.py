"""Which triangles of the cloth meet which others: what a mend may end and must never begin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from trimesh.triangles import closest_point

from cagecheck.arrays.rows import same_rows
from cagecheck.arrays.types import Floats
from cagecheck.chores.clash.find import Frame
from cagecheck.chores.clash.solids import Solid, meeting_triangles
from cagecheck.mending.cloth import Cloth
from cagecheck.meshes.barycentric import barycentric_of
from cagecheck.meshes.meeting import pierced, segment_pierces

Pairs = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Crossings:
    """The (K, 2) meeting triangles of the cloth and of every other part, and of the cloth itself.

    Attributes
    ----------
    others : per part, in the order given, its pairs; the cloth's triangle first.
    own : pairs of the cloth's own triangles that are no neighbours.
    """

    others: tuple[Pairs, ...]
    own: Pairs


def cloth_solid(cloth: Cloth, positions: Floats, frame: Frame) -> Solid:
    """Return the cloth as a solid whose vertices are its places."""
    own = np.ascontiguousarray((positions - frame.origin) / frame.size)
    return Solid(own, cloth.triangles, cloth.mesh, -1, cloth.face.astype(np.int32), cloth.name)


def crossings_of(cloth: Solid, others: Sequence[Solid]) -> Crossings:
    """Find everything that the cloth meets, exactly."""
    return Crossings(
        tuple(meeting_triangles(cloth, other) for other in others), _meets_itself(cloth)
    )


def begun(before: Crossings, after: Crossings) -> Crossings:
    """Return the pairs that meet after but did not before."""
    return Crossings(
        tuple(_without(b, a) for a, b in zip(before.others, after.others, strict=True)),
        _without(after.own, before.own),
    )


def passed_through(after: Solid, before: Solid, other: Solid) -> Pairs:
    """Return (K,) the cloth's triangles that pass clean through another part on their way.

    Told by the straight ways of the cloth's corners through the part, and of the part's corners,
    seen from the cloth's nearest triangle, through the cloth.
    """
    away = after.positions - before.positions
    moving = np.flatnonzero((away != 0).any(axis=1))
    if len(moving) == 0:
        return np.zeros(0, np.int64)
    found = pierced(
        before.positions[moving], after.positions[moving], other.positions, other.triangles
    )
    hit = np.zeros(len(away), bool)
    hit[moving[found.segment]] = True
    through = np.flatnonzero(hit[before.triangles].any(axis=1))
    swept = np.concatenate([before.positions[moving], after.positions[moving]])
    low, high = swept.min(axis=0), swept.max(axis=0)
    inside = np.all((other.positions >= low) & (other.positions <= high), axis=1)
    points = other.positions[inside]
    if len(points) == 0:
        return through
    _, triangle = before.distance(points)
    corner = before.triangles[triangle]
    foot = closest_point(before.positions[corner], points)
    share = barycentric_of(foot, before.positions[corner])
    back = points - np.einsum("ij,ijk->ik", share, away[corner])
    met = pierced(points, back, before.positions, before.triangles)
    return np.unique(np.concatenate([through, met.triangle]))


def _without(pairs: Pairs, known: Pairs) -> Pairs:
    return pairs[~same_rows(pairs, known)]


def _meets_itself(cloth: Solid) -> Pairs:
    """Return the cloth's triangles that meet though they are not neighbours.

    Neighbours at one corner meet when the side opposite to it of one pierces the other; neighbours
    at an edge are left out.
    """
    pairs = meeting_triangles(cloth, cloth)
    pairs = pairs[pairs[:, 0] < pairs[:, 1]]
    one, other = cloth.triangles[pairs[:, 0]], cloth.triangles[pairs[:, 1]]
    same = one[:, :, None] == other[:, None, :]
    shared = same.sum(axis=(1, 2))
    single = np.flatnonzero(shared == 1)
    at = same[single].reshape(-1, 9).argmax(axis=1)
    pierced = np.zeros(len(single), bool)
    for mine, theirs, corner in (
        (one[single], other[single], at // 3),
        (other[single], one[single], at % 3),
    ):
        row = np.arange(len(single))
        begin = cloth.positions[mine[row, (corner + 1) % 3]]
        end = cloth.positions[mine[row, (corner + 2) % 3]]
        pierced |= segment_pierces(begin, end, cloth.positions[theirs])
    kept = shared == 0
    kept[single] = pierced
    return pairs[kept]
