"""A second opinion on predictions, by brute force from the definitions in docs/ray-model.md.

Every ray against every triangle, every crossing against every low-poly triangle, every pair of
samples. It shares no code with `cagecheck`; where the definitions leave room (a ray through an
edge, a detour near its limit) it says "undecided" instead of an answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, dijkstra

TIGHT, NOTHING, DEEP, OWN, OTHER, BACK, SKEW, STEEP, FOLD, SPLIT = range(10)
# A ray this near to an edge (barycentric) or to a limit (share of it) may go either way.
ROUNDING = 1e-5
# A walk along the edges and flipped edges of a fine triangulation is this much too long at worst.
WALK_EXCESS = 1.16


@dataclass(frozen=True)
class Model:
    """What an oracle needs to know: plain arrays.

    `normals` (T, 3, 3) are the corners' own, which rays then follow; None averages them by place.
    `paired` is (low parts, high parts) bool.
    """

    low: np.ndarray
    low_triangles: np.ndarray
    low_part: np.ndarray
    uv: np.ndarray | None
    normals: np.ndarray | None
    high: np.ndarray
    high_triangles: np.ndarray
    high_part: np.ndarray
    paired: np.ndarray


@dataclass(frozen=True)
class Bake:
    """offset, depth, reach: world units; size: texels of a map; apart: see `Settings`."""

    offset: float
    depth: float
    reach: float
    size: int
    apart: bool = False


@dataclass(frozen=True)
class Answer:
    """flags (N,) of bits ``1 << kind``, known (N, 10) where they are sure, measures (10, N)."""

    flags: np.ndarray
    known: np.ndarray
    measures: np.ndarray
    recorded_t: np.ndarray
    target_t: np.ndarray


def unit(vectors):
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return vectors / np.where(length > 0, length, 1)


def angle_between(a, b):
    """Degrees between rows, by the half-angle form that keeps its digits (Kahan 2006)."""
    a, b = unit(a), unit(b)
    return np.degrees(
        2 * np.arctan2(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1))
    )


def averaged_normals(positions, triangles):
    """(T, 3, 3): the angle-weighted mean of face normals over each corner's place."""
    p = positions[triangles]
    face = unit(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))
    total = {}
    for t, corners in enumerate(p):
        for k in range(3):
            u, v = corners[(k + 1) % 3] - corners[k], corners[(k + 2) % 3] - corners[k]
            angle = np.radians(angle_between(u, v))
            key = tuple(corners[k])
            total[key] = total.get(key, 0) + angle * face[t]
    return np.array([[unit(total[tuple(c)]) for c in corners] for corners in p])


def all_crossings(origin, direction, positions, triangles):
    """(N, F) t of every line with every triangle, NaN where they miss; (N, F) near an edge.

    Moeller and Trumbore, "Fast, Minimum Storage Ray/Triangle Intersection", 1997.
    """
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    e1, e2 = b - a, c - a
    p = np.cross(direction[:, None], e2[None])
    det = np.einsum("nfk,fk->nf", p, e1)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = origin[:, None] - a[None]
        u = np.einsum("nfk,nfk->nf", s, p) / det
        q = np.cross(s, e1[None])
        v = np.einsum("nk,nfk->nf", direction, q) / det
        t = np.einsum("fk,nfk->nf", e2, q) / det
    least = np.minimum(np.minimum(u, v), 1 - u - v)
    edge = np.abs(least) < ROUNDING
    flat = np.abs(det) < 1e-9 * np.linalg.norm(np.cross(e1, e2), axis=1)
    return np.where((least >= 0) & ~flat, t, np.nan), edge | flat | ~np.isfinite(least)


class Walks:
    """Bounds of the way along the low poly between two of its points."""

    def __init__(self, model, finest):
        p = model.low[model.low_triangles].reshape(-1, 3)
        soup = np.arange(len(p)).reshape(-1, 3)
        fine, faces, home = trimesh.remesh.subdivide_to_size(p, soup, finest, return_index=True)
        _, first, weld = np.unique(
            np.round(fine / (1e-7 * np.ptp(fine))), axis=0, return_index=True, return_inverse=True
        )
        self.place, faces = fine[first], weld.ravel()[faces]
        # Pieces of one triangle are cut alike on both sides of an edge only if edges halve alike.
        self.home, self.faces = home, faces
        edges, apex = {}, []
        for f in faces:
            for k in range(3):
                a, b, c = f[k], f[(k + 1) % 3], f[(k + 2) % 3]
                other = edges.setdefault((min(a, b), max(a, b)), c)
                if other != c:
                    apex.append((other, c, a, b))
        pairs = np.array(list(edges))
        length = np.linalg.norm(self.place[pairs[:, 0]] - self.place[pairs[:, 1]], axis=1)
        flips = np.array([(m, n) for m, n, _, _ in apex]).reshape(-1, 2)
        unfolded = np.array([self._unfold(*x) for x in apex])
        ends = np.concatenate([pairs, flips])
        graph = coo_array(
            (np.concatenate([length, unfolded]), (ends[:, 0], ends[:, 1])),
            shape=(len(self.place),) * 2,
        ).tocsr()
        self.walk = dijkstra(graph, directed=False)

    def _unfold(self, m, n, a, b):
        """The straight way from m to n over their edge a-b, both triangles laid flat."""
        m, n, a, b = self.place[[m, n, a, b]]
        along = unit(b - a)
        x, z = np.dot(m - a, along), np.dot(n - a, along)
        y, w = np.linalg.norm(m - a - x * along), np.linalg.norm(n - a - z * along)
        at = x + (z - x) * y / (y + w) if y + w > 0 else x
        if 0 <= at <= np.linalg.norm(b - a):
            return np.hypot(x - z, y + w)
        return min(
            np.linalg.norm(m - a) + np.linalg.norm(n - a),
            np.linalg.norm(m - b) + np.linalg.norm(n - b),
        )

    def near(self, triangle, point):
        """A fine vertex of the low-poly triangle near the point, and how far that is."""
        mine = np.unique(self.faces[self.home == triangle])
        away = np.linalg.norm(self.place[mine] - point, axis=1)
        k = np.argmin(away)
        return mine[k], away[k]

    def bounds(self, triangle_p, p, triangle_q, q):
        a, from_p = self.near(triangle_p, p)
        b, from_q = self.near(triangle_q, q)
        walk = self.walk[a, b]
        straight = np.linalg.norm(p - q)
        least = max(straight, walk / WALK_EXCESS - from_p - from_q)
        return least, walk + from_p + from_q


def answer(model, bake, triangle, barycentric, kind):
    """Classify samples: points on low triangles (N,), barycentric (N, 3), 1 for edge points."""
    n = len(triangle)
    p = model.low[model.low_triangles]
    normals = model.normals
    if normals is None:
        normals = averaged_normals(model.low, model.low_triangles)
    shading = unit(np.einsum("nk,nkx->nx", barycentric, normals[triangle]))
    origin = np.einsum("nk,nkx->nx", barycentric, p[triangle])
    moved = np.einsum("nk,nkx->nx", barycentric, (p + bake.offset * normals)[triangle]) - origin
    start, direction = np.linalg.norm(moved, axis=1), unit(moved)
    face = unit(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))
    area = 0.5 * np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    density = np.zeros(len(area))
    if model.uv is not None:
        e, f = model.uv[:, 1] - model.uv[:, 0], model.uv[:, 2] - model.uv[:, 0]
        density = bake.size * np.sqrt(np.abs(e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0]) / 2 / area)
    density = density[triangle]

    h = model.high[model.high_triangles]
    high_normal = unit(np.cross(h[:, 1] - h[:, 0], h[:, 2] - h[:, 0]))
    t, near_edge = all_crossings(origin, direction, model.high, model.high_triangles)
    reach = max(bake.reach, 1.05 * start.max())
    own = model.paired[model.low_part[triangle]][:, model.high_part]
    inside = (t >= -3 * bake.depth) & (t <= reach) & (own | (not bake.apart))
    decided = ~(near_edge & (own | (not bake.apart))).any(axis=1)
    for limit in (start, np.full(n, -bake.depth), np.full(n, -3 * bake.depth), np.full(n, reach)):
        scale = bake.depth + bake.offset + bake.reach
        decided &= ~(np.abs(t - limit[:, None]) < ROUNDING * scale).any(axis=1)
    target, target_known = _targets(
        model, triangle, origin, direction, t, inside & own, high_normal
    )
    recorded = np.full(n, -1)
    for i in range(n):
        seen = [
            (t[i, f], f) for f in np.flatnonzero(inside[i]) if -bake.depth <= t[i, f] <= start[i]
        ]
        recorded[i] = max(seen)[1] if seen else -1
    rows = np.arange(n)
    hit, found = recorded >= 0, target >= 0
    hit_t = np.where(hit, t[rows, recorded], np.nan)
    goal_t = np.where(found, t[rows, target], np.nan)
    tight = found & (goal_t > start)
    wrong = hit & np.where(found, (hit_t > goal_t) & ~tight, hit_t > 0)
    mine = own[rows, recorded]
    right = hit & (recorded == target)
    cosine = np.einsum("nk,nk->n", direction, high_normal[recorded])
    slant = angle_between(direction, face[triangle])
    step = np.where(hit, hit_t, 0)[:, None] * direction
    up = np.einsum("nk,nk->n", step, face[triangle])[:, None] * face[triangle]
    slide = np.where(hit, np.linalg.norm(step - up, axis=1), np.nan)
    part_area = np.bincount(model.low_part, area, len(model.paired))
    share = slide / np.sqrt(part_area)[model.low_part[triangle]]
    judged = np.where(density > 0, slide * density / 2, share / (2 / 1024))
    lean = np.where(hit, angle_between(shading, high_normal[recorded]), np.nan)
    steep = np.degrees(np.arccos(180 / (127.5 * np.pi)))
    fold = _fold(p, bake.offset * normals, triangle, barycentric)
    width = np.zeros(n)
    if model.normals is not None:
        width = _split(model, triangle, barycentric, kind, np.where(hit, hit_t, start))
    masks = {
        TIGHT: tight, NOTHING: ~found & ~wrong,
        DEEP: found & ~tight & ~wrong & (goal_t < -bake.depth),
        OWN: wrong & mine, OTHER: wrong & ~mine, BACK: right & (cosine < 0),
        SKEW: right & (slant > 14) & (judged > 1), STEEP: right & (cosine > 0) & (lean > steep),
        FOLD: fold < 0,
        SPLIT: np.where(density > 0, width * density > 1, width > 0),
    }  # fmt: skip
    above = np.where(found, hit_t - goal_t, hit_t)
    measures = np.stack([
        goal_t - start, np.abs(hit_t), -bake.depth - goal_t, above, above,
        angle_between(direction, high_normal[recorded]),
        np.where(density > 0, slide * density, slide), lean, fold,
        np.where(density > 0, width * density, width),
    ])  # fmt: skip
    flags = sum(np.where(mask, 1 << k, 0) for k, mask in masks.items())
    known = np.repeat((decided & target_known)[:, None], 10, axis=1)
    known[:, SKEW] &= (np.abs(slant - 14) > 1e-6) & ~(np.abs(judged - 1) < ROUNDING)
    known[:, STEEP] &= ~(np.abs(lean - steep) < 1e-6)
    known[:, FOLD] = np.abs(fold) > 1e-3
    known[:, SPLIT] = decided & (np.abs(width * np.where(density > 0, density, 1) - 1) > ROUNDING)
    return Answer(flags, known, measures, hit_t, goal_t)


def _targets(model, triangle, origin, direction, t, own, high_normal):
    """The high triangle that belongs to each sample (-1 for none), and whether that is sure."""
    p = model.low[model.low_triangles]
    walks = Walks(model, 0.12 * np.ptp(model.low, axis=0).max())
    target, known = np.full(len(t), -1), np.ones(len(t), bool)
    for i in range(len(t)):
        ranked = []
        outward = own[i] & (high_normal @ direction[i] > 0)
        nearest_outward = np.abs(t[i, outward]).min(initial=np.inf)
        for f in np.flatnonzero(own[i]):
            crossing = origin[i] + t[i, f] * direction[i]
            candidates = np.flatnonzero(model.paired[model.low_part, model.high_part[f]])
            places = trimesh.triangles.closest_point(
                p[candidates], np.repeat(crossing[None], len(candidates), axis=0)
            )
            away = np.linalg.norm(places - crossing, axis=1)
            k = int(np.argmin(away))
            ties = candidates[away < away[k] + 1e-9]
            belongs = _belongs(walks, p, triangle[i], origin[i], ties, places[k])
            claims = away[k] / abs(t[i, f]) - np.cos(np.radians(75))
            claimed = claims < 0 and candidates[k] != triangle[i]
            unsure = belongs is None or (
                abs(claims) < ROUNDING or (claims < 0 and triangle[i] in ties and len(ties) > 1)
            )
            front = bool(np.dot(high_normal[f], direction[i]) > 0)
            known[i] &= not unsure
            if belongs and (front or abs(t[i, f]) <= nearest_outward):
                ranked.append((not front, claimed, abs(t[i, f]) if claimed else -t[i, f], f))
        if ranked:
            target[i] = min(ranked)[3]
    return target, known


def _belongs(walks, p, triangle, origin, ties, place):
    """True, False, or None where the detour is near its limit."""
    answers = set()
    for other in ties:
        touch = (p[triangle][:, None] == p[other][None]).all(axis=2).any()
        straight = np.linalg.norm(place - origin)
        if touch or straight == 0:
            answers.add(True)
            continue
        least, most = walks.bounds(triangle, origin, other, place)
        sure = True if most <= 1.4 * straight else False if least > 3.0 * straight else None
        answers.add(sure)
    return answers.pop() if len(answers) == 1 else None


def _fold(p, moved, triangle, barycentric, steps=401):
    """The least Jacobian of the shell over the height, by differences; 1 for a straight prism."""
    least = np.full(len(triangle), np.inf)
    area2 = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    up = np.einsum("nk,nkx->nx", barycentric, moved[triangle])
    for height in np.linspace(0, 1, steps):
        x = (p + height * moved)[triangle]
        jacobian = np.stack([x[:, 1] - x[:, 0], x[:, 2] - x[:, 0], up], axis=1)
        least = np.minimum(least, np.linalg.det(jacobian))
    return least / (area2[triangle] * np.linalg.norm(up, axis=1))


def _split(model, triangle, barycentric, kind, height):
    """How far apart the rays of both sides of an edge are at the height, where they leave a gap."""
    p, normals = model.low[model.low_triangles], model.normals
    width = np.zeros(len(triangle))
    for i in np.flatnonzero(kind == 1):
        t, w = triangle[i], barycentric[i]
        k = int(np.argmin(w))
        ends = [p[t, (k + 1) % 3], p[t, (k + 2) % 3]]
        share = [w[(k + 1) % 3], w[(k + 2) % 3]]
        for u in np.flatnonzero(model.low_part == model.low_part[t]):
            at = [np.flatnonzero((p[u] == end).all(axis=1)) for end in ends]
            if u == t or not all(len(a) for a in at):
                continue
            mine = unit(
                sum(s * normals[t, (k + j) % 3] for s, j in zip(share, (1, 2), strict=True))
            )
            theirs = unit(sum(s * normals[u, a[0]] for s, a in zip(share, at, strict=True)))
            inwards = p[t, k] - ends[0]
            along = unit(ends[1] - ends[0])
            outward = -unit(inwards - np.dot(inwards, along) * along)
            between = height[i] * (theirs - mine)
            if np.dot(between, outward) > 0:
                width[i] = np.linalg.norm(between)
    return width


def groups_of(place, spacing, triangle, part, corners, chosen):
    """Sets of samples joined where they are near for their spacing and their triangles touch."""
    if len(chosen) == 0:
        return []
    place, spacing, triangle = place[chosen], spacing[chosen], triangle[chosen]
    apart = np.linalg.norm(place[:, None] - place[None], axis=2)
    near = apart <= 2 * np.maximum(spacing[:, None], spacing[None])
    used = np.unique(triangle)
    touch = np.array([[(corners[a][:, None] == corners[b][None]).all(axis=2).any() for b in used]
                      for a in used])  # fmt: skip
    touch &= part[used][:, None] == part[used][None]
    at = np.searchsorted(used, triangle)
    count, label = connected_components(near & touch[at[:, None], at[None]], directed=False)
    return [frozenset(chosen[label == g].tolist()) for g in range(count)]
