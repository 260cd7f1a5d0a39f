"""The defect map: the main defect of every texel's ray, streamed in blocks.

Each texel gets what `predict` would say of a sample at its centre. A block is judged by itself,
so a doubtful texel at its border asks only neighbours of its own block.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.classify import classify
from cagecheck.defects.kinds import CLEAN, Thresholds
from cagecheck.defects.targets import find_targets, ground_of
from cagecheck.defects.whole_rays import look_deeper
from cagecheck.maps.texels import texel_blocks
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.predicting.predict import DEEP_SEARCH, own_layers
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Along, Cage, rays_through
from cagecheck.rays.scene import Scene


def defect_map(
    low: LowPoly,
    scene: Scene,
    cage: Cage,
    paired: NDArray[np.bool_],
    *,
    tile: int,
    size: int,
    depth: float,
    reach: float,
    along: Along = "cage",
    apart: bool = False,
    thresholds: Thresholds | None = None,
    progress: Progress = silent,
) -> NDArray[np.uint8]:
    """Return (size, size) uint8: the main defect at every texel centre, `CLEAN` elsewhere.

    depth, reach : world units, as in `cagecheck.predicting.predict.Settings`, both given.
    """
    out = np.full((size, size), CLEAN, np.uint8)
    high_part = scene.surface.triangle_part
    ground = ground_of(low, paired)
    share = float(np.abs(low.uv_area[low.tile == tile]).sum())
    total, done = max(int(share * size * size), 1), 0
    for block in texel_blocks(low, size, tile):
        points = block.points
        rays = rays_through(low, cage, points, along)
        far = max(reach, float(rays.start.max(initial=0.0)))
        layers = scene.cast(rays.origin, rays.direction, DEEP_SEARCH * depth, far)
        if apart:
            layers = own_layers(low, points, layers, high_part, paired)
        targets = find_targets(low, points, rays, layers, scene, paired, ground=ground)
        layers, targets = look_deeper(
            low, points, rays, layers, targets, scene, paired, ground=ground, apart=apart
        )
        findings = classify(
            low, scene.surface, cage, points, rays, layers, targets, paired,
            depth=depth, map_size=size, thresholds=thresholds,
        )  # fmt: skip
        out[block.y, block.x] = findings.main
        done += len(block)
        progress(f"defects of tile {tile}", min(done, total), total)
    return out
