"""Sensible distances from the scene itself, for whoever gave none.

A thin, seeded probe of rays finds where the low poly's own high-poly surface lies. The numbers
are proposals: results state them, and flags replace them.
"""

from __future__ import annotations

from dataclasses import dataclass

from cagecheck.arrays.quantiles import weighted_quantiles
from cagecheck.defects.match import Matcher
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.points import sample_points, spacing_for_count

PROBE_SAMPLES = 20_000
# How far the probe looks on both sides: a tenth of the low poly's diagonal is far more than a
# cage is ever pushed on a matched pair.
PROBE_SHARE = 0.1
# A uniform offset that holds this share of the surface is the number an artist would type; the
# rest is what per-vertex offsets are for. Depth is free of overshoot, so it may hold nearly all.
OFFSET_QUANTILE, DEPTH_QUANTILE = 0.99, 0.999
HEADROOM = 1.25
# Below this share of the surface, inward-facing targets say nothing about distances (common
# practice, no source).
FEW_INWARD = 0.05
# On a perfect match both distances would be zero; no bake runs with less than this of the size.
LEAST_SHARE = 1e-3
# Corridors are looked for this many offsets out, so that the next layer is known.
REACH_OFFSETS = 3.0


@dataclass(frozen=True)
class Distances:
    """offset: uniform push; depth: how far below; reach: how far out layers are known; units."""

    offset: float
    depth: float
    reach: float


def probe_distances(matcher: Matcher, *, seed: int = 0) -> Distances:
    """Propose offset, depth and reach from where the probe finds each sample's own surface."""
    low = matcher.low
    size = low.diagonal()
    points = sample_points(low, spacing_for_count(low, PROBE_SAMPLES), seed=seed, edges=False)
    far = PROBE_SHARE * size
    rays = matcher.rays(cage_from_offset(low, 0.0), points)
    targets = matcher.match(points, rays, far, far).targets
    least = LEAST_SHARE * size
    if not targets.found.any():
        return Distances(10 * least, 10 * least, REACH_OFFSETS * 10 * least)
    # Where a few samples find only inward-facing surface, that may be the far wall: pieces that run
    # into each other leave such samples along their seam. A part that is flipped has many.
    inward = float(points.area[targets.found & ~targets.front].sum())
    seen = targets.found
    if inward < FEW_INWARD * float(points.area[seen].sum()):
        seen = seen & targets.front
    # By area: small triangles have more points than their share of the surface.
    highest, lowest = weighted_quantiles(
        targets.t[seen],
        points.area[seen],
        (OFFSET_QUANTILE, 1 - DEPTH_QUANTILE),
    )
    offset = max(least, HEADROOM * float(highest))
    depth = max(least, HEADROOM * float(-lowest))
    return Distances(offset, depth, min(far, REACH_OFFSETS * max(offset, depth)))
