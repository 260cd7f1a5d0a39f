"""Cages whose offsets rise steadily: how steep they are, where they spike, and whether that pays.

A spike is a place where neighbouring offsets differ by more than a share of the edge between them.
Two steady fields lie beside it: the one below, which gives up what the spike reaches for, and the
one above, which lifts its neighbours with it,

    below(v) = min over u of d(u) + slope |uv|,    above(v) = max over u of d(u) - slope |uv|,

with lengths along edges: the largest field of that slope below the offsets and the least above
them. All three are cast, and each place gets the one that shows least; a spike has to show less
than both by a share that pays for it, or it goes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.types import Floats
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage, Directions, cage_from_push
from cagecheck.tuning.corridors import Graph
from cagecheck.tuning.measure import Measure

Mask = NDArray[np.bool_]

# A spike rises by more than half the edge, 27 degrees (common practice, no source).
SPIKE_SLOPE = 0.5
# The curve of harm over smoothness: from a rise as long as the edge down to a tenth of it.
CURVE_SLOPES = (1.0, 0.5, 0.25, 0.1)
# A spike pays where it shows this much less than the steady cages beside it (common practice, no
# source: what the points compared can tell).
PAYS = 0.01
# Offsets closer than this share of the largest are the same.
_SAME = 1e-9


@dataclass(frozen=True)
class Steadiness:
    """How steadily the offsets of a cage rise.

    Attributes
    ----------
    steepest : float
        The largest rise along an edge, against its length.
    steepest_at : tuple[float, float, float]
        The middle of that edge, world space.
    spike : float
        The largest offset against the median of its neighbours'.
    spike_at : tuple[float, float, float]
        Where, world space.
    steep_edges : int
        Edges along which offsets rise by more than `SPIKE_SLOPE`.
    """

    steepest: float
    steepest_at: tuple[float, float, float]
    spike: float
    spike_at: tuple[float, float, float]
    steep_edges: int


@dataclass(frozen=True)
class SmoothPoint:
    """One point of the curve of harm over smoothness.

    Attributes
    ----------
    slope : float
        No offset rises by more than this along an edge, against its length.
    harm : float
        What will be seen then.
    largest : float
        The largest offset then, world units.
    """

    slope: float
    harm: float
    largest: float


def slopes(graph: Graph, offsets: Floats) -> Floats:
    """Return (E,) how much offsets differ along every edge, against its length."""
    rise = np.abs(offsets[graph.edges[:, 0]] - offsets[graph.edges[:, 1]])
    out: Floats = np.divide(rise, graph.length, out=np.zeros_like(rise), where=graph.length > 0)
    return out


def ring_medians(graph: Graph, offsets: Floats) -> Floats:
    """Return (P,) the median of the neighbours' offsets, NaN where there are none."""
    owner = np.concatenate([graph.edges[:, 0], graph.edges[:, 1]])
    value = offsets[np.concatenate([graph.edges[:, 1], graph.edges[:, 0]])]
    order = np.lexsort((value, owner))
    value, count = value[order], np.bincount(owner, minlength=len(offsets))
    first = np.concatenate([[0], np.cumsum(count)])[:-1]
    out = np.full(len(offsets), np.nan)
    has = count > 0
    low, high = first[has] + (count[has] - 1) // 2, first[has] + count[has] // 2
    out[has] = 0.5 * (value[low] + value[high])
    return out


def steadiness(low: LowPoly, graph: Graph, offsets: Floats, least: float) -> Steadiness:
    """Say how steadily offsets (P,) rise; those below `least` are no spike of anything."""
    place = np.zeros((low.position_count, 3))
    place[low.welded.ravel()] = low.positions[low.triangles.ravel()]
    slope = slopes(graph, offsets)
    against = np.where(
        offsets > least, offsets / np.maximum(ring_medians(graph, offsets), least), 0
    )
    against = np.nan_to_num(against)
    steep = int(np.argmax(slope)) if len(slope) else -1
    spike = int(np.argmax(against))
    middle = place[graph.edges[steep]].mean(axis=0) if steep >= 0 else np.zeros(3)
    return Steadiness(
        steepest=float(slope[steep]) if steep >= 0 else 0.0,
        steepest_at=_triple(middle),
        spike=float(against[spike]),
        spike_at=_triple(place[spike]),
        steep_edges=int((slope > SPIKE_SLOPE * (1 + _SAME)).sum()),
    )


def _triple(place: Floats) -> tuple[float, float, float]:
    return float(place[0]), float(place[1]), float(place[2])


def steady_below(graph: Graph, offsets: Floats, slope: float, held: Mask) -> Floats:
    """Return (P,) the largest field of no more than a slope below the offsets.

    Held offsets stay, though others give way to them.
    """
    out = offsets.copy()
    a, b = graph.edges[:, 0], graph.edges[:, 1]
    rise = slope * graph.length
    while True:
        before = out.copy()
        np.minimum.at(out, a, before[b] + rise)
        np.minimum.at(out, b, before[a] + rise)
        out[held] = offsets[held]
        if np.array_equal(out, before):
            return out


def steady_above(graph: Graph, offsets: Floats, slope: float, held: Mask) -> Floats:
    """Return (P,) the least field of no more than a slope above the offsets."""
    return -steady_below(graph, -offsets, slope, held)


def steadied(
    low: LowPoly,
    graph: Graph,
    offsets: Floats,
    slope: float,
    held: Mask,
    measure: Measure,
    directions: Directions,
    *,
    forced: bool = False,
) -> Floats:
    """Return (P,) offsets without the spikes that do not pay.

    forced : none stays, whatever it buys.
    """
    below = steady_below(graph, offsets, slope, held)
    above = steady_above(graph, offsets, slope, held)
    same = _SAME * float(offsets.max(initial=0.0))
    changed = (np.abs(below - offsets) > same) | (np.abs(above - offsets) > same)
    if not changed.any():
        return offsets
    label = _places(low, changed)
    place = label[low.welded].max(axis=1)[measure.points.triangle]
    rows = np.flatnonzero(place >= 0)
    count = int(label.max()) + 1
    harms: list[Floats] = []
    for field in (below, above, offsets):
        cage = cage_of(low, field, directions)
        harm = measure.harm(cage, rows)
        harms.append(np.asarray(np.bincount(place[rows], harm, count), np.float64))
    # Ties go to the first: a spike that buys little goes, and less is better than more.
    harms[2] = (1 + PAYS) * harms[2]
    chosen = np.argmin(np.stack(harms[:2] if forced else harms), axis=0)
    of_position = np.where(label >= 0, chosen[np.maximum(label, 0)], 2)
    return np.where(of_position == 0, below, np.where(of_position == 1, above, offsets))


def less_seen(
    low: LowPoly,
    offsets: Floats,
    other: Floats,
    measure: Measure,
    directions: Directions,
    harm: Floats,
) -> Floats | None:
    """Return offsets with another field taken over place by place where that shows less.

    harm : (N,) what the points show under `offsets`. None where no place shows less.
    """
    same = _SAME * float(offsets.max(initial=0.0))
    changed = np.abs(other - offsets) > same
    if not changed.any():
        return None
    label = _places(low, changed)
    place = label[low.welded].max(axis=1)[measure.points.triangle]
    rows = np.flatnonzero(place >= 0)
    count = int(label.max()) + 1
    new = measure.harm(cage_of(low, other, directions), rows)
    better = np.bincount(place[rows], new, count) < np.bincount(place[rows], harm[rows], count)
    if not better.any():
        return None
    return np.where((label >= 0) & better[np.maximum(label, 0)], other, offsets)


def smooth_curve(
    low: LowPoly,
    graph: Graph,
    offsets: Floats,
    held: Mask,
    measure: Measure,
    directions: Directions,
) -> tuple[SmoothPoint, ...]:
    """Return the harm of ever steadier cages; the first is the cage as it is."""
    steepest = float(slopes(graph, offsets).max(initial=0.0))
    out = []
    for slope in (steepest, *(s for s in CURVE_SLOPES if s < steepest * (1 - _SAME))):
        field = offsets
        if slope < steepest:
            field = steadied(low, graph, offsets, slope, held, measure, directions, forced=True)
        harm = float(measure.harm(cage_of(low, field, directions)).sum())
        out.append(SmoothPoint(slope, harm, float(field.max(initial=0.0))))
    return tuple(out)


def cage_of(low: LowPoly, offsets: Floats, directions: Directions) -> Cage:
    """Return the cage of offsets (P,) per position."""
    return cage_from_push(low, offsets[low.position_id], directions)


def _places(low: LowPoly, changed: Mask) -> NDArray[np.int64]:
    """Return (P,) the number of the place that a changed position is in, -1 for the others.

    Changed corners of one triangle are in one place, so no triangle feels two.
    """
    count = low.position_count
    corner = low.welded
    ends = []
    for a, b in ((0, 1), (1, 2), (2, 0)):
        both = changed[corner[:, a]] & changed[corner[:, b]]
        ends.append(corner[both][:, [a, b]])
    pairs = np.concatenate(ends)
    graph = coo_array((np.ones(len(pairs), np.int8), (pairs[:, 0], pairs[:, 1])), (count, count))
    _, component = connected_components(graph.tocsr(), directed=False)
    label = np.full(count, -1, np.int64)
    _, label[changed] = np.unique(component[changed], return_inverse=True)
    return label
