"""Looking along the whole ray, for points whose own surface lies deeper than a bake ever looks.

A pit is no hole. Crossings far below the low poly are only asked for on the rays that found nothing
nearer, so the others' tables stay short.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.targets import Ground, Targets, find_targets
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Rays
from cagecheck.rays.layers import NO_LAYER, Layers
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
    part = low.triangle_part[points.triangle]
    far = part_diagonals(low)[part]
    has_partner = np.asarray(paired.any(axis=1))
    lost = np.flatnonzero(~targets.found & has_partner[part] & (far > layers.depth))
    if len(lost) == 0:
        return layers, targets
    some, along = points.take(lost), rays.take(lost)
    deep_layers = scene.cast(along.origin, along.direction, far[lost], layers.reach[lost])
    if apart:
        high_part = scene.surface.triangle_part[deep_layers.face]
        deep_layers = deep_layers.where(paired[part[lost][deep_layers.ray], high_part])
    deep_targets = find_targets(
        low, some, along, deep_layers, scene, paired, ground=ground, deep=True
    )
    deep = np.flatnonzero(deep_targets.found)
    if len(deep) == 0:
        return layers, targets
    return _spliced(
        layers, targets, lost[deep], deep_layers.take(deep), _taken(deep_layers, deep_targets, deep)
    )


def part_diagonals(low: LowPoly) -> Floats:
    """Return (parts,) the diagonal of each part's bounding box, world units."""
    count = len(low.part_names)
    least, most = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    corner = low.positions[low.triangles]
    np.minimum.at(least, low.triangle_part, corner.min(axis=1))
    np.maximum.at(most, low.triangle_part, corner.max(axis=1))
    out: Floats = np.linalg.norm(np.where(most >= least, most - least, 0.0), axis=1)
    return out


def _taken(layers: Layers, targets: Targets, rows: NDArray[np.int64]) -> Targets:
    """Return the targets of some rays, for the table of those alone."""
    count = np.diff(layers.first)[rows]
    first = np.concatenate([[0], np.cumsum(count)])
    source = _runs(layers.first[rows], count)
    return _renumbered(targets, rows, first[:-1] - layers.first[rows], targets.belongs[source])


def _renumbered(
    targets: Targets, rows: NDArray[np.int64], shift: NDArray[np.int64], belongs: NDArray[np.bool_]
) -> Targets:
    """Return the targets of the rays at `rows`, whose crossings move by `shift` in the table."""

    def moved(layer: NDArray[np.int64]) -> NDArray[np.int64]:
        return np.where(layer[rows] == NO_LAYER, NO_LAYER, layer[rows] + shift)

    return Targets(
        moved(targets.layer), targets.t[rows], targets.front[rows], targets.t_next[rows],
        moved(targets.next_layer), belongs, targets.doubtful[rows],
    )  # fmt: skip


def _spliced(
    layers: Layers, targets: Targets, rows: NDArray[np.int64], other: Layers, theirs: Targets
) -> tuple[Layers, Targets]:
    """Put another table's rays in place of those at `rows`."""
    count = np.diff(layers.first)
    begin = layers.first[:-1].copy()
    count[rows], begin[rows] = np.diff(other.first), len(layers.t) + other.first[:-1]
    first = np.concatenate([[0], np.cumsum(count)])
    source = _runs(begin, count)
    depth = layers.depth.copy()
    depth[rows] = other.depth
    table = Layers(
        first,
        np.concatenate([layers.t, other.t])[source],
        np.concatenate([layers.face, other.face])[source],
        np.concatenate([layers.front, other.front])[source],
        depth,
        layers.reach,
    )
    belongs = np.concatenate([targets.belongs, theirs.belongs])[source]
    everyone = np.arange(len(layers))
    out = _renumbered(targets, everyone, first[:-1] - layers.first[:-1], belongs)
    mine = _renumbered(theirs, np.arange(len(rows)), first[rows] - other.first[:-1], belongs)
    for name in ("layer", "t", "front", "t_next", "next_layer", "doubtful"):
        getattr(out, name)[rows] = getattr(mine, name)
    return table, out


def _runs(begin: NDArray[np.int64], count: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the rows ``begin[i] .. begin[i] + count[i] - 1`` of every run, in order."""
    first = np.cumsum(count) - count
    out: NDArray[np.int64] = np.repeat(begin - first, count) + np.arange(int(count.sum()))
    return out
