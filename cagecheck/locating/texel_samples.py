"""How many samples a texel did a bake take: one, 2 x 2, 4 x 4, or was it filtered afterwards?

Where the surface bends within a texel, the mean over several samples is another normal than that in
the middle. Each count is cast again at such texels, well inside their triangles so that neither
padding nor the rim of an island has a say, and the one that lies nearest to the map is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.locating.conventions import Reading
from cagecheck.locating.enlarging import TENT
from cagecheck.locating.goals import DEPTH_SHARE, find_goals
from cagecheck.locating.ray_directions import step_share
from cagecheck.locating.variants import Variants
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import normalised
from cagecheck.rays.points import SurfacePoints

Samples = Literal["1", "2 x 2", "4 x 4", "filtered"]
COUNTS: dict[Samples, int] = {"1": 1, "2 x 2": 2, "4 x 4": 4}
# So many texels are cast again, those with the strongest bend among the even sample of the tile.
ASKED, BENT_SHARE = 1500, 0.25
# Two counts are compared where so many texels tell them apart.
LEAST_TEXELS = 60
# Where the map lies on the step from one count to the next: 0 is the one, 1 the other. Nearer than
# halfway it is told, nearer than these it is likely or certain.
FARTHEST, LIKELY, CERTAIN = 0.5, 0.3, 0.15


@dataclass(frozen=True)
class ToldSamples:
    """samples : what fits best; alike : what the map cannot tell from it; away : how far on the
    step to the next the map lies.
    """

    samples: Samples
    alike: tuple[Samples, ...]
    away: float


def told_samples(
    variants: Variants,
    reading: Reading,
    shown: NDArray[np.float16],
    expected: NDArray[np.float16],
    clean: NDArray[np.bool_],
) -> ToldSamples | None:
    """Tell a map's samples a texel; None where nothing tells.

    shown, expected : (H, W, 3) world normals, upright; clean : (H, W) bool, nothing wrong there.
    """
    size = shown.shape[0]
    sample = variants.sampled(reading.tile, size, reading.quads, reading.normals)
    low = variants.low(reading.quads)
    points = sample.points
    assert points is not None
    y, x = sample.y.astype(np.int64), sample.x.astype(np.int64)
    inside = (y > 0) & (x > 0) & (y < size - 1) & (x < size - 1)
    inside[inside] = clean[y[inside], x[inside]]
    rows = np.flatnonzero(inside)
    moves = _moves(low, points.triangle[rows], size)
    whole = _stay_inside(points.barycentric[rows], moves)
    rows, moves = rows[whole], moves[whole]
    mild, bend = _filtered(expected, y[rows], x[rows])
    if len(rows) < LEAST_TEXELS:
        return None
    least = np.quantile(bend, 1 - BENT_SHARE)
    bent = np.flatnonzero(bend >= least)
    bent = bent[:: max(len(bent) // ASKED, 1)]
    rows, moves = rows[bent], moves[bent]
    wanted: dict[Samples, Floats] = {"filtered": mild[bent]}
    for name, count in COUNTS.items():
        wanted[name] = _means(variants, reading, points.take(rows), moves, count)
    seen = shown[y[rows], x[rows]].astype(np.float64)
    return nearest(seen, wanted)


def nearest(shown: Floats, wanted: dict[Samples, Floats]) -> ToldSamples | None:
    """Return the count from which the map does not lie on the way to any other.

    shown, wanted : (N, 3) unit vectors.
    """
    away: dict[Samples, float] = {}
    alike: dict[Samples, tuple[Samples, ...]] = {}
    for name, mine in wanted.items():
        steps = {
            other: step_share(shown, mine, theirs, LEAST_TEXELS)
            for other, theirs in wanted.items()
            if other != name
        }
        known = [share for share in steps.values() if share is not None]
        away[name] = max(known, default=np.inf)
        alike[name] = tuple(other for other, share in steps.items() if share is None)
    best = min(away, key=lambda name: (away[name], len(alike[name])))
    return ToldSamples(best, alike[best], away[best]) if away[best] < FARTHEST else None


def _moves(low: LowPoly, triangle: NDArray[np.int32], size: int) -> Floats:
    """Return (N, 2, 3): how barycentrics change from texel to texel, to the right and upwards."""
    assert low.uv is not None
    uv = low.uv[triangle] * size
    edge = np.stack([uv[:, 1] - uv[:, 0], uv[:, 2] - uv[:, 0]], axis=2)
    flat = np.abs(np.linalg.det(edge)) < 1e-12
    edge[flat] = np.eye(2)
    share = np.linalg.inv(edge)
    out = np.stack([-share.sum(axis=1), share[:, 0], share[:, 1]], axis=2)
    out[flat] = np.inf
    return np.asarray(out)


def _offsets(count: int) -> Floats:
    """Return (count^2, 2) places of an even lattice in a texel, from its middle."""
    at = (np.arange(count) + 0.5) / count - 0.5
    return np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2)


def _stay_inside(barycentric: Floats, moves: Floats) -> NDArray[np.bool_]:
    """Tell the texels all of whose corners lie in their own triangle."""
    with np.errstate(invalid="ignore"):
        corners = barycentric[:, None] + np.einsum("ck,nkb->ncb", 2 * _offsets(2), moves)
        return np.asarray((corners >= 0).all(axis=(1, 2)))


def _means(
    variants: Variants, reading: Reading, points: SurfacePoints, moves: Floats, count: int
) -> Floats:
    """Return what the mean over count x count samples of every texel records."""
    baker = variants.baker(reading.quads, reading.normals, reading.directions)
    depth = DEPTH_SHARE * (variants.settings.depth or 0.0)
    total = np.zeros((len(points), 3))
    for offset in _offsets(count):
        moved = points.barycentric + np.einsum("k,nkb->nb", offset, moves)
        at = SurfacePoints(points.triangle, moved, points.area, points.kind, points.spacing)
        rays = baker.matcher.rays(baker.cage, at)
        goal = find_goals(baker, at, rays, depth)
        total += baker.shading.along(goal.face, rays.origin, rays.direction, goal.t)
    return normalised(total)


def _filtered(
    expected: NDArray[np.float16], y: NDArray[np.int64], x: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Return what a tent over 3 x 3 texels makes of the expected picture, and how much it bends."""
    total = np.zeros((len(y), 3))
    for row in (-1, 0, 1):
        for column in (-1, 0, 1):
            weight = float(TENT[row + 1] * TENT[column + 1])
            total += weight * expected[y + row, x + column].astype(np.float64)
    mild = normalised(total)
    return mild, np.linalg.norm(mild - expected[y, x], axis=1)
