"""Straightening: how far each vertex's rays turn from the averaged to the face normals.

A ray that leans from its face lets detail at height t slide sideways by |t| tan(lean). Turning
the corners of a triangle towards its own normal takes the lean away, but at an edge the rays of
both sides then part company. One number s per position, 0 (averaged) to 1 (face), weighs the two:
samples that slide too far ask for a least s, edges that would open too wide allow a greatest one,
and between them s is smooth and small. That is an offset problem again, and solved as one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.classify import part_diagonals
from cagecheck.defects.kinds import Defect
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Floats
from cagecheck.meshes.normals import edge_pairs, normalised
from cagecheck.prediction import Prediction, place_points, predict_rays
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage, rays_through
from cagecheck.rays.points import PointKind, SurfacePoints, sample_points
from cagecheck.tuning.corridors import Graph, Limits, low_graph
from cagecheck.tuning.problem import offset_problem
from cagecheck.tuning.search import Search
from cagecheck.tuning.solver import solve_offsets
from cagecheck.tuning.tune import CHECK_FACTOR, CHECKS, Tuning

# Added to the seed for points that no check of the tuning has used.
FRESH_SEED = 1000
# Halvings of the search for the s of one sample: to a thousandth.
HALVINGS = 10
# Splits are worse than slides: a slide bends detail, a split loses it. Edge rows come first.
SLIDE_IMPORTANCE = 1e-2
# Beyond this angle between averaged and face normal a corner's own plane says nothing about
# which way is out, and keeping its height over it would push it away without end.
MOST_LEAN_COSINE = 0.2
# Corners carry at least this share of their triangle's weight into a shared cage vertex.
LEAST_PULL = 0.05


@dataclass(frozen=True, eq=False)
class Straightening:
    """A straightening field and what it changes.

    Attributes
    ----------
    share : (V,) float64 in [0, 1]: 0 is the averaged normal, 1 the face's own.
    offset_rays, offset_cage : (V,) float64 offsets tuned for the two, in units of their push.
    rays : prediction through rays turned corner by corner (bakers that take a straightening map).
    cage : prediction through one cage mesh whose vertices are moved sideways (bakers that only
        take a cage); its `cage.positions` are the vertices.
    before : the tuned cage, on the same points.
    """

    share: Floats
    offset_rays: Floats
    offset_cage: Floats
    before: Prediction
    rays: Prediction
    cage: Prediction

    def table(self) -> list[dict[str, float | str]]:
        """Return a row per defect looked for: percent of the surface before, by rays, by cage."""
        return [
            {
                "name": str(a["name"]),
                "percent_before": float(a["percent"]),
                "percent_rays": float(b["percent"]),
                "percent_cage": float(c["percent"]),
            }
            for a, b, c in zip(
                self.before.totals(), self.rays.totals(), self.cage.totals(), strict=True
            )
            if a["name"] != Defect.UNSEEN.title or self.before.unseen is not None
        ]

    def to_dict(self) -> dict[str, object]:
        """Return what it changes, as plain values (the field itself is in its own file)."""
        return {
            "straightened_vertices": int((self.share > 0).sum()),
            "largest_share": float(self.share.max(initial=0.0)),
            "rays_help": self.rays_help(),
            "cage_helps": self.cage_helps(),
            "table": self.table(),
        }

    def cage_helps(self) -> bool:
        """True when the moved cage has less skew and no more misses and overshoots."""
        return _worth(self.before, self.cage)

    def rays_help(self) -> bool:
        """True when the turned rays have less skew and no more misses and overshoots."""
        return _worth(self.before, self.rays)


def straighten(tuning: Tuning, *, progress: Progress = silent) -> Straightening:
    """Find a straightening field, tune the offsets again along the turned rays, and cast anew.

    The offsets are settled and checked as in `tune`; the predictions are made on points never
    used for solving. Misses and overshoots that turned rays bring show in them:
    `rays_help` and `cage_helps` compare, nothing here assumes that they are harmless.
    """
    low = tuning.low
    share = _solve_share(low, low_graph(low), tuning.after, progress)
    push = turned_push(low, share)
    spacing = float(np.sqrt(low.area.sum() / max(tuning.assurance.samples, 1)))
    points = sample_points(low, spacing, seed=tuning.settings.seed + FRESH_SEED)
    offsets, cages = [], []
    for pushed in (push, shared_push(low, push, tuning.after)):
        search = _search_along(tuning, pushed, progress)
        search.settle_and_check(CHECK_FACTOR, CHECKS)
        offsets.append(search.offsets[low.position_id])
        cages.append(search.cage())
    moved = np.zeros((low.position_count, 3))
    moved[low.welded.ravel()] = cages[1].displacement.reshape(-1, 3)
    shared = replace(cages[1], positions=low.positions + moved[low.position_id])
    return Straightening(
        share=share[low.position_id],
        offset_rays=offsets[0],
        offset_cage=offsets[1],
        before=_predicted(tuning.after, tuning.cage, points, progress),
        rays=_predicted(
            tuning.after, replace(cages[0], label="straightened rays"), points, progress
        ),
        cage=_predicted(tuning.after, replace(shared, label="straightened cage"), points, progress),
    )


def _search_along(tuning: Tuning, push: Floats, progress: Progress) -> Search:
    low = tuning.low
    _, first = np.unique(low.position_id, return_index=True)
    offsets = tuning.offset_out[first]
    limits = Limits(
        tuning.limit,
        min(tuning.preferred, tuning.limit),
        np.where(tuning.kept[first], offsets, np.nan),
        np.zeros(0),
    )
    search = Search(
        low, tuning.scene, tuning.paired, tuning.settings, tuning.margin, limits,
        place_points(low, tuning.settings), progress=progress, push=push,
    )  # fmt: skip
    search.offsets = offsets
    return search


def _predicted(
    before: Prediction, cage: Cage, points: SurfacePoints, progress: Progress
) -> Prediction:
    rays = rays_through(before.low, cage, points, before.settings.along)
    return predict_rays(
        before.low, before.scene, cage, before.paired, before.settings, points, rays,
        progress=progress,
    )  # fmt: skip


def _worth(before: Prediction, after: Prediction) -> bool:
    def area(prediction: Prediction, *kinds: Defect) -> float:
        wrong = np.zeros(len(prediction.points), bool)
        for kind in kinds:
            wrong |= prediction.findings.has(kind)
        return float(prediction.points.area[wrong].sum())

    harm = (
        Defect.MISS_TIGHT,
        Defect.MISS_DEEP,
        Defect.MISS_NOTHING,
        Defect.OVERSHOOT_OWN,
        Defect.OVERSHOOT_OTHER,
    )
    return area(after, Defect.SKEW) < area(before, Defect.SKEW) and area(after, *harm) <= area(
        before, *harm
    )


def turned_push(low: LowPoly, share: Floats) -> Floats:
    """Return (T, 3, 3) where corners go per unit of offset, for a field (P,).

    Directions turn from the averaged to the face normal, and are as long as keeps each corner's
    height over its own triangle: what was covered stays covered, to first order.
    """
    s = share[low.welded][:, :, None]
    averaged = low.ray_normals[low.welded]
    direction = normalised((1 - s) * averaged + s * low.face_normals[:, None, :])
    height = np.einsum("tvk,tk->tv", averaged, low.face_normals)
    lean = np.einsum("tvk,tk->tv", direction, low.face_normals)
    steady = (height > MOST_LEAN_COSINE) & (lean > MOST_LEAN_COSINE)
    stretch = np.where(steady, height / np.where(steady, lean, 1.0), 1.0)
    out: Floats = np.where(s > 0, stretch[:, :, None] * direction, averaged)
    return out


def shared_push(low: LowPoly, push: Floats, before: Prediction) -> Floats:
    """Return a push that all corners of a position share: one closed cage with vertices moved.

    A position goes the way that its corners need most: they weigh by their area, and by how much
    of what slides lies in their triangle. (T, 3, 3) like `turned_push`.
    """
    points, findings = before.points, before.findings
    slide = np.where(findings.has(Defect.SKEW), findings.slide * points.area, 0.0)
    pull = np.bincount(points.triangle, np.nan_to_num(slide), minlength=len(low.triangles))
    pull = pull / (pull.max(initial=0.0) or 1.0) + LEAST_PULL * low.area / (low.area.max() or 1.0)
    total = np.zeros((low.position_count, 3))
    weight = np.zeros(low.position_count)
    np.add.at(total, low.welded.ravel(), (pull[:, None, None] * push).reshape(-1, 3))
    np.add.at(weight, low.welded.ravel(), np.repeat(pull, 3))
    mean = np.divide(total, weight[:, None], out=np.zeros_like(total), where=weight[:, None] > 0)
    return mean[low.welded]


def _solve_share(low: LowPoly, graph: Graph, before: Prediction, progress: Progress) -> Floats:
    """Return (P,) the field: rows from sliding samples below, from opening edges above."""
    rows, least = _asking(low, before)
    edges, greatest = _opening(low, before)
    points = before.points
    both = np.concatenate([rows, edges])
    problem = offset_problem(
        low.position_count,
        low.welded[points.triangle[both]],
        points.barycentric[both],
        np.concatenate([least, np.full(len(edges), -np.inf)]),
        np.concatenate([np.full(len(rows), np.inf), greatest]),
        graph.edges,
        edge_weight=graph.weight,
        attraction=graph.attraction,
        ceiling=1.0,
        importance=np.concatenate([np.full(len(rows), SLIDE_IMPORTANCE), np.ones(len(edges))]),
    )
    share = solve_offsets(problem, progress=progress).offsets
    # What no row asked for is rounding.
    return np.where(share < 1e-6, 0.0, share)


def _asking(low: LowPoly, before: Prediction) -> tuple[NDArray[np.int64], Floats]:
    """Return samples that slide too far, and the least share that brings each below threshold."""
    points, findings = before.points, before.findings
    rows = np.flatnonzero(findings.has(Defect.SKEW))
    limits = before.settings.thresholds
    texels = low.texels_per_unit(before.settings.map_size)[points.triangle[rows]]
    height = np.abs(findings.hit_distance[rows])
    size = part_diagonals(low)[low.triangle_part[points.triangle[rows]]]
    with np.errstate(divide="ignore", invalid="ignore"):
        slide = np.where(texels > 0, limits.skew_texels / texels, limits.skew_share * size)
        allowed = slide / height
    slope = np.maximum(allowed, np.tan(np.radians(limits.skew_degrees)))
    corner = low.ray_normals[low.welded[points.triangle[rows]]]
    averaged = normalised(np.einsum("ij,ijk->ik", points.barycentric[rows], corner))
    face = low.face_normals[points.triangle[rows]]

    def kept(s: Floats) -> NDArray[np.bool_]:
        ray = normalised((1 - s[:, None]) * averaged + s[:, None] * face)
        along = np.einsum("ij,ij->i", ray, face)
        across = np.linalg.norm(ray - along[:, None] * face, axis=1)
        return (along > 0) & (across <= slope * along)

    return rows, _bisect(kept, len(rows), wanted_above=True)


def _opening(low: LowPoly, before: Prediction) -> tuple[NDArray[np.int64], Floats]:
    """Return edge samples and the greatest share at which the rays of both sides stay together.

    At height t over a convex edge (or at depth t below a concave one) rays turned by s leave a
    wedge between them; it may be as wide as the split threshold.
    """
    points = before.points
    rows = np.flatnonzero(np.isin(points.kind, (PointKind.EDGE,)))
    half = (np.argmin(points.barycentric[rows], axis=1) + 1) % 3
    twin = np.full(3 * len(low.triangles), -1, np.int64)
    _, left, right = edge_pairs(low.welded)
    twin[left], twin[right] = right, left
    other = twin[3 * points.triangle[rows].astype(np.int64) + half]
    rows, half, other = rows[other >= 0], half[other >= 0], other[other >= 0]
    triangle, beside = points.triangle[rows], other // 3
    mine, theirs = low.face_normals[triangle], low.face_normals[beside]
    corner = low.ray_normals[low.welded[triangle]]
    averaged = normalised(np.einsum("ij,ijk->ik", points.barycentric[rows], corner))
    p = low.positions[low.triangles[triangle]]
    at = np.arange(len(rows))
    along = normalised(p[at, (half + 1) % 3] - p[at, half])
    convex = np.einsum("ij,ij->i", theirs - mine, np.cross(along, mine)) > 0
    t = before.findings.hit_distance[rows]
    height = np.where(convex, np.maximum(t, 0), np.maximum(-t, 0))
    height = np.where(np.isfinite(height), height, np.maximum(before.rays.start[rows], 0))
    texels = low.texels_per_unit(before.settings.map_size)[triangle]
    limit = before.settings.thresholds.split_texels

    def kept(s: Floats) -> NDArray[np.bool_]:
        a = normalised((1 - s[:, None]) * averaged + s[:, None] * mine)
        b = normalised((1 - s[:, None]) * averaged + s[:, None] * theirs)
        width = np.linalg.norm(a - b, axis=1) * height
        # Without UVs there are no texels to hide a wedge in: any width is too wide.
        return np.where(texels > 0, width * texels <= limit, width <= 0)

    greatest = _bisect(kept, len(rows), wanted_above=False)
    binding = greatest < 1.0
    return rows[binding], greatest[binding]


def _bisect(
    kept: Callable[[Floats], NDArray[np.bool_]], count: int, *, wanted_above: bool
) -> Floats:
    """Return (N,) the least s in [0, 1] that is kept (or the greatest), to 2^-`HALVINGS`."""
    low, high = np.zeros(count), np.ones(count)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        good = kept(middle)
        if wanted_above:
            low, high = np.where(good, low, middle), np.where(good, middle, high)
        else:
            low, high = np.where(good, middle, low), np.where(good, high, middle)
    if wanted_above:
        return high
    return np.where(kept(np.ones(count)), 1.0, low)
