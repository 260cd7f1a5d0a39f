"""Which regions of two results are the same place: one to one, one to several, or none.

Regions are the same place when most of one lies on the other. Each region joins the one that
holds most of it, so a place that fell into three is one change, not one mended and three new, and
one that touches a neighbour is not drawn into it. What is left and lies close by, as large as
before, has moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.near_points import tree_in_order
from cagecheck.arrays.types import Floats
from cagecheck.comparing.placed import PlacedRegion, nearest_facing

# A region belongs to another when more than half of it lies there: never to two others.
MOST = 0.5
# A region that moved lies no farther from its old place than twice both radii together, and is
# between half and twice as large (common practice, no source).
MOVED_RADII = 2.0
MOVED_SIZES = 2.0


@dataclass(frozen=True)
class Match:
    """Regions that are one place: rows in the old and in the new list.

    No `new` : the place is mended. No `old` : it is new. apart : found by nearness alone, no
    region lies on the other.
    """

    old: tuple[int, ...]
    new: tuple[int, ...]
    apart: bool = False


def match_regions(
    old: Sequence[PlacedRegion],
    new: Sequence[PlacedRegion],
    old_parts: Sequence[str],
    new_parts: Sequence[str],
) -> list[Match]:
    """Return every region of both lists in just one match.

    old_parts, new_parts : names of all parts. Parts that both have are compared with themselves;
    others, which were renamed, split or joined, with whatever lies there.
    """
    found: list[Match] = []
    for name in sorted({region.name for region in (*old, *new)}):
        mine = [k for k, region in enumerate(old) if region.name == name]
        theirs = [k for k, region in enumerate(new) if region.name == name]
        a, b = [old[k] for k in mine], [new[k] for k in theirs]
        pairs = _same_place(a, b, set(old_parts), set(new_parts))
        pairs = _moved(pairs, a, b, set(old_parts), set(new_parts))
        found += [
            Match(tuple(mine[k] for k in m.old), tuple(theirs[k] for k in m.new), m.apart)
            for m in pairs
        ]
    return found


def _may_pair(old: str, new: str, old_parts: set[str], new_parts: set[str]) -> bool:
    return old == new or old not in new_parts or new not in old_parts


def _same_place(
    old: list[PlacedRegion], new: list[PlacedRegion], old_parts: set[str], new_parts: set[str]
) -> list[Match]:
    n, m = len(old), len(new)
    links = [
        *_homes(old, new, old_parts, new_parts),
        *((a, b) for b, a in _homes(new, old, new_parts, old_parts)),
    ]
    ends = np.array(links, np.int64).reshape(-1, 2)
    graph = coo_array((np.ones(len(ends), np.int8), (ends[:, 0], n + ends[:, 1])), (n + m, n + m))
    count, label = connected_components(graph, directed=False)
    groups: list[tuple[list[int], list[int]]] = [([], []) for _ in range(count)]
    for k in range(n + m):
        groups[label[k]][k >= n].append(k if k < n else k - n)
    return [Match(tuple(a), tuple(b)) for a, b in groups]


def _homes(
    ones: list[PlacedRegion], others: list[PlacedRegion], parts: set[str], other_parts: set[str]
) -> list[tuple[int, int]]:
    """Return (one, other) for each region of which more than half lies on one of the others."""
    if not ones or not others:
        return []
    links = []
    for part in sorted({region.part for region in ones}):
        mine = [k for k, region in enumerate(ones) if region.part == part]
        fit = [
            k for k, region in enumerate(others) if _may_pair(part, region.part, parts, other_parts)
        ]
        if fit:
            share = _shares([ones[k] for k in mine], [others[k] for k in fit])
            best = np.asarray(share.argmax(axis=1)).ravel()
            most = np.asarray(share.max(axis=1).todense()).ravel()
            links += [(mine[k], fit[best[k]]) for k in np.flatnonzero(most > MOST)]
    return links


def _shares(ones: list[PlacedRegion], others: list[PlacedRegion]) -> csr_array:
    """Return (ones, others) which share of each lies on each of the others.

    A point lies on the nearest region that one of the two reaches to.
    """
    points, normals, reach, weight = _joined(ones)
    places, facing, their_reach, _ = _joined(others)
    tree, order = tree_in_order(places)
    facing, their_reach = facing[order], their_reach[order]
    one, other = _numbers(ones), _numbers(others)[order]
    most = float(max(reach.max(), their_reach.max())) * (1 + 1e-9)
    distance, row = nearest_facing(tree, facing, points, normals, most)
    on = (row >= 0) & (distance <= np.maximum(reach, their_reach[row]))
    shape = (len(ones), len(others))
    return csr_array(coo_array((weight[on], (one[on], other[row[on]])), shape=shape))


def _joined(regions: list[PlacedRegion]) -> tuple[Floats, Floats, Floats, Floats]:
    return (
        np.concatenate([r.points for r in regions]),
        np.concatenate([r.normals for r in regions]),
        np.concatenate([r.reach for r in regions]),
        np.concatenate([r.weight for r in regions]),
    )


def _numbers(regions: list[PlacedRegion]) -> np.ndarray:
    return np.repeat(np.arange(len(regions)), [len(r.points) for r in regions])


def _moved(
    pairs: list[Match],
    old: list[PlacedRegion],
    new: list[PlacedRegion],
    old_parts: set[str],
    new_parts: set[str],
) -> list[Match]:
    """Join what is gone with what is new close by, nearest first."""
    gone = [m.old[0] for m in pairs if not m.new]
    come = [m.new[0] for m in pairs if not m.old]
    kept = [m for m in pairs if m.old and m.new]
    rows = []
    for a in gone:
        for b in come:
            far = _nearness(old[a], new[b])
            if far is not None and _may_pair(old[a].part, new[b].part, old_parts, new_parts):
                rows.append((far, a, b))
    left, right = set(gone), set(come)
    for _, a, b in sorted(rows):
        if a in left and b in right:
            kept.append(Match((a,), (b,), apart=True))
            left.remove(a)
            right.remove(b)
    return [
        *kept,
        *(Match((a,), ()) for a in sorted(left)),
        *(Match((), (b,)) for b in sorted(right)),
    ]


def _nearness(old: PlacedRegion, new: PlacedRegion) -> float | None:
    """Return how far apart two regions lie, in their radii; None where that is no move."""
    small, large = sorted((old.area, new.area))
    if large > MOVED_SIZES * small:
        return None
    facing = float((old.weight @ old.normals) @ (new.weight @ new.normals))
    if facing < 0:
        return None
    far = float(np.linalg.norm(old.middle - new.middle)) / (old.radius + new.radius)
    return far if far <= MOVED_RADII else None
