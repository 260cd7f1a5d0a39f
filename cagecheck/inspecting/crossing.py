"""Parts that run through each other, exactly: every edge of one against the triangles of the other.

Two triangles that cross, and do not lie in one plane, have an edge of one that pierces the other,
so trying the edges of both parts (`cagecheck.meshes.meeting`) finds every crossing.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import igl
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.blocks import usable_cores
from cagecheck.arrays.types import Floats, Ints
from cagecheck.inspecting.checks import CHECKS
from cagecheck.inspecting.finding import PLACES_NAMED, Finding, Place, Side, how_many, point
from cagecheck.inspecting.high import PartMeasures, measure_parts
from cagecheck.loops import njit
from cagecheck.meshes.edges import edge_table
from cagecheck.meshes.meeting import pierced
from cagecheck.meshes.mesh import Surface
from cagecheck.progress import Progress, silent
from cagecheck.words.numbers import figures, share_text

# An edge must reach this share of the meshes' diagonal through a triangle, and away from the
# surface behind it: about the sixth digit, where files round. Parts that only touch do not cross.
TOUCH = 1e-5
# Cells along the longest side of the box that two parts share, to set aside triangles that have
# none of the other part near: 16 MB of marks.
CELLS = 256
# Edges cast per pair and side; of more, evenly spaced ones are cast and the finding says so.
EDGE_LIMIT = 2_000_000


@dataclass(frozen=True, eq=False)
class Crossing:
    """Two parts that run through each other.

    Attributes
    ----------
    parts : numbers of both parts, ascending.
    places : (N, 3) where an edge of one pierces a triangle of the other.
    triangles : (M,) int64, the triangles of both that are pierced or whose edges pierce.
    edges_cast : share of the edges near both parts that were cast, 1 for all.
    """

    parts: tuple[int, int]
    places: Floats
    triangles: NDArray[np.int64]
    edges_cast: float

    @property
    def extent(self) -> float:
        """Length of the diagonal of the box around all places, world units."""
        return float(np.linalg.norm(np.ptp(self.places, axis=0)))


def pair_groups(paired: NDArray[np.bool_]) -> tuple[Ints, Ints]:
    """Number the low and the high parts so that those baked together share a number.

    `paired` is (low parts, high parts) bool.
    """
    low_count, high_count = paired.shape
    low, high = np.nonzero(paired)
    size = low_count + high_count
    graph = coo_array((np.ones(len(low), np.int8), (low, low_count + high)), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    return label[:low_count].astype(np.int32), label[low_count:].astype(np.int32)


def crossing_parts(
    surface: Surface,
    group: Ints,
    *,
    measures: PartMeasures | None = None,
    threads: int | None = None,
    progress: Progress = silent,
) -> list[Crossing]:
    """Find the parts of different groups that run through each other, most places first.

    `group` is (K,), a number per part; parts with one number are never compared.
    `measures` is what `measure_parts` says of the surface, if it is known already.
    """
    parts = _Parts(surface, measures or measure_parts(surface))
    hits = []
    progress("parts through each other", 0, len(group))
    share = np.ones(len(group))

    def work(k: int) -> _Hits | None:
        return _hits_of(surface, parts, group, k)

    with ThreadPoolExecutor(threads or usable_cores()) as pool:
        for k, hit in enumerate(pool.map(work, range(len(group)))):
            if hit is not None:
                hits.append(hit)
                share[k] = hit.share
            progress("parts through each other", k + 1, len(group))
    found = _by_pair(surface, hits, share)
    return sorted(found, key=lambda c: (-len(c.places), c.parts))


@dataclass(frozen=True, eq=False)
class _Hits:
    """Where the edges of one part pierce others: places, the triangle of each, share cast."""

    place: Floats
    owner: NDArray[np.int64]
    target: NDArray[np.int64]
    share: float


def _by_pair(surface: Surface, hits: list[_Hits], share: Floats) -> list[Crossing]:
    if not any(len(h.place) for h in hits):
        return []
    place = np.concatenate([h.place for h in hits])
    ends = np.concatenate([np.stack([h.owner, h.target], axis=1) for h in hits])
    pair = np.sort(surface.triangle_part[ends].astype(np.int64), axis=1)
    key = pair[:, 0] * len(share) + pair[:, 1]
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.diff(key[order], prepend=-1))
    found = []
    for rows in np.split(order, starts[1:]):
        first, second = (int(k) for k in pair[rows[0]])
        cast = float(min(share[first], share[second]))
        found.append(Crossing((first, second), place[rows], np.unique(ends[rows]), cast))
    return found


class _Parts:
    """The triangles of every part, and its box."""

    def __init__(self, surface: Surface, measures: PartMeasures) -> None:
        part = surface.triangle_part
        count = len(surface.part_names)
        in_order = bool(np.all(part[1:] >= part[:-1]))
        self._order = None if in_order else np.argsort(part, kind="stable")
        ordered = part if self._order is None else part[self._order]
        self._start = np.searchsorted(ordered, np.arange(count + 1))
        self.low, self.high = measures.low, measures.high
        self.diagonal = 0.0
        if np.isfinite(self.low).any():
            span = np.nanmax(self.high, axis=0) - np.nanmin(self.low, axis=0)
            self.diagonal = float(np.linalg.norm(span))

    def triangles(self, part: int) -> NDArray[np.int64]:
        span = np.arange(self._start[part], self._start[part + 1])
        return span if self._order is None else self._order[span]

    def partners(self, group: Ints, part: int) -> NDArray[np.int64]:
        """Return the parts of other groups whose boxes meet this part's."""
        with np.errstate(invalid="ignore"):
            meets = np.all((self.low <= self.high[part]) & (self.high >= self.low[part]), axis=1)
        return np.flatnonzero(meets & (group != group[part]))


def _hits_of(surface: Surface, parts: _Parts, group: Ints, part: int) -> _Hits | None:
    """Try the edges of one part at all parts near it that it is not baked together with."""
    low, high = parts.low[part], parts.high[part]
    arrays = surface.positions, surface.triangles
    near = [_near(*arrays, parts.triangles(int(k)), low, high) for k in parts.partners(group, part)]
    if not any(len(n) for n in near):
        return None
    targets = np.concatenate(near)
    mine, targets = _in_shared_cells(surface, parts.triangles(part), targets, low, high)
    if len(mine) == 0 or len(targets) == 0:
        return None
    return _pierced(surface, mine, targets, TOUCH * parts.diagonal)


@njit(cache=True, nogil=True)
def _near(positions, triangles, chosen, low, high):  # type: ignore[no-untyped-def]
    """Keep the chosen triangles whose box meets the box `low` to `high`."""
    keep = np.ones(len(chosen), np.bool_)
    for n in range(len(chosen)):
        corners = triangles[chosen[n]]
        for x in range(3):
            p = np.float64(positions[corners[0], x])
            q = np.float64(positions[corners[1], x])
            r = np.float64(positions[corners[2], x])
            if max(p, q, r) < low[x] or min(p, q, r) > high[x]:
                keep[n] = False
                break
    return chosen[keep]


def _in_shared_cells(
    surface: Surface, a: NDArray[np.int64], b: NDArray[np.int64], low: Floats, high: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Keep the triangles of each set whose boxes reach into a cell that the other set reaches."""
    cell = max(float((high - low).max()) / CELLS, np.finfo(np.float64).tiny)
    shape = np.minimum((high - low) / cell + 1, CELLS).astype(np.int64)
    sets = []
    for mine, other in ((a, b), (b, a)):
        marked = np.zeros(shape, np.bool_)
        args = surface.positions, surface.triangles
        _mark(*args, other, low, cell, marked)
        sets.append(mine[_reaches(*args, mine, low, cell, marked)])
    return sets[0], sets[1]


@njit(cache=True, nogil=True)
def _cells_of(positions, corners, low, cell, shape, first, last):  # type: ignore[no-untyped-def]
    for x in range(3):
        least, most = np.inf, -np.inf
        for k in range(3):
            value = (np.float64(positions[corners[k], x]) - low[x]) / cell
            least, most = min(least, value), max(most, value)
        # A little wider, so that rounding never parts two triangles that meet on a cell's side.
        first[x] = min(max(int(np.floor(least - 1e-3)), 0), shape[x] - 1)
        last[x] = min(max(int(np.floor(most + 1e-3)), 0), shape[x] - 1)


@njit(cache=True, nogil=True)
def _mark(positions, triangles, chosen, low, cell, marked):  # type: ignore[no-untyped-def]
    first, last = np.zeros(3, np.int64), np.zeros(3, np.int64)
    for t in chosen:
        _cells_of(positions, triangles[t], low, cell, marked.shape, first, last)
        for i in range(first[0], last[0] + 1):
            for j in range(first[1], last[1] + 1):
                for k in range(first[2], last[2] + 1):
                    marked[i, j, k] = True


@njit(cache=True, nogil=True)
def _reaches(positions, triangles, chosen, low, cell, marked):  # type: ignore[no-untyped-def]
    out = np.zeros(len(chosen), np.bool_)
    first, last = np.zeros(3, np.int64), np.zeros(3, np.int64)
    for n in range(len(chosen)):
        _cells_of(positions, triangles[chosen[n]], low, cell, marked.shape, first, last)
        out[n] = np.any(
            marked[first[0] : last[0] + 1, first[1] : last[1] + 1, first[2] : last[2] + 1]
        )
    return out


def _pierced(
    surface: Surface,
    edges_of: NDArray[np.int64],
    targets: NDArray[np.int64],
    touch: float,
) -> _Hits:
    """Try the edges of one set of triangles on another set."""
    start, end, owner, share = _edges(surface, edges_of)
    used, local = np.unique(surface.triangles[targets], return_inverse=True)
    # Among themselves the coordinates are small: relative to one of the corners.
    base = surface.positions[used[0]].astype(np.float64)
    near = Surface(
        surface.positions[used].astype(np.float64) - base,
        local.reshape(-1, 3).astype(np.int32),
        surface.triangle_part[targets],
    )
    p = surface.positions[start].astype(np.float64) - base
    q = surface.positions[end].astype(np.float64) - base
    length = np.linalg.norm(q - p, axis=1)
    found = pierced(p, q, np.asarray(near.positions, np.float64), near.triangles)
    ray, face, t = found.segment, found.triangle, found.share * length[found.segment]
    corners = near.positions[near.triangles[face]]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, size, out=np.zeros_like(normal), where=size > 0)
    before = np.einsum("ij,ij->i", p[ray] - corners[:, 0], normal)
    after = np.einsum("ij,ij->i", q[ray] - corners[:, 0], normal)
    through = np.minimum(np.abs(before), np.abs(after)) > touch
    behind = _middle_behind(ray, t, found.front, near.triangle_part[face], length)[through]
    ray, face, t = ray[through], face[through], t[through]
    unit = (q - p)[ray] / length[ray][:, None]
    deep = _farther_than(touch, near, face, p[ray] + behind[:, None] * unit)
    ray, face, t, unit = ray[deep], face[deep], t[deep], unit[deep]
    place = p[ray] + t[:, None] * unit
    inner = ~_on_border(near, face, place, touch)
    return _Hits(place[inner] + base, owner[ray[inner]], targets[face[inner]], share)


def _middle_behind(
    ray: NDArray[np.int64], t: Floats, front: NDArray[np.bool_], part: Ints, length: Floats
) -> Floats:
    """Return (L,) the t half way to the part's next crossing on each triangle's back side.

    An edge that slides along the surface it meets (parts standing on each other) has that point
    on the surface too; one that goes through has it inside.
    """
    out = np.zeros(len(t))
    if len(out) == 0:
        return out
    order = np.lexsort((t, part, ray))
    t, ray, front, part = t[order], ray[order], front[order], part[order]
    same = (ray[1:] == ray[:-1]) & (part[1:] == part[:-1])
    onward = np.append(np.where(same, t[1:], length[ray[:-1]]), length[ray[-1]])
    back = np.insert(np.where(same, t[:-1], 0.0), 0, 0.0)
    # A front that faces along the ray has its back towards the ray's start.
    out[order] = 0.5 * (t + np.where(front, back, onward))
    return out


def _on_border(near: Surface, face: Ints, points: Floats, touch: float) -> NDArray[np.bool_]:
    """Say which points (N, 3) in the triangles `face` lie on open borders of their part.

    An edge that meets the rim of a sheet touches it; it does not go through.
    """
    out = np.zeros(len(face), bool)
    a = near.positions[near.triangles[face]]
    along = np.roll(a, -1, axis=1) - a
    squared = np.maximum((along**2).sum(axis=2), np.finfo(float).tiny)
    offset = points[:, None] - a
    share = np.clip((offset * along).sum(axis=2) / squared, 0, 1)
    away = np.linalg.norm(offset - share[..., None] * along, axis=2)
    row, side = np.nonzero(away <= touch)
    if len(row) == 0:
        return out
    # Edges by place: vertices that are split at seams are one.
    _, place = np.unique(near.positions + 0.0, axis=0, return_inverse=True)
    corner = place.reshape(-1)[near.triangles].astype(np.int64)
    ends = np.sort(np.stack([corner, np.roll(corner, -1, axis=1)], axis=2), axis=2)
    key = ends[..., 0] * len(near.positions) + ends[..., 1]
    part = near.triangle_part[:, None].astype(np.int64) * len(near.positions) ** 2
    _, edge, uses = np.unique(key + part, return_inverse=True, return_counts=True)
    # A corner lies on two sides; one that is open is enough.
    out[row[(uses[edge.reshape(-1, 3)] == 1)[face[row], side]]] = True
    return out


def _farther_than(distance: float, near: Surface, face: Ints, points: Floats) -> NDArray[np.bool_]:
    """Say which points lie farther than `distance` from the part that their face belongs to."""
    out = np.zeros(len(points), bool)
    part = near.triangle_part[face]
    for k in np.unique(part):
        mine = part == k
        squared = igl.point_mesh_squared_distance(
            np.ascontiguousarray(points[mine]),
            np.ascontiguousarray(near.positions, dtype=np.float64),
            np.ascontiguousarray(near.triangles[near.triangle_part == k], dtype=np.int64),
        )[0]
        out[mine] = squared > distance**2
    return out


def _edges(
    surface: Surface, triangles: NDArray[np.int64]
) -> tuple[NDArray[Any], NDArray[Any], NDArray[np.int64], float]:
    """Return each edge once: its two vertices, a triangle that has it, and the share kept."""
    corners = surface.triangles[triangles].astype(np.int64)
    a, b = corners.ravel(), np.roll(corners, -1, axis=1).ravel()
    first = np.sort(edge_table(a, b).first)
    step = -(-len(first) // EDGE_LIMIT)
    kept = first[::step]
    return a[kept], b[kept], triangles[kept // 3], len(kept) / max(len(first), 1)


def crossing_finding(
    surface: Surface, crossings: list[Crossing], side: Side, face_of: Ints | None = None
) -> Finding | None:
    """Say which parts run through each other.

    `face_of` maps triangles to the faces to name; triangles themselves by default.
    """
    if not crossings:
        return None
    names = surface.part_names
    places = []
    for c in crossings[:PLACES_NAMED]:
        middle = c.places.mean(axis=0)
        nearest = c.places[np.argmin(np.linalg.norm(c.places - middle, axis=1))]
        own = c.triangles[surface.triangle_part[c.triangles] == c.parts[0]]
        faces = own if face_of is None else face_of[own]
        note = f"through {names[c.parts[1]]}, {how_many(len(c.places), 'edges')} pierced"
        if c.edges_cast < 1:
            note += f" ({share_text(c.edges_cast)} of the edges were tried)"
        places.append(
            Place(
                part=names[c.parts[0]],
                faces=tuple(int(f) for f in np.unique(faces)[:4]),
                position=point(nearest),
                measure=c.extent,
                note=note,
            )
        )
    triangles = np.unique(np.concatenate([c.triangles for c in crossings]))
    concerned = triangles if face_of is None else np.unique(face_of[triangles])
    by_part: dict[str, int] = {}
    for c in crossings:
        for k in c.parts:
            by_part[names[k]] = by_part.get(names[k], 0) + 1
    widest = max(c.extent for c in crossings)
    return Finding(
        CHECKS["crossing-parts"],
        len(crossings),
        f"{how_many(len(crossings), 'pairs')} of parts; the widest crossing spans "
        f"{figures(widest)} units.",
        side=side,
        places=tuple(places),
        by_part=by_part,
        measures={
            "widest_units": widest,
            "least_share_of_edges": min(c.edges_cast for c in crossings),
        },
        faces=concerned.astype(np.int32),
    )
