"""A cage whose vertices are moved sideways, so that its rays lean less.

A ray's slope over its face is (sum_v w_v d_v u_v) / (its height): linear in the directions u_v as
long as heights stand. The slide beyond what is allowed, in texels, summed over the surface, is
then convex; it is lowered by iteratively reweighted least squares (Holland and Welsch, "Robust
regression using iteratively reweighted least-squares", Communications in Statistics 6(9), 1977).
At an edge both sides pull; the side with more detail over it wins. Heights over all faces are
kept by longer offsets, and vertices around samples that a cast shows harmed go back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array
from scipy.sparse.linalg import spsolve

from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import Defect
from cagecheck.defects.rule import part_sizes
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import normalised
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage
from cagecheck.rays.points import SurfacePoints
from cagecheck.tuning.folds import check_shell
from cagecheck.tuning.rings import NEIGHBOUR_RINGS, triangles_around
from cagecheck.tuning.straighten.outcome import outcome
from cagecheck.tuning.straighten.turned_directions import MOST_LEAN_COSINE
from cagecheck.tuning.straighten.turning_map import StraighteningField, check_points
from cagecheck.tuning.tune import Tuning

ITERATIONS = 12
# Every new answer is taken half way: both sides of an edge would change places else.
DAMPING = 0.5
# Samples from this share of the allowed slide on are held down, so that they do not cross it.
NEARLY = 0.9
# Pull back to the averaged normals, against the mean weight of what slides; along the normal
# itself a thousand times that, which keeps the offset's meaning.
PULL = 1e-3
PULL_ALONG = 1.0
# Over no face a vertex goes below this share of its height in the tuned cage (per unit of offset):
# what it leans further, its offset would have to make up for.
LEAST_HEIGHT = 0.5
# Casts that look for harm; vertices around it go half way back, in the later half all the way. What
# was not moved otherwise since need not be looked at before the last of them.
ROUNDS = 12
# Added to the seed for points that nothing else has used.
CAGE_SEED = 3000


@dataclass(frozen=True, eq=False)
class _Slides:
    """Samples over triangles whose corners may lean, and what they ask for.

    column : (N, 3) int64 into the free positions, -1 for others; weight : (N, 3) barycentric
    weight times offset; fixed : (N, 3) what other corners add; allowed : (N,) slope.
    """

    column: NDArray[np.int64]
    weight: Floats
    fixed: Floats
    normal: Floats
    distance: Floats
    area: Floats
    allowed: Floats

    def slope(self, directions: Floats) -> tuple[Floats, Floats]:
        """Return (N,) slopes over the faces and heights of the cage points."""
        used = np.where((self.column >= 0)[:, :, None], directions[self.column], 0.0)
        moved = np.einsum("nv,nvk->nk", self.weight, used) + self.fixed
        height = np.einsum("nk,nk->n", moved, self.normal)
        height = np.maximum(height, 1e-9 * (np.abs(height).max(initial=0.0) or 1.0))
        flat = moved - height[:, None] * self.normal
        return np.linalg.norm(flat, axis=1) / height, height

    def excess(self, slope: Floats) -> float:
        """Return the area-weighted slide beyond what is allowed, against the allowed."""
        over = np.minimum(np.maximum(slope / self.allowed - 1, 0.0), 1 / self.allowed)
        return float(self.area @ over)


@dataclass(frozen=True, eq=False)
class MovedCage:
    """A closed cage that slides less; its `positions` are the moved vertices.

    sideways : (P, 3) what would be added to the averaged normals; share : (P,) in [0, 1], how much
    of it is.
    """

    cage: Cage
    sideways: Floats
    share: Floats

    @property
    def moved(self) -> NDArray[np.bool_]:
        """(P,) bool, positions that are moved."""
        return np.asarray(self.sideways.any(axis=1) & (self.share > 0))

    def turns(self, low: LowPoly, points: SurfacePoints) -> NDArray[np.bool_]:
        """Return (N,) bool: points with a moved corner."""
        return np.asarray(self.moved[low.welded[points.triangle]].any(axis=1))

    def taken_back(self, tuning: Tuning, points: SurfacePoints, kept: float) -> MovedCage:
        """Return the cage with the corners of some points moved by a part of what they are now."""
        share = self.share.copy()
        share[np.unique(tuning.low.welded[points.triangle])] *= kept
        return _moved(tuning, self.sideways, share)


def _moved(tuning: Tuning, sideways: Floats, share: Floats) -> MovedCage:
    cage = _cage_of(tuning, tuning.low.ray_normals + share[:, None] * sideways)
    return MovedCage(cage, sideways, share)


def moved_cage(
    tuning: Tuning, field: StraighteningField, *, progress: Progress = silent
) -> MovedCage:
    """Return a closed cage that slides less.

    field : its cut says where checks draw points.

    Kept vertices stay. The last casts found nothing harmed that the tuned cage had not.
    """
    low = tuning.low
    wanted = _upright(low, leaned_directions(tuning))
    sideways = wanted - low.ray_normals
    share = np.ones(low.position_count)
    folded = check_shell(low, tuning.cage).folded
    # Triangles that were moved otherwise since they were last looked at.
    due = np.ones(len(low.triangles), bool)
    for k in range(ROUNDS):
        progress("moving cage vertices", k, ROUNDS)
        out = _moved(tuning, sideways, share.copy())
        if not sideways.any():
            break
        whole = k in (0, ROUNDS - 1) or not due.any()
        near = triangles_around(low, due, NEIGHBOUR_RINGS)
        drawn = field.pieces if whole else field.pieces[near[field.cut.parent[field.pieces]]]
        points = check_points(tuning, field.cut, drawn, CAGE_SEED + k)
        points = field.cut.to_parent(points)
        before = outcome(tuning, tuning.cage, points)
        harmed = outcome(tuning, out.cage, points).worse_than(before)
        # Points around only settle doubtful targets of the others.
        harmed &= due[points.triangle] | whole
        bad = check_shell(low, out.cage).folded & ~folded
        bad[points.triangle[harmed]] = True
        if whole and k > 0 and not bad.any():
            break
        corner = np.zeros(low.position_count, bool)
        corner[low.welded[bad]] = True
        share[corner] *= 0.5 if 2 * k < ROUNDS else 0.0
        due = np.asarray(corner[low.welded].any(axis=1))
    progress("moving cage vertices", 1, 1)
    return out


def _cage_of(tuning: Tuning, directions: Floats) -> Cage:
    """Return the cage with the tuned offsets along other directions, as high over every face."""
    low = tuning.low
    offset = np.zeros(low.position_count)
    offset[low.position_id] = tuning.offset_out
    moved = directions != low.ray_normals
    tuned = np.einsum("tvk,tk->tv", low.ray_normals[low.welded], low.face_normals)
    height = np.einsum("tvk,tk->tv", directions[low.welded], low.face_normals)
    longer = np.ones(low.position_count)
    held = (tuned > MOST_LEAN_COSINE) & (height > 0)
    ratio = np.where(held, tuned / np.where(held, height, 1.0), 1.0)
    np.maximum.at(longer, low.welded.ravel(), ratio.ravel())
    longer = np.where(moved.any(axis=1), longer, 1.0)
    push = (offset * longer)[:, None] * directions
    return Cage(
        push[low.welded],
        normalised(directions)[low.welded],
        "straightened cage",
        low.positions + push[low.position_id],
    )


def _upright(low: LowPoly, directions: Floats) -> Floats:
    """Return the directions, half way back (again and again) where they lie too low over a face."""
    tuned = np.einsum("tvk,tk->tv", low.ray_normals[low.welded], low.face_normals)
    out = directions.copy()
    for _ in range(ROUNDS):
        height = np.einsum("tvk,tk->tv", out[low.welded], low.face_normals)
        lying = low.welded[(height < LEAST_HEIGHT * tuned) & (tuned > MOST_LEAN_COSINE)]
        if len(lying) == 0:
            return out
        lying = np.unique(lying)
        out[lying] = 0.5 * (out[lying] + low.ray_normals[lying])
    out[lying] = low.ray_normals[lying]
    return out


def leaned_directions(tuning: Tuning) -> Floats:
    """Return (P, 3) directions per unit of offset, near the averaged normals, that slide less."""
    low, after = tuning.low, tuning.after
    skewed = np.unique(after.points.triangle[after.findings.has(Defect.SKEW)])
    kept = np.zeros(low.position_count, bool)
    kept[low.position_id] = tuning.kept
    free = np.unique(low.welded[skewed])
    free = free[~kept[free]]
    out = low.ray_normals.copy()
    if len(free) == 0:
        return out
    slides = _slides(tuning, free)
    normal = low.ray_normals[free]
    now = best = normal
    slope, height = slides.slope(now)
    least = slides.excess(slope)
    for k in range(ITERATIONS):
        answer = _reweighted(slides, slope, height, normal)
        now = answer if k == 0 else DAMPING * answer + (1 - DAMPING) * now
        slope, height = slides.slope(now)
        excess = slides.excess(slope)
        if excess < least:
            least, best = excess, now
    out[free] = best
    return out


def _slides(tuning: Tuning, free: NDArray[np.integer]) -> _Slides:
    low, after, settings = tuning.low, tuning.after, tuning.settings
    number = np.full(low.position_count, -1, np.int64)
    number[free] = np.arange(len(free))
    distance = np.abs(after.findings.hit_distance)
    touching: NDArray[np.bool_] = np.any(number[low.welded] >= 0, axis=1)
    rows = np.flatnonzero(
        touching[after.points.triangle]
        & (distance > 0)
        & after.targets.found
        & (after.points.area > 0)
    )
    triangle = after.points.triangle[rows]
    offset = np.zeros(low.position_count)
    offset[low.position_id] = tuning.offset_out
    corner = low.welded[triangle]
    weight = after.points.barycentric[rows] * offset[corner]
    column = number[corner]
    others = np.where((column < 0)[:, :, None], low.ray_normals[corner], 0.0)
    limits = settings.thresholds
    texels = low.texels_per_unit(settings.map_size)[triangle]
    size = part_sizes(low)[low.triangle_part[triangle]]
    with np.errstate(divide="ignore"):
        slide = np.where(texels > 0, limits.skew_texels / texels, limits.skew_share * size)
    return _Slides(
        column=column,
        weight=weight,
        fixed=np.einsum("nv,nvk->nk", weight, others),
        normal=low.face_normals[triangle],
        distance=distance[rows],
        area=after.points.area[rows],
        allowed=np.maximum(slide / distance[rows], np.tan(np.radians(limits.skew_degrees))),
    )


def _reweighted(slides: _Slides, slope: Floats, height: Floats, normal: Floats) -> Floats:
    """Return the directions that minimise the weighted squares of the slopes in force."""
    rows = np.flatnonzero(slope > NEARLY * slides.allowed)
    weight = slides.area[rows] / (
        np.maximum(slope[rows], slides.allowed[rows]) * slides.allowed[rows] * height[rows] ** 2
    )
    across = np.eye(3) - slides.normal[rows, :, None] * slides.normal[rows, None, :]
    count = len(normal)
    total = csc_array((3 * count, 3 * count))
    right = np.zeros((count, 3))
    axis = np.arange(3)
    for a in range(3):
        at = slides.column[rows, a]
        mine = at >= 0
        push = (weight * slides.weight[rows, a])[:, None] * np.einsum(
            "nij,nj->ni", across, slides.fixed[rows]
        )
        np.add.at(right, at[mine], -push[mine])
        for b in range(3):
            beside = slides.column[rows, b]
            both = np.flatnonzero(mine & (beside >= 0))
            block = (weight * slides.weight[rows, a] * slides.weight[rows, b])[both]
            block = block[:, None, None] * across[both]
            i = np.broadcast_to(3 * at[both, None, None] + axis[:, None], block.shape)
            j = np.broadcast_to(3 * beside[both, None, None] + axis, block.shape)
            piece = coo_array((block.ravel(), (i.ravel(), j.ravel())), shape=total.shape)
            total = total + csc_array(piece)
    diagonal = total.diagonal()
    pull = PULL * (float(diagonal[diagonal > 0].mean()) if (diagonal > 0).any() else 1.0)
    hold = pull * (np.eye(3) + PULL_ALONG / PULL * normal[:, :, None] * normal[:, None, :])
    i = np.broadcast_to(3 * np.arange(count)[:, None, None] + axis[:, None], hold.shape)
    j = np.broadcast_to(3 * np.arange(count)[:, None, None] + axis, hold.shape)
    held = csc_array(coo_array((hold.ravel(), (i.ravel(), j.ravel())), shape=total.shape))
    right += np.einsum("nij,nj->ni", hold, normal)
    out: Floats = spsolve(csc_array(total + held), right.ravel()).reshape(-1, 3)
    return out
