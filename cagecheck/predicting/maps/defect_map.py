"""The defect map: the main defect of every texel's ray, streamed in blocks.

Each texel gets what `predict` would say of a sample at its centre. A block is judged by itself,
so a doubtful texel at its border asks only neighbours of its own block.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.kinds import CLEAN, Thresholds
from cagecheck.defects.match import Matcher
from cagecheck.maps.texels import texel_blocks
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage


def defect_map(
    matcher: Matcher,
    cage: Cage,
    *,
    tile: int,
    size: int,
    depth: float,
    reach: float,
    thresholds: Thresholds | None = None,
    progress: Progress = silent,
) -> NDArray[np.uint8]:
    """Return (size, size) uint8: the main defect at every texel centre, `CLEAN` elsewhere.

    depth, reach : world units, as in `cagecheck.predicting.predict.Settings`, both given.
    """
    out = np.full((size, size), CLEAN, np.uint8)
    low = matcher.low
    share = float(np.abs(low.uv_area[low.tile == tile]).sum())
    total, done = max(int(share * size * size), 1), 0
    for block in texel_blocks(low, size, tile):
        cast = matcher.deeper(matcher.cast(cage, block.points, depth, reach))
        findings = matcher.classify(cage, cast, depth=depth, map_size=size, thresholds=thresholds)
        out[block.y, block.x] = findings.main
        done += len(block)
        progress(f"defects of tile {tile}", min(done, total), total)
    return out
