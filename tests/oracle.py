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
# Points drawn on a piece, to tell what it is related to.
DRAWN = 40


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
    """flags (N,) of bits ``1 << kind``, known (N, 10) where they are sure, measures (10, N).

    error (N,) the visible error in degrees, of samples inside triangles only, and where it is sure:
    nowhere, if it was not asked for.
    """

    flags: np.ndarray
    known: np.ndarray
    measures: np.ndarray
    recorded_t: np.ndarray
    target_t: np.ndarray
    error: np.ndarray
    error_known: np.ndarray


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


def answer(model, bake, triangle, barycentric, kind, visible=False):
    """Classify samples: points on low triangles (N,), barycentric (N, 3), 1 for edge points.

    visible : say the visible error, too, which takes as long as all the rest.
    """
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
        model, bake, triangle, origin, direction, t, reach, own & ~np.isnan(t), high_normal
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
    error, error_known = np.full(n, np.nan), np.zeros(n, bool)
    if not visible:
        return Answer(flags, known, measures, hit_t, goal_t, error, error_known)
    error, error_known = _visible(
        model, bake, triangle, barycentric, origin, direction, t, recorded, target,
        np.where(density > 0, density, (2 / (2 / 1024)) / np.sqrt(part_area)[
            model.low_part[triangle]]), reach,
    )  # fmt: skip
    error_known &= decided & target_known & (kind != 1) & (kind != 2)
    return Answer(flags, known, measures, hit_t, goal_t, error, error_known)


def _visible(
    model, bake, triangle, barycentric, origin, direction, t, recorded, target, density, reach
):
    """Degrees between the recorded shading normal and that of what belongs straight above."""
    n, rows = len(triangle), np.arange(len(triangle))
    p, h = model.low[model.low_triangles], model.high[model.high_triangles]
    face = unit(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))[triangle]
    high_normal = unit(np.cross(h[:, 1] - h[:, 0], h[:, 2] - h[:, 0]))
    smooth = averaged_normals(model.high, model.high_triangles)

    def shaded(place, which):
        weight = trimesh.triangles.points_to_barycentric(h[which], place)
        return unit(np.einsum("nk,nkx->nx", np.clip(weight, 0, 1), smooth[which]))

    up, near_edge = all_crossings(origin, face, model.high, model.high_triangles)
    own = model.paired[model.low_part[triangle]][:, model.high_part]
    straight, known = _targets(
        model, bake, triangle, origin, face, up, reach, own & ~np.isnan(up), high_normal
    )
    known &= ~(near_edge & (own | (not bake.apart))).any(axis=1)
    away = np.where(target >= 0, t[rows, target], 0)[:, None] * direction
    aside = np.linalg.norm(away - np.einsum("nk,nk->n", away, face)[:, None] * face, axis=1)
    stays = (target >= 0) & (aside * density <= 0.5)
    known |= stays
    known &= np.abs(aside * density - 0.5) > ROUNDING
    ideal = np.zeros((n, 3))
    # The straight ray first; the bake's own ray where that finds nothing, or the slide is small.
    for chosen, ways, which, rays in (
        ((target >= 0) & (stays | (straight < 0)), t, target, direction),
        ((straight >= 0) & ~stays, up, straight, face),
    ):
        k = np.flatnonzero(chosen)
        place = origin[k] + ways[k, which[k]][:, None] * rays[k]
        facing = np.einsum("nk,nk->n", high_normal[which[k]], rays[k])
        ideal[k] = shaded(place, which[k]) * np.where(facing < 0, -1, 1)[:, None]
    stored = np.zeros((n, 3))
    k = np.flatnonzero(recorded >= 0)
    place = origin[k] + t[k, recorded[k]][:, None] * direction[k]
    stored[k] = shaded(place, recorded[k])
    out = np.where(
        (np.abs(ideal).sum(axis=1) > 0) & (recorded >= 0),
        angle_between(np.where(stored == 0, 1e-300, stored), np.where(ideal == 0, 1e-300, ideal)),
        180.0,
    )
    normals = model.normals
    if normals is None:
        normals = averaged_normals(model.low, model.low_triangles)
    shading = unit(np.einsum("nk,nkx->nx", barycentric, normals[triangle]))
    lean = angle_between(shading, stored)
    steep = np.degrees(np.arccos(180 / (127.5 * np.pi)))
    sine = np.sin(np.radians(lean))
    # The component that 8 bits hold is a step nearer to zero; which of two angles does not matter.
    turned = np.abs(np.degrees(np.arcsin(sine) - np.arcsin(sine - 2 / 255)))
    is_steep = (lean > steep) & (recorded >= 0) & (out < 180)
    # Maps are flat where nothing is recorded; a hole is never told as less than 10 degrees.
    hole = (recorded < 0) & (np.abs(ideal).sum(axis=1) > 0)
    flat = angle_between(shading, np.where(ideal == 0, 1e-300, ideal))
    out = np.where(hole, np.maximum(flat, 10.0), out)
    known &= np.abs(lean - steep) > 1e-6
    return np.where(is_steep, np.maximum(out, turned), out), known


def _targets(model, bake, triangle, origin, direction, t, reach, own, high_normal):
    """The high triangle that belongs to each sample (-1 for none), and whether that is sure.

    The scenes have no part that is inside out as a whole.
    """
    p = model.low[model.low_triangles]
    walks = Walks(model, 0.12 * np.ptp(model.low, axis=0).max())
    pieces = _related(model)
    target, known = np.full(len(t), -1), np.ones(len(t), bool)
    diagonal = np.array([
        np.linalg.norm(np.ptp(p[model.low_part == k].reshape(-1, 3), axis=0))
        for k in range(len(model.paired))
    ])  # fmt: skip
    for i in range(len(t)):
        far = max(diagonal[model.low_part[triangle[i]]], 3 * bake.depth)
        known[i] = not (np.abs(t[i, own[i]] + far) < ROUNDING * far).any()
        for depth in (3 * bake.depth, far):
            mine = np.flatnonzero(own[i] & (t[i] >= -depth) & (t[i] <= reach))
            ray = _Ray(model, p, walks, triangle[i], origin[i], direction[i], t[i], high_normal,
                       depth, only_fronts=depth > 3 * bake.depth)  # fmt: skip
            target[i], sure = ray.target(mine, pieces)
            known[i] &= sure
            if target[i] >= 0:
                break
    return target, known


@dataclass
class _Ray:
    """One sample's ray and the rules of what belongs to it.

    only_fronts: what lies deeper than three depths may only face outward, and nothing else may
    claim it.
    """

    model: Model
    p: np.ndarray
    walks: Walks
    triangle: int
    origin: np.ndarray
    direction: np.ndarray
    t: np.ndarray
    high_normal: np.ndarray
    depth: float
    only_fronts: bool

    def target(self, crossed, pieces):
        """The high triangle among `crossed` that belongs (-1: none), and whether that is sure."""
        low_piece, high_piece, related, doubtful = pieces
        mine = low_piece[self.triangle]
        if doubtful[mine, high_piece[crossed]].any():
            return -1, False
        first = crossed[related[mine, high_piece[crossed]]]
        found, sure = self._best(first, low_piece, high_piece, related)
        if found < 0:
            found, also = self._best(
                crossed, self.model.low_part, self.model.high_part, self.model.paired
            )
            sure &= also
        return found, sure

    def _best(self, crossed, low_label, high_label, paired):
        ranked, sure, lone_front, aimed = [], True, False, False
        crossed = crossed[np.argsort(self.t[crossed])]
        front = self.high_normal[crossed] @ self.direction > 0
        nearest_front = np.abs(self.t[crossed[front]]).min(initial=np.inf)
        for k, f in enumerate(crossed):
            if self.only_fronts and not front[k]:
                continue
            candidates = np.flatnonzero(paired[low_label, high_label[f]])
            is_skin = front[k] or (k > 0 and not front[k - 1])
            belongs, claimed, known = self._judged(f, candidates, is_skin)
            sure &= known
            if front[k] and not claimed:
                lone_front = True
            if not belongs or (self.only_fronts and claimed):
                continue
            aimed |= bool(front[k])
            if front[k] or abs(self.t[f]) <= nearest_front:
                ranked.append((not front[k], claimed, abs(self.t[f]) if claimed else -self.t[f], f))
        # Without an outward target samples around are asked about outward crossings.
        sure &= aimed or not lone_front
        return (min(ranked)[3] if ranked else -1), bool(sure)

    def _judged(self, f, candidates, is_skin):
        """Whether a crossing belongs, whether another place claims it, and whether that is sure."""
        normal = self.high_normal[f]
        sign = -1 if normal @ self.direction < 0 else 1
        facing = unit(sign * normal + self.direction)
        crossing = self.origin + self.t[f] * self.direction
        ties, place, away, tied = self._nearest(crossing, facing, candidates)
        if len(ties) == 0:
            return False, False, True
        known = not tied
        claims = away / abs(self.t[f]) - np.cos(np.radians(75))
        claimed = bool(claims < 0 and ties[0] != self.triangle)
        known &= not (
            abs(claims) < ROUNDING or (claims < 0 and self.triangle in ties and len(ties) > 1)
        )
        if not is_skin:
            others, other, other_away, _ = self._nearest(crossing, -facing, candidates)
            known &= not abs(other_away - away) < ROUNDING * away
            below = -(other - self.origin) @ self.direction if len(others) else -1.0
            through = other_away <= away
            if 0 < below < self.depth:
                aside = np.linalg.norm(other - self.origin + below * self.direction)
                through |= bool(aside < below / 4)
                known &= not abs(aside - below / 4) < ROUNDING * below
            if through:
                return False, claimed, known
        belongs = _belongs(self.walks, self.p, self.triangle, self.origin, ties, place)
        return bool(belongs), claimed, bool(known and belongs is not None)

    def _nearest(self, crossing, facing, candidates):
        """Low triangles that count as nearest to a crossing, the place, its distance; nearly tied.

        Distances count as divided by the square of the cosine between the facings.
        """
        corner = self.p[candidates]
        normal = unit(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]))
        cosine = normal @ facing
        candidates, corner, cosine = (x[cosine > 0] for x in (candidates, corner, cosine))
        if len(candidates) == 0:
            return candidates, np.full(3, np.nan), np.inf, False
        places = trimesh.triangles.closest_point(
            corner, np.repeat(crossing[None], len(corner), axis=0)
        )
        away = np.linalg.norm(places - crossing, axis=1)
        counts = away / cosine**2
        order = np.argsort(counts, kind="stable")
        k = order[0]
        ties = counts < counts[k] + 1e-9
        tied = (counts < counts[k] * (1 + ROUNDING)) & ~ties
        ties[k] = False
        return np.append(candidates[k], candidates[ties]), places[k], away[k], bool(tied.any())


def _related(model):
    """Pieces of low and high, which are related, and which may or may not be.

    Connected over places within a part. Related: a quarter of the one lies nearest to the other, or
    is what a quarter of the other meets along its normals. Shares come from drawn points, so those
    near a quarter are in doubt.
    """
    rng = np.random.default_rng(0)
    low_piece = _pieces(model.low, model.low_triangles, model.low_part)
    high_piece = _pieces(model.high, model.high_triangles, model.high_part)
    lows, highs = low_piece.max() + 1, high_piece.max() + 1
    shares = np.zeros((2, lows, highs))
    p, h = model.low[model.low_triangles], model.high[model.high_triangles]
    normal, high_normal = (unit(np.cross(x[:, 1] - x[:, 0], x[:, 2] - x[:, 0])) for x in (p, h))
    allowed = model.paired[model.low_part][:, model.high_part]

    def nearest(place, facing, high_triangle):
        cosine = normal @ facing
        asked = np.flatnonzero(allowed[:, high_triangle] & (cosine > 0))
        if len(asked) == 0:
            return -1
        places = trimesh.triangles.closest_point(
            p[asked], np.repeat(place[None], len(asked), axis=0)
        )
        counts = np.linalg.norm(places - place, axis=1) / cosine[asked] ** 2
        return low_piece[asked[np.argmin(counts)]]

    for piece in range(highs):
        for f, place in _drawn(h, np.flatnonzero(high_piece == piece), rng):
            low = nearest(place, high_normal[f], f)
            if low >= 0:
                shares[0, low, piece] += 1 / DRAWN
    for piece in range(lows):
        drawn = _drawn(p, np.flatnonzero(low_piece == piece), rng)
        origin = np.array([place for _, place in drawn])
        direction = normal[[f for f, _ in drawn]]
        t, _ = all_crossings(origin, direction, model.high, model.high_triangles)
        meets = ~np.isnan(t) & allowed[[f for f, _ in drawn]] & (direction @ high_normal.T > 0)
        for k in np.flatnonzero(meets.any(axis=1)):
            f = np.argmin(np.where(meets[k], np.abs(t[k]), np.inf))
            place = origin[k] + t[k, f] * direction[k]
            if nearest(place, direction[k], f) == piece:
                shares[1, piece, high_piece[f]] += 1 / DRAWN
    most = shares.max(axis=0)
    low_part, high_part = np.zeros(lows, int), np.zeros(highs, int)
    low_part[low_piece], high_part[high_piece] = model.low_part, model.high_part
    related = (most >= 0.25) & model.paired[np.ix_(low_part, high_part)]
    whole = lows == len(np.unique(model.low_part)) or highs == len(np.unique(model.high_part))
    if whole:
        return model.low_part, model.high_part, model.paired, np.zeros_like(model.paired)
    return low_piece, high_piece, related, (most > 0.05) & (most < 0.5)


def _pieces(positions, triangles, part):
    """(T,) piece of every triangle: joined over equal places of one part."""
    _, place = np.unique(positions, axis=0, return_inverse=True)
    corner = place.ravel()[triangles] + (place.max() + 1) * part[:, None]
    ends = np.concatenate([corner[:, [0, 1]], corner[:, [1, 2]]])
    size = int(corner.max()) + 1
    graph = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(size, size))
    label = connected_components(graph, directed=False)[1][corner[:, 0]]
    return np.unique(label, return_inverse=True)[1].ravel()


def _drawn(corners, faces, rng):
    """`DRAWN` points by area over some triangles: pairs of triangle and place."""
    p = corners[faces]
    area = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    chosen = rng.choice(faces, DRAWN, p=area / area.sum())
    weight = rng.dirichlet(np.ones(3), DRAWN)
    return list(zip(chosen, np.einsum("nk,nkx->nx", weight, corners[chosen]), strict=True))


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
