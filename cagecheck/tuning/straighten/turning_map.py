"""The straightening map: turning rays texel by texel, where vertices are too far apart for it.

Skew is worst on large flat faces with hard edges, and those have no vertex that could turn: all
theirs lie on the edges, where turning opens splits. A map can turn the rays inside such a face
and leave its rim as it is. The map lives on the low poly cut finer (`refine`), one share s per
vertex of it, between 0 (the tuned cage's ray) and 1 (the face's normal). What bounds it:

- at an edge, the wedge between the rays of both sides stays below the split threshold;
- between neighbours, turning moves the hits by |t| tan(lean) times the difference of s, and that
  may not bring them together or apart by more than `STRETCH` of their distance on the low poly;
- no sample that was right before may miss, overshoot, fold or split: what a cast shows is capped.

All of these say s_i <= u_i or |s_i - s_j| <= g_ij. Such a system has one largest solution, above
all others everywhere, and it is a shortest path from the bounds: s_i = min_j (u_j + distance_ij)
(Cormen et al., "Introduction to Algorithms", difference constraints). As skew only falls with s,
no field within the bounds leaves less skew. Of those that leave as little, the smallest is kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import Defect
from cagecheck.defects.rule import part_sizes
from cagecheck.meshes.edges import edge_pairs, edge_table
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import normalised
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage
from cagecheck.rays.points import PointKind, SurfacePoints, join_points, sample_points
from cagecheck.tuning.folds import check_prisms, check_shell
from cagecheck.tuning.refine import Refined, refine
from cagecheck.tuning.rings import NEIGHBOUR_RINGS, triangles_around
from cagecheck.tuning.straighten.outcome import Outcome, outcome
from cagecheck.tuning.straighten.turned_directions import turned
from cagecheck.tuning.straighten.wedges import greatest_shares
from cagecheck.tuning.tune import Tuning

Mask = NDArray[np.bool_]

# Hits of neighbouring rays may come together or part by this share of the rays' distance: detail
# within the ramp is drawn out to at most one and a half times its size, and rays never cross.
STRETCH = 0.5
# The finer low poly has sides of about this many texels, a few steps within the narrowest ramp
# that a threshold of two texels of slide asks for.
REFINE_TEXELS = 4.0
# No finer than this many triangles in all; larger pieces then.
MOST_PIECES = 400_000
# Casts that look for harm; each caps what the one before let through. What was not turned
# otherwise since need not be looked at before the last of them, which is of everything.
ROUNDS = 12
# Added to the seed for points that nothing else has used.
FIELD_SEED = 2000
# Where so many looks showed harm a broken sample is not turned at all.
PATIENT = 2
# A sample that turning broke is turned by this share of what it was at most; below the least
# share not at all.
BACK_OFF = 0.5
LEAST_SHARE = 0.02
# Triangles that meet at less than a degree are one face, and are turned as one.
FLAT_COSINE = float(np.cos(np.radians(1.0)))
# A wedge found too wide is closed a little further than to the threshold.
SPLIT_SPARE = 0.95


@dataclass(frozen=True, eq=False)
class StraighteningField:
    """A straightening field on a finer cut of the low poly.

    Attributes
    ----------
    refined : the cut. share : (P',) float64 in [0, 1] per vertex of it.
    greatest : (P',) float64, what each vertex alone was allowed.
    step : (P', P') sparse, how much s may differ along every side.
    cut : the finer cut that the checks draw points on; `refined` itself for a map.
    pieces : (M,) int64, triangles of `cut` that may be turned at all.
    inside : (P',) bool, vertices of the faces with skew; the others only lead up to them.
    start : the tuned cage on `refined`; folded : (T',) bool, what of its shell is folded.
    before, after : the last check, on points in these pieces never used for solving.
    """

    refined: Refined
    share: Floats
    greatest: Floats
    step: csr_array
    cut: Refined
    pieces: NDArray[np.int64]
    inside: Mask
    start: Cage
    folded: Mask
    before: Outcome
    after: Outcome

    def cage(self) -> Cage:
        """Return the tuned cage with its rays turned."""
        return turned_cage(self.refined.low, self.start, self.share)

    def turns(self, points: SurfacePoints) -> Mask:
        """Return (N,) bool: points of ``refined.low`` whose rays are turned at all."""
        corner = self.refined.low.welded[points.triangle]
        return np.asarray(np.einsum("ij,ij->i", points.barycentric, self.share[corner]) > 0)


def straightening_field(
    tuning: Tuning, *, finer: bool = True, progress: Progress = silent
) -> StraighteningField:
    """Find the field that leaves the least skew without new harm; the offsets stay as tuned.

    finer : cut the low poly finer first; else one number per position of the low poly itself.

    Every round casts new points and caps what they show, the next ones only where something was
    capped. The last one is of all pieces again and has found nothing, or `after.worse_than` names
    what it found.
    """
    low = tuning.low
    asking, near = _asking_triangles(tuning)
    wanted = np.where(near, _side_wanted(tuning), np.inf)
    cut = refine(low, wanted, max(MOST_PIECES, 2 * len(low.triangles)))
    pieces = np.flatnonzero(near[cut.parent])
    refined = cut if finer else refine(low, np.full(len(low.triangles), np.inf), 0)
    fine = refined.low
    inside = np.zeros(fine.position_count, bool)
    inside[fine.welded[asking[refined.parent]].ravel()] = True
    greatest = np.ones(fine.position_count)
    greatest[fine.welded[~near[refined.parent]].ravel()] = 0.0
    start = unturned_cage(refined, tuning.cage)

    def drawn(draw: int, of: NDArray[np.int64]) -> SurfacePoints:
        points = check_points(tuning, cut, of, FIELD_SEED + draw)
        return points if finer else cut.to_parent(points)

    before = outcome(tuning, start, drawn(0, pieces), refined=refined)
    _cap_edges(before, greatest)
    step = _steps(before)
    folded = check_shell(fine, start).folded
    # Triangles whose turning something has changed since they were last looked at.
    due, tries = np.ones(len(fine.triangles), bool), np.zeros(len(fine.triangles), np.int64)
    share = np.full(fine.position_count, np.nan)
    for k in range(ROUNDS):
        progress("straightening", k, ROUNDS)
        last = share
        share, cage = _without_folds(fine, start, greatest, inside, step, folded)
        due |= (share != last)[fine.welded].any(axis=1)
        whole = k in (0, ROUNDS - 1) or not due.any()
        near = np.zeros(len(low.triangles), bool)
        near[refined.parent[due]] = True
        near = triangles_around(low, near, NEIGHBOUR_RINGS)
        points = drawn(1 + k, pieces if whole else pieces[near[cut.parent[pieces]]])
        before = outcome(tuning, start, points, refined=refined)
        after = outcome(tuning, cage, points, refined=refined)
        if k == ROUNDS - 1:
            break
        # Points around only settle doubtful targets of the others.
        counted = due[points.triangle] | whole
        final = tries[points.triangle] >= PATIENT
        harmed = _cap_harm(before, after, share, greatest, counted, final)
        if whole and k > 0 and not harmed.any():
            break
        due[:] = False
        due[points.triangle[harmed]] = True
        tries += due
    progress("straightening", 1, 1)
    return StraighteningField(
        refined, share, greatest, step, cut, pieces, inside, start, folded, before, after
    )


def taken_back(field: StraighteningField, points: SurfacePoints, kept: float) -> StraighteningField:
    """Return the field with a part of its turning in the triangles of some points of its low poly.

    kept : that part, 0 for none at all. The rest is the largest field within the bounds again.
    `before` and `after` are those of the field that it came from.
    """
    refined, greatest = field.refined, field.greatest.copy()
    at = np.unique(refined.low.welded[points.triangle])
    greatest[at] = np.minimum(greatest[at], kept * field.share[at])
    fine, start = refined.low, field.start
    share, _ = _without_folds(fine, start, greatest, field.inside, field.step, field.folded)
    return replace(field, share=share, greatest=greatest)


def _asking_triangles(tuning: Tuning) -> tuple[Mask, Mask]:
    """Return (T,) bool: triangles of flat faces with skew, and these with all that touch them."""
    low, after = tuning.low, tuning.after
    skewed = np.unique(after.points.triangle[after.findings.has(Defect.SKEW)])
    _, left, right = edge_pairs(low.welded)
    a, b = left // 3, right // 3
    flat = np.einsum("ij,ij->i", low.face_normals[a], low.face_normals[b]) > FLAT_COSINE
    count = len(low.triangles)
    beside = coo_array((np.ones(int(flat.sum()), np.int8), (a[flat], b[flat])), shape=(count,) * 2)
    _, face = connected_components(beside, directed=False)
    asking = np.isin(face, face[skewed])
    touched = np.zeros(low.position_count, bool)
    touched[low.welded[asking].ravel()] = True
    return asking, np.asarray(touched[low.welded].any(axis=1))


def _without_folds(
    fine: LowPoly, start: Cage, greatest: Floats, inside: Mask, step: csr_array, folded: Mask
) -> tuple[Floats, Cage]:
    """Return the field and its cage; lower `greatest` where that folds (and did not at 0).

    The check of the shell is exact. Corners of a folded piece stay as the tuned cage has them.
    """
    corners, flat = fine.positions[fine.triangles], fine.area <= 0
    while True:
        share = smallest_as_good(largest_within(greatest, step), inside, step)
        cage = turned_cage(fine, start, share)
        rows = np.flatnonzero((share[fine.welded] > 0).any(axis=1) & ~folded)
        shell = check_prisms(corners[rows], cage.displacement[rows], flat=flat[rows])
        fold = rows[shell.folded]
        if len(fold) == 0:
            return share, cage
        greatest[fine.welded[fold].ravel()] = 0.0


def largest_within(greatest: Floats, step: csr_array) -> Floats:
    """Return (P,) the largest field with s_i <= greatest_i and |s_i - s_j| <= step_ij."""
    return np.minimum(_distance(greatest, step), 1.0)


def smallest_as_good(largest: Floats, inside: Mask, step: csr_array) -> Floats:
    """Return (P,) the smallest field that keeps the steps and equals `largest` `inside`."""
    lowest = 1.0 - _distance(np.where(inside, 1.0 - largest, 1.0), step)
    # `largest` keeps the same steps, so only rounding can lie above it, or below 0.
    return np.clip(lowest, 0.0, largest)


def _distance(source: Floats, step: csr_array) -> Floats:
    """Return (P,) min_j (source_j + the shortest way from j), for sources in [0, 1]."""
    n = len(source)
    at = np.flatnonzero(source < 1.0)
    edges = step.tocoo()
    # One more node leads to all sources; one more unit of length keeps its edges above zero.
    rows = np.concatenate([edges.coords[0], np.full(len(at), n)])
    columns = np.concatenate([edges.coords[1], at])
    data = np.concatenate([edges.data, 1.0 + source[at]])
    graph = csr_array(coo_array((data, (rows, columns)), shape=(n + 1, n + 1)))
    found = dijkstra(graph, directed=True, indices=n, limit=2.0)[:n] - 1.0
    out: Floats = np.minimum(found, source)
    return out


def _side_wanted(tuning: Tuning) -> Floats:
    low, limits = tuning.low, tuning.settings.thresholds
    texels = low.texels_per_unit(tuning.settings.map_size)
    size = part_sizes(low)[low.triangle_part]
    without = limits.skew_share * size * REFINE_TEXELS / limits.skew_texels
    return np.where(texels > 0, REFINE_TEXELS / np.where(texels > 0, texels, 1.0), without)


def area_spacing(tuning: Tuning) -> float:
    """Return the distance between samples of the tuning's last check, world units."""
    return float(np.sqrt(tuning.low.area.sum() / max(tuning.assurance.samples, 1)))


def check_points(
    tuning: Tuning, refined: Refined, pieces: NDArray[np.int64], draw: int
) -> SurfacePoints:
    """Return points inside all pieces and on the low poly's own edges, other ones every draw."""
    fine = refined.low
    spacing = area_spacing(tuning)
    seed = tuning.settings.seed + draw
    rim = pieces[refined.on_edge[pieces].any(axis=1)]
    sides = sample_points(fine, spacing, seed=seed, triangles=rim)
    sides = sides.take(sides.kind == PointKind.EDGE)
    half = (np.argmin(sides.barycentric, axis=1) + 1) % 3
    sides = sides.take(refined.on_edge[sides.triangle, half])
    return join_points(
        [sample_points(fine, spacing, seed=seed, edges=False, triangles=pieces), sides]
    )


def unturned_cage(refined: Refined, cage: Cage) -> Cage:
    """Return a cage on a finer cut of its low poly."""
    moved = np.einsum("tvw,twk->tvk", refined.corner, cage.displacement[refined.parent])
    normal = np.einsum("tvw,twk->tvk", refined.corner, cage.normals[refined.parent])
    length = np.linalg.norm(moved, axis=2, keepdims=True)
    own = normalised(normal.reshape(-1, 3)).reshape(normal.shape)
    along = np.divide(moved, length, out=own, where=length > 0)
    return Cage(length * along, along, "straightening map")


def turned_cage(fine: LowPoly, start: Cage, share: Floats) -> Cage:
    """Return an unturned cage of a finer low poly with its rays turned by (P',) shares."""
    corner = share[fine.welded]
    rows = np.flatnonzero((corner > 0).any(axis=1))
    length = np.linalg.norm(start.displacement[rows], axis=2, keepdims=True)
    out = turned(start.normals[rows], fine.face_normals[rows], corner[rows])
    displacement, normals = start.displacement.copy(), start.normals.copy()
    displacement[rows] = length * out
    normals[rows] = normalised(out.reshape(-1, 3)).reshape(out.shape)
    return replace(start, displacement=displacement, normals=normals)


def _cap_edges(before: Outcome, greatest: Floats) -> None:
    """Lower `greatest` at both ends of every side whose wedge would open too wide."""
    low, points = before.low, before.points
    rows, share = greatest_shares(
        low, points, before.findings.hit_distance, before.rays.start, before.settings
    )
    half = (np.argmin(points.barycentric[rows], axis=1) + 1) % 3
    for end in (half, (half + 1) % 3):
        np.minimum.at(greatest, low.welded[points.triangle[rows], end], share)


def _steps(before: Outcome) -> csr_array:
    """Return (P', P') how much s may differ along every side."""
    fine, points, findings = before.low, before.points, before.findings
    lean = np.sin(np.radians(findings.slant))
    unknown = np.maximum(before.rays.start, 0.0) * lean
    slide = np.where(np.isfinite(findings.slide), findings.slide, unknown)
    worst = np.zeros(fine.position_count)
    np.maximum.at(worst, fine.welded[points.triangle].ravel(), np.repeat(slide, 3))
    a, b = fine.welded.ravel().astype(np.int64), np.roll(fine.welded, -1, axis=1).ravel()
    length = np.linalg.norm(fine.positions[a] - fine.positions[b], axis=1)
    with np.errstate(divide="ignore"):
        step = STRETCH * length / np.maximum(worst[a], worst[b])
    # A length of zero would read as no side at all; above 1 a side binds nothing.
    step = np.clip(step, 1e-9, 1.0)
    table = edge_table(a, b)
    (i, j), first = table.ends.T, table.first
    both = (np.concatenate([step[first]] * 2), (np.concatenate([i, j]), np.concatenate([j, i])))
    return csr_array(coo_array(both, shape=(fine.position_count,) * 2))


def _cap_harm(
    before: Outcome,
    after: Outcome,
    share: Floats,
    greatest: Floats,
    counted: Mask,
    final: Mask,
) -> Mask:
    """Lower `greatest` around samples that turning made wrong; return (N,) bool, which they are.

    counted : (N,) bool, the others say nothing. final : (N,) bool, to 0, without another try in
    between.
    """
    points, findings = after.points, after.findings
    corner = after.low.welded[points.triangle]
    now = np.einsum("ij,ij->i", points.barycentric, share[corner])
    turning = np.where(now > LEAST_SHARE, now, 0.0)
    broken = after.worse_than(before) & (now > 0) & counted
    split = after.gained(Defect.SPLIT, before) & counted
    limit = after.settings.thresholds.split_texels
    wide = np.where(split, findings.measures[Defect.SPLIT], limit)
    texels = after.low.texels_per_unit(after.settings.map_size)[points.triangle]
    closed = np.where(texels > 0, turning * SPLIT_SPARE * limit / wide, 0.0)
    back = np.where(final, 0.0, BACK_OFF * turning)
    # The corners nearest to it first; where that did not do, all.
    least = np.where(final, 1e-12, 1 / 3)
    for rows, most in ((np.flatnonzero(broken), back), (np.flatnonzero(split), closed)):
        used = points.barycentric[rows] >= least[rows, None]
        np.minimum.at(greatest, corner[rows][used], np.repeat(most[rows][:, None], 3, 1)[used])
    return np.asarray(broken | split)
