"""How far apart two points of the low poly are, measured along it.

The shortest walk over mesh vertices and edge midpoints (every triangle joins its six nodes to one
another) bounded by a limit: Dijkstra, "A note on two problems in connexion with graphs",
Numerische Mathematik 1, 1959. It overestimates the true geodesic by a few per cent.
"""

from __future__ import annotations

import heapq
import itertools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import usable_cores
from cagecheck.arrays.types import Floats, Ints
from cagecheck.loops import njit
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.lowpoly import LowPoly

# Triangles this many times smaller than the distance asked for are points as far as the walk is
# concerned: one search from their centre serves all pairs that start in them.
DENSE_FACTOR = 4.0
PAIRS_PER_TASK = 4096


@dataclass(frozen=True, eq=False)
class SurfaceGraph:
    """The nodes (welded vertices, then edge midpoints) of a low poly's triangles.

    node : (T, 6) int32; position : (K, 3) float64; the triangles around node k are
    ``around[around_start[k]:around_start[k + 1]]``; centre and size: (T, 3) and (T,) of triangles.
    """

    node: Ints
    position: Floats
    around_start: NDArray[np.int64]
    around: Ints
    welded: Ints
    centre: Floats
    size: Floats


def surface_graph(low: LowPoly) -> SurfaceGraph:
    """Build the graph of a low poly (once)."""
    welded = low.welded.astype(np.int64)
    table = triangle_edges(welded)
    first, edge = table.first, table.edge
    corner = low.positions[low.triangles]
    vertex_position = low.places
    middle = 0.5 * (corner + np.roll(corner, -1, axis=1)).reshape(-1, 3)[first]
    node = np.concatenate([welded, low.position_count + edge.reshape(-1, 3)], axis=1)
    order = np.argsort(node.ravel(), kind="stable")
    count = np.bincount(node.ravel(), minlength=low.position_count + len(first))
    longest = np.linalg.norm(corner - np.roll(corner, -1, axis=1), axis=2)
    return SurfaceGraph(
        node=node.astype(np.int32),
        position=np.concatenate([vertex_position, middle]),
        around_start=np.concatenate([[0], np.cumsum(count)]).astype(np.int64),
        around=(order // 6).astype(np.int32),
        welded=low.welded,
        centre=corner.mean(axis=1),
        size=longest.max(axis=1, initial=0.0),
    )


def detour_ratio(
    graph: SurfaceGraph,
    triangle_p: Ints,
    p: Floats,
    triangle_q: Ints,
    q: Floats,
    limit: float,
) -> Floats:
    """Return (M,) surface distance over straight distance for M pairs of points.

    Pairs in one triangle, or in triangles that share a vertex, get 1. A ratio above `limit` comes
    out as infinity without being measured.
    """
    out = np.full(len(p), np.inf)
    touching = _touch(graph, triangle_p, triangle_q)
    out[touching] = 1.0
    todo = np.flatnonzero(~touching)
    chord = np.linalg.norm(p[todo] - q[todo], axis=1)
    dense = chord > DENSE_FACTOR * graph.size[triangle_p[todo]]
    order = np.lexsort((chord, triangle_p[todo], dense))
    todo = todo[order]
    ratio = np.full(len(todo), np.inf)
    spans = _whole_triangles(triangle_p[todo])

    def work(span: slice) -> None:
        rows = todo[span]
        _ratios(
            graph.node, graph.position, graph.around_start, graph.around, graph.centre,
            graph.size, triangle_p[rows], p[rows], triangle_q[rows], q[rows], limit, ratio[span],
        )  # fmt: skip

    with ThreadPoolExecutor(usable_cores()) as pool:
        list(pool.map(work, spans))
    out[todo] = ratio
    return out


def _touch(graph: SurfaceGraph, one: Ints, other: Ints) -> NDArray[np.bool_]:
    """Tell of M pairs of triangles which are the same or share a vertex."""
    out = np.zeros(len(one), bool)
    _touching(graph.welded, one, other, out)
    return out


def _whole_triangles(sorted_triangle: Ints) -> list[slice]:
    """Cut into tasks of about `PAIRS_PER_TASK` that do not split a triangle's pairs."""
    n = len(sorted_triangle)
    if n == 0:
        return []
    breaks = np.flatnonzero(np.diff(sorted_triangle)) + 1
    breaks = np.concatenate([[0], breaks, [n]])
    wanted = np.arange(0, n, PAIRS_PER_TASK)
    cuts = np.unique(np.concatenate([breaks[np.searchsorted(breaks, wanted)], [n]]))
    return [slice(int(a), int(b)) for a, b in itertools.pairwise(cuts)]


@njit(cache=True, nogil=True)
def _touching(welded: Ints, tp: Ints, tq: Ints, out: NDArray[np.bool_]) -> None:
    for m in range(len(tp)):
        out[m] = triangles_touch(welded, tp[m], tq[m])


@njit(cache=True, nogil=True)
def triangles_touch(welded: Ints, one: int, other: int) -> bool:
    """Tell whether two triangles are the same or share a vertex."""
    for i in range(3):
        for j in range(3):
            if welded[one, i] == welded[other, j]:
                return True
    return False


@njit(cache=True, nogil=True)
def _length(a: Floats, b: Floats) -> float:
    return np.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2)


@njit(cache=True, nogil=True)
def _ratios(
    node: Ints,
    position: Floats,
    around_start: NDArray[np.int64],
    around: Ints,
    centre: Floats,
    size: Floats,
    tp: Ints,
    p: Floats,
    tq: Ints,
    q: Floats,
    limit: float,
    out: Floats,
) -> None:
    distance = np.full(len(position), np.inf)
    touched = np.empty(len(position), np.int32)
    used = 0
    searched = -1
    for m in range(len(tp)):
        chord = _length(p[m], q[m])
        if chord == 0.0:
            out[m] = 1.0
            continue
        dense = chord > DENSE_FACTOR * size[tp[m]]
        if not (dense and searched == tp[m]):
            for k in range(used):
                distance[touched[k]] = np.inf
        if not dense:
            used = _search(
                node, position, around_start, around, tp[m], p[m], q[m], tq[m], limit * chord,
                distance, touched,
            )  # fmt: skip
            searched = -1
        elif searched != tp[m]:
            # Pairs of one triangle come sorted by chord: search once, for the longest.
            last = m
            while last + 1 < len(tp) and tp[last + 1] == tp[m]:
                last += 1
            used = _search(
                node, position, around_start, around, tp[m], centre[tp[m]], q[m], -1,
                limit * _length(p[last], q[last]), distance, touched,
            )  # fmt: skip
            searched = tp[m]
        best = np.inf
        for k in range(6):
            target = node[tq[m], k]
            best = min(best, distance[target] + _length(position[target], q[m]))
        if best <= limit * chord:
            out[m] = max(best / chord, 1.0)


@njit(cache=True, nogil=True)
def _search(
    node: Ints,
    position: Floats,
    around_start: NDArray[np.int64],
    around: Ints,
    triangle: int,
    source: Floats,
    goal: Floats,
    goal_triangle: int,
    radius: float,
    distance: Floats,
    touched: Ints,
) -> int:
    """Fill `distance` of nodes within `radius` of a point; return how many were touched.

    With a goal (a point on `goal_triangle`) only nodes on a way of at most `radius` to it are
    searched, the most promising first, until the shortest way is known (A*: Hart, Nilsson, Raphael,
    IEEE Transactions on Systems Science and Cybernetics 4(2), 1968). With -1 all nodes around are.
    """
    towards = 1.0 if goal_triangle >= 0 else 0.0
    used = 0
    heap = [(0.0, 0.0, np.int32(0))]
    heap.pop()
    for k in range(6):
        n = node[triangle, k]
        d = _length(source, position[n])
        whole = d + towards * _length(position[n], goal)
        if whole <= radius and d < distance[n]:
            if distance[n] == np.inf:
                touched[used] = n
                used += 1
            distance[n] = d
            heapq.heappush(heap, (whole, d, n))
    arrived = np.inf
    while len(heap) > 0:
        whole, d, n = heapq.heappop(heap)
        if whole >= arrived:
            break
        if d > distance[n]:
            continue
        if goal_triangle >= 0:
            for k in range(6):
                if node[goal_triangle, k] == n:
                    arrived = min(arrived, d + _length(position[n], goal))
        for a in range(around_start[n], around_start[n + 1]):
            for k in range(6):
                other = node[around[a], k]
                step = d + _length(position[n], position[other])
                if step >= distance[other]:
                    continue
                whole = step + towards * _length(position[other], goal)
                if whole <= radius:
                    if distance[other] == np.inf:
                        touched[used] = other
                        used += 1
                    distance[other] = step
                    heapq.heappush(heap, (whole, step, other))
    return used
