"""Looking along the whole ray, for points whose own surface lies deeper than a bake ever looks.

A pit is no hole. Crossings far below the low poly are only asked for on the rays that found nothing
nearer, so the others' tables stay short.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.splice import splice
from cagecheck.defects.targets import Ground, Targets, find_targets
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import Layers
from cagecheck.rays.points import SurfacePoints
from cagecheck.rays.scene import Scene


def look_deeper(
    low: LowPoly,
    points: SurfacePoints,
    rays: Rays,
    layers: Layers,
    targets: Targets,
    scene: Scene,
    paired: NDArray[np.bool_],
    *,
    ground: Ground,
    apart: bool = False,
) -> tuple[Layers, Targets]:
    """Return layers and targets with those of deep surface where none was found before.

    No surface of a part lies deeper than the part is long; farther below is another thing.

    apart : every low part sees only its own high parts.
    """
    lost = np.flatnonzero(~targets.found)
    part = low.triangle_part[points.triangle[lost]]
    far, has_partner = part_diagonals(low)[part], np.asarray(paired.any(axis=1))
    worth = has_partner[part] & (far > layers.depth[lost])
    lost, part, far = lost[worth], part[worth], far[worth]
    if len(lost) == 0:
        return layers, targets
    some, along = points.take(lost), rays.take(lost)
    deep_layers = scene.cast(along.origin, along.direction, far, layers.reach[lost])
    if apart:
        high_part = scene.surface.triangle_part[deep_layers.face]
        deep_layers = deep_layers.where(paired[part[deep_layers.ray], high_part])
    deep_targets = find_targets(
        low, some, along, deep_layers, scene, paired, ground=ground, deep=True
    )
    deep = np.flatnonzero(deep_targets.found)
    if len(deep) == 0:
        return layers, targets
    source = np.arange(len(layers))
    source[lost[deep]] = len(layers) + deep
    return splice((layers, targets), (deep_layers, deep_targets), source)


def part_diagonals(low: LowPoly) -> Floats:
    """Return (parts,) the diagonal of each part's bounding box, world units."""
    count = len(low.part_names)
    least, most = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    corner = low.positions[low.triangles]
    np.minimum.at(least, low.triangle_part, corner.min(axis=1))
    np.maximum.at(most, low.triangle_part, corner.max(axis=1))
    out: Floats = np.linalg.norm(np.where(most >= least, most - least, 0.0), axis=1)
    return out
