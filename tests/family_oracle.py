"""What a bake of a family scene records and which defect that is, from labels and geometry alone.

Every ray against every triangle in double precision. What belongs to a sample is not worked out
but known: a crossing belongs when the triangle carries the label of the sample's side (or of one
that it meets at an edge) and was made from this place of the low poly (see
`tests.scenes.families.scene`). Shares no code with `cagecheck`; where two answers can be
defended it says "undecided".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from tests.scenes.families.scene import NO_GROUP, FamilyScene, angle_weighted, face_normals, unit

TIGHT, NOTHING, DEEP, OWN, OTHER, BACK = range(6)
KINDS = 6
SEEN, UNDERCUT, BURIED = range(3)
# A made surface is flat between its corners, so a crossing's home is off by less than a cell: it
# surely belongs within the first number of cells and surely not beyond the second.
SURELY_HOME, SURELY_AWAY = 1.2, 2.5
# A crossing this near to a limit (share of offset and depth) may go either way.
ROUNDING = 1e-5
# Averaged normals against their face (cosine below this) cancel: the two sides of a card.
CANCELS = 1e-6
# A ray that leans more than this (cosine) from the defined one, or whose start differs by more
# than this share, is taken as defined.
ALIKE = 0.9
# Crossings this near to each other (share of the size) have no order.
TIED = 1e-9
# Just outside of a surface, as a share of the size.
SKIN = 1e-4
# Triangles that share a ball.
TOGETHER = 16


@dataclass(frozen=True)
class Truth:
    """Per sample: allowed (N,) bits of the answers that are right (0: clean), known (N,) bool,
    short (N,) by how much offset or depth are short, recorded (N,) high triangle or -1."""

    allowed: np.ndarray
    known: np.ndarray
    short: np.ndarray
    recorded: np.ndarray
    target_t: np.ndarray

    @property
    def defective(self) -> np.ndarray:
        return self.allowed != 0


@njit(cache=True, nogil=True)
def _crossings(origin, direction, low, high, a, e1, e2, ball, ray, face, t, u, v, fill):
    """Moeller and Trumbore 1997, every line with every triangle; returns how many cross.

    ball (B, 4): middle and radius round every `TOGETHER` triangles in a row. A line that stays
    clear of the ball stays clear of them all.
    """
    count = 0
    for i in range(len(origin)):
        ox, oy, oz = origin[i, 0], origin[i, 1], origin[i, 2]
        dx, dy, dz = direction[i, 0], direction[i, 1], direction[i, 2]
        for b in range(len(ball)):
            cx, cy, cz = ball[b, 0] - ox, ball[b, 1] - oy, ball[b, 2] - oz
            along = cx * dx + cy * dy + cz * dz
            if cx * cx + cy * cy + cz * cz - along * along > ball[b, 3] * ball[b, 3]:
                continue
            for f in range(b * TOGETHER, min((b + 1) * TOGETHER, len(a))):
                px = dy * e2[f, 2] - dz * e2[f, 1]
                py = dz * e2[f, 0] - dx * e2[f, 2]
                pz = dx * e2[f, 1] - dy * e2[f, 0]
                det = e1[f, 0] * px + e1[f, 1] * py + e1[f, 2] * pz
                if det == 0.0:
                    continue
                sx, sy, sz = ox - a[f, 0], oy - a[f, 1], oz - a[f, 2]
                wu = (sx * px + sy * py + sz * pz) / det
                if not (wu >= -1e-12 and wu <= 1 + 1e-12):
                    continue
                qx = sy * e1[f, 2] - sz * e1[f, 1]
                qy = sz * e1[f, 0] - sx * e1[f, 2]
                qz = sx * e1[f, 1] - sy * e1[f, 0]
                wv = (dx * qx + dy * qy + dz * qz) / det
                if not (wv >= -1e-12 and wu + wv <= 1 + 1e-12):
                    continue
                at = (e2[f, 0] * qx + e2[f, 1] * qy + e2[f, 2] * qz) / det
                if at < low[i] or at > high[i]:
                    continue
                if fill:
                    ray[count], face[count], t[count], u[count], v[count] = i, f, at, wu, wv
                count += 1
    return count


def _balls(p: np.ndarray) -> np.ndarray:
    """(B, 4) balls round runs of `TOGETHER` triangles (T, 3, 3), a little too large."""
    runs = [p[k : k + TOGETHER].reshape(-1, 3) for k in range(0, len(p), TOGETHER)]
    middle = np.array([(run.min(axis=0) + run.max(axis=0)) / 2 for run in runs])
    radius = [np.linalg.norm(r - m, axis=1).max() for r, m in zip(runs, middle, strict=True)]
    return np.column_stack([middle, np.array(radius) * (1 + 1e-6) + 1e-9])


@dataclass(frozen=True)
class Crossings:
    """All crossings of N lines between their bounds: ray, face, t, barycentric (M, 3)."""

    ray: np.ndarray
    face: np.ndarray
    t: np.ndarray
    barycentric: np.ndarray


def crossings(origin, direction, low, high, positions, triangles) -> Crossings:
    p = positions[triangles]
    n = len(origin)
    # Lengths near 1 keep the determinants' digits at any size and place.
    middle, size = p.mean(axis=(0, 1)), np.ptp(p, axis=(0, 1)).max()
    p, origin = (p - middle) / size, (origin - middle) / size
    bounds = [np.broadcast_to(np.asarray(x, float) / size, n).copy() for x in (low, high)]
    arrays = (
        np.ascontiguousarray(origin), np.ascontiguousarray(direction), *bounds,
        np.ascontiguousarray(p[:, 0]), p[:, 1] - p[:, 0], p[:, 2] - p[:, 0], _balls(p),
    )  # fmt: skip
    none, no_index = np.empty(0), np.empty(0, np.int64)
    count = _crossings(*arrays, no_index, no_index, none, none, none, False)
    ray, face = np.empty(count, np.int64), np.empty(count, np.int64)
    t, u, v = np.empty(count), np.empty(count), np.empty(count)
    _crossings(*arrays, ray, face, t, u, v, True)
    return Crossings(ray, face, t * size, np.stack([1 - u - v, u, v], axis=1))


@njit(cache=True, nogil=True)
def _winding(points, a, b, c, out):
    """Sum of signed solid angles over 4 pi: van Oosterom and Strackee 1983."""
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        total = 0.0
        for f in range(len(a)):
            px, py, pz = a[f, 0] - x, a[f, 1] - y, a[f, 2] - z
            qx, qy, qz = b[f, 0] - x, b[f, 1] - y, b[f, 2] - z
            rx, ry, rz = c[f, 0] - x, c[f, 1] - y, c[f, 2] - z
            lp = np.sqrt(px * px + py * py + pz * pz)
            lq = np.sqrt(qx * qx + qy * qy + qz * qz)
            lr = np.sqrt(rx * rx + ry * ry + rz * rz)
            det = px * (qy * rz - qz * ry) + py * (qz * rx - qx * rz) + pz * (qx * ry - qy * rx)
            under = lp * lq * lr + (px * qx + py * qy + pz * qz) * lr
            under += (qx * rx + qy * ry + qz * rz) * lp + (rx * px + ry * py + rz * pz) * lq
            total += 2 * np.arctan2(det, under)
        out[i] = total / (4 * np.pi)


def winding(points, positions, triangles) -> np.ndarray:
    """(N,) how often a surface winds round each point."""
    p = positions[triangles]
    out = np.zeros(len(points))
    _winding(np.ascontiguousarray(points), *(np.ascontiguousarray(p[:, k]) for k in range(3)), out)
    return out


def inside_another(scene: FamilyScene, points, piece, of: str) -> np.ndarray:
    """(N,) bool: a point lies inside a closed piece other than its own. of: "low" or "high"."""
    positions = getattr(scene, f"{of}_positions")
    triangles, owner = getattr(scene, f"{of}_triangles"), getattr(scene, f"{of}_piece")
    out = np.zeros(len(points), bool)
    for other in np.unique(owner):
        asked = piece != other
        mine = triangles[owner == other]
        corners = positions[mine].reshape(-1, 3)
        # Outside of its box is outside of it.
        asked &= ((points >= corners.min(axis=0)) & (points <= corners.max(axis=0))).all(axis=1)
        if scene.closed[other] and asked.any():
            out[asked] |= np.abs(winding(points[asked], positions, mine)) > 0.5
    return out


def own_rays(scene: FamilyScene, triangle, barycentric) -> tuple[np.ndarray, ...]:
    """Origin, unit direction and start of the bake's rays, from the definition.

    A cage point is p + offset D, D blended from angle-weighted corner normals; where those
    cancel, a side of a card has its own.
    """
    # Corners by place: files split vertices where the surface goes on.
    _, place = np.unique(scene.low_positions, axis=0, return_inverse=True)
    p = scene.low_positions[scene.low_triangles]
    sound = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1) > 0
    by_place = place.ravel()[scene.low_triangles]
    where = np.zeros((place.max() + 1, 3))
    where[place.ravel()] = scene.low_positions
    normals = angle_weighted(where, np.where(sound[:, None], by_place, by_place[:, :1]))
    sided = angle_weighted(where, by_place, scene.low_group)
    against = np.einsum(
        "tkx,tx->tk", normals, face_normals(scene.low_positions, scene.low_triangles)
    )
    normals = np.where((against > CANCELS)[..., None], normals, sided)
    origin = np.einsum("nk,nkx->nx", barycentric, p[triangle])
    blended = np.einsum("nk,nkx->nx", barycentric, normals[triangle])
    return origin, unit(blended), scene.offset * np.linalg.norm(blended, axis=1)


def truth(scene: FamilyScene, triangle, barycentric, rays=None, *, apart: bool = False) -> Truth:
    """What the bake does at samples.

    rays: (direction, start) of the tool, taken where they are about those of the definition (a
    doubled face shifts a mean a little); elsewhere, and without, rays are by the definition.
    """
    origin, direction, start = own_rays(scene, triangle, barycentric)
    if rays is not None:
        alike = np.einsum("ij,ij->i", rays[0], direction) > ALIKE
        alike &= (rays[1] > ALIKE * start) & (rays[1] < start / ALIKE)
        direction = np.where(alike[:, None], rays[0], direction)
        start = np.where(alike, rays[1], start)
    far = 2 * scene.size() + start.max(initial=0)
    n, group = len(triangle), scene.low_group[triangle]
    found = crossings(origin, direction, -far, far, scene.high_positions, scene.high_triangles)
    own = scene.paired[scene.low_part[triangle[found.ray]], scene.high_part[found.face]]
    label = scene.high_group[found.face]
    akin = (label != NO_GROUP) & scene.akin[group[found.ray], np.maximum(label, 0)] & own
    home = np.einsum("mk,mkx->mx", found.barycentric, scene.home[found.face])
    away = np.linalg.norm(home - origin[found.ray], axis=1)
    normal = face_normals(scene.high_positions, scene.high_triangles)
    front = np.einsum("ij,ij->i", direction[found.ray], normal[found.face]) > 0
    seen = (found.t <= start[found.ray]) & (found.t >= -scene.depth) & (own | (not apart))
    scale = ROUNDING * (scene.depth + scene.offset)
    limits = np.abs(found.t - start[found.ray]) < scale
    limits |= np.abs(found.t + scene.depth) < scale
    known = np.ones(n, bool)
    known[found.ray[limits]] = False
    recorded = _outermost(n, found, seen)
    answers = []
    for cells in (SURELY_HOME, SURELY_AWAY):
        belongs = akin & (away <= cells * scene.cell + 2 * scene.slack)
        answers.append(_answer(scene, n, found, own, belongs, front, recorded, start))
    allowed, target_t, short = answers[1]
    known &= allowed == answers[0][0]
    known &= ~_on_edge(found, n) & ~_doubled(found, front, recorded, TIED * scene.size())
    # What lies inside another piece is never looked at, low or high: wrong or not says nothing.
    asked = np.flatnonzero(known & (allowed > 0))
    piece = scene.low_piece[triangle[asked]]
    hidden = inside_another(scene, origin[asked], piece, "low")
    goal = origin[asked] + np.nan_to_num(target_t[asked])[:, None] * direction[asked]
    hidden |= inside_another(scene, goal, piece, "high")
    known[asked[hidden]] = False
    face_of = np.where(recorded >= 0, found.face[np.maximum(recorded, 0)], -1)
    return Truth(np.maximum(allowed, 0), known & (allowed >= 0), short, face_of, target_t)


def _outermost(n, found, mask) -> np.ndarray:
    """(N,) row of the outermost crossing of each ray among the masked, -1 for none."""
    out = np.full(n, -1)
    rows = np.flatnonzero(mask)
    rows = rows[np.argsort(found.t[rows], kind="stable")]
    out[found.ray[rows]] = rows
    return out


def _on_edge(found, n) -> np.ndarray:
    """(N,) bool: the ray runs so close to an edge that rounding may lose or double a crossing."""
    out = np.zeros(n, bool)
    out[found.ray[found.barycentric.min(axis=1) < 1e-6]] = True
    return out


def _doubled(found, front, recorded, apart) -> np.ndarray:
    """(N,) bool: a face that looks the other way lies at the very place that is recorded."""
    out = np.zeros(len(recorded), bool)
    of = recorded[found.ray]
    safe = np.maximum(of, 0)
    tied = (of >= 0) & (np.abs(found.t - found.t[safe]) < apart) & (front != front[safe])
    out[found.ray[tied]] = True
    return out


def _answer(scene, n, found, own, belongs, front, recorded, start):
    """Allowed bits (-1: undecided), target t and shortness of every ray."""
    target = _outermost(n, found, belongs & front)
    inward = _outermost(n, found, belongs & ~front)
    target = np.where(target >= 0, target, inward)
    has, hit = target >= 0, recorded >= 0
    safe_target, safe_hit = np.maximum(target, 0), np.maximum(recorded, 0)
    target_t = np.where(has, found.t[safe_target], np.nan)
    hit_t = np.where(hit, found.t[safe_hit], np.nan)
    mine, right = own[safe_hit], hit & belongs[safe_hit]
    overshoot = np.where(mine, 1 << OWN, 1 << OTHER)
    with np.errstate(invalid="ignore"):
        tight = has & (target_t > start)
        # Noise lays the surface in small folds of its own: whichever fold is recorded belongs,
        # but a back of it in place of a front is neither right nor another surface.
        folded = right & (recorded != target) & ~front[safe_hit]
        above = has & ~tight & hit & ~right & (hit_t > target_t)
        deep = has & ~tight & ~above & (target_t < -scene.depth)
        back = has & ~tight & right & (recorded == target) & ~front[safe_hit]
        poking = ~has & hit & (hit_t > 0)
    allowed = np.zeros(n, np.int64)
    allowed[tight] = 1 << TIGHT
    allowed[above] = overshoot[above]
    allowed[deep] = 1 << DEEP
    allowed[back] = 1 << BACK
    allowed[~has] = 1 << NOTHING
    # Nothing belongs here, and what is recorded instead lies above: both words are true.
    allowed[poking] |= overshoot[poking]
    allowed[folded & ~tight] = -1
    short = np.where(tight, target_t - start, np.where(deep, -scene.depth - target_t, 0))
    return allowed, target_t, short


def high_truth(scene: FamilyScene, face, barycentric) -> tuple[np.ndarray, np.ndarray]:
    """What becomes of points of the high poly: (M,) SEEN, UNDERCUT or BURIED, and (M,) sure.

    Buried: a point just outside the surface lies inside another closed piece. Seen: the ray
    through the low-poly place that it was made from records it.
    """
    corners = scene.high_positions[scene.high_triangles[face]]
    place = np.einsum("mk,mkx->mx", barycentric, corners)
    normal = face_normals(scene.high_positions, scene.high_triangles)[face]
    outside = place + SKIN * scene.size() * normal
    buried = inside_another(scene, outside, scene.high_piece[face], "high")
    out = np.full(len(face), UNDERCUT)
    labelled = np.flatnonzero((scene.high_group[face] != NO_GROUP) & ~buried)
    home = np.einsum("mk,mkx->mx", barycentric[labelled], scene.home[face[labelled]])
    triangle, weights = _low_place(scene, home, scene.high_group[face[labelled]])
    origin, direction, start = own_rays(scene, triangle, weights)
    found = crossings(
        origin, direction, -scene.depth, start, scene.high_positions, scene.high_triangles
    )
    row = _outermost(len(labelled), found, np.ones(len(found.t), bool))
    t = np.where(row >= 0, found.t[np.maximum(row, 0)], np.nan)
    hit = origin + t[:, None] * direction
    near = np.linalg.norm(hit - place[labelled], axis=1) < scene.cell + 2 * scene.slack
    same = scene.high_group[found.face[np.maximum(row, 0)]] == scene.high_group[face[labelled]]
    out[labelled[(row >= 0) & near & same]] = SEEN
    out[buried] = BURIED
    edge = inside_another(scene, place - SKIN * scene.size() * normal, scene.high_piece[face],
                          "high")  # fmt: skip
    return out, edge == buried


def _low_place(scene, home, group) -> tuple[np.ndarray, np.ndarray]:
    """The low triangle of a group under each home, and where in it."""
    p = scene.low_positions[scene.low_triangles]
    triangle = np.zeros(len(home), np.int64)
    weights = np.zeros((len(home), 3))
    for g in np.unique(group):
        mine, asked = np.flatnonzero(scene.low_group == g), np.flatnonzero(group == g)
        a, e1, e2 = p[mine, 0], p[mine, 1] - p[mine, 0], p[mine, 2] - p[mine, 0]
        d11, d12 = np.einsum("ij,ij->i", e1, e1), np.einsum("ij,ij->i", e1, e2)
        d22 = np.einsum("ij,ij->i", e2, e2)
        det = d11 * d22 - d12 * d12
        det = np.where(det > 1e-12 * d11 * d22, det, np.nan)
        s = home[asked][:, None] - a[None]
        s1, s2 = np.einsum("nfk,fk->nf", s, e1), np.einsum("nfk,fk->nf", s, e2)
        u, v = (d22 * s1 - d12 * s2) / det, (d11 * s2 - d12 * s1) / det
        height = np.linalg.norm(s - u[..., None] * e1 - v[..., None] * e2, axis=2)
        outside = np.maximum(np.maximum(-u, -v), u + v - 1).clip(0) * np.sqrt(d11 + d22)
        miss = np.nan_to_num(height + outside, nan=np.inf)
        best = miss.argmin(axis=1)
        rows = np.arange(len(asked))
        triangle[asked] = mine[best]
        w = np.stack([1 - u[rows, best] - v[rows, best], u[rows, best], v[rows, best]], axis=1)
        w = w.clip(0)
        weights[asked] = w / w.sum(axis=1, keepdims=True)
    return triangle, weights
