"""The normal maps of a bake as a renderer wants them: padded, small enough to show."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.defects.visible import find_ideal
from cagecheck.maps.encode import (
    BasisRule,
    NormalNumbers,
    TangentBasis,
    quantised,
    tangent_basis,
)
from cagecheck.maps.normal_maps import NormalMaps
from cagecheck.maps.pad import nearest_covered, taken
from cagecheck.maps.texels import texel_blocks, tiles_touched
from cagecheck.predicting.maps import into_tile
from cagecheck.predicting.maps.bake import Baker, BakeRule, TileBake
from cagecheck.predicting.maps.into_tile import NO_ID
from cagecheck.predicting.result import Prediction
from cagecheck.progress import Progress, silent

# As wide as the maps that are written have it: mip levels of a 16th stay clean.
PADDING = 16.0
NUMBERS = NormalNumbers(8, "up")
# Texels along the edge of a block whose targets are found at once: bounds the memory.
BLOCK = 512


def predicted_maps(
    prediction: Prediction,
    size: int,
    *,
    tiles: Iterable[int] | None = None,
    basis: BasisRule | None = None,
    progress: Progress = silent,
) -> NormalMaps:
    """Return the tangent-space normal maps that a prediction's bake would give, green up.

    Texels where nothing is recorded are flat, as in the maps that are written.

    Parameters
    ----------
    prediction : what `predict` returns. size : texels along the edge of a tile's map.
    tiles : which; all in use by default.
    basis : the tangent frames; those of `BasisRule` by default.
    """
    settings, matcher = prediction.settings, prediction.matcher
    rule = BakeRule(
        size=size,
        depth=settings.depth_and_reach()[0],
        along=settings.along,
        basis=basis or BasisRule(),
        apart=settings.apart,
    )
    baker = Baker(
        matcher.low, prediction.cage, matcher.scene, rule,
        paired=matcher.paired, matcher=matcher, shading=matcher.shading,
    )  # fmt: skip
    wanted = tiles_touched(matcher.low) if tiles is None else tiles
    return NormalMaps(
        {
            tile: padded_normals(
                baker.tile(tile, what=("tangent",), numbers=NUMBERS, progress=progress)
            )
            for tile in wanted
        }
    )


def ideal_maps(
    prediction: Prediction,
    size: int,
    *,
    tiles: Iterable[int] | None = None,
    basis: BasisRule | None = None,
    progress: Progress = silent,
) -> NormalMaps:
    """Return the maps of a bake without artefacts, see `predicted_maps`.

    Every texel has the surface that belongs to it, met by a straight ray
    (`cagecheck.defects.visible`); flat where nothing belongs. They do not depend on the cage, but
    for texels whose straight ray finds nothing.
    """
    matcher, frames = prediction.matcher, tangent_basis(prediction.low, basis)
    wanted = tiles_touched(matcher.low) if tiles is None else tiles
    return NormalMaps(
        {tile: _ideal_tile(prediction, frames, size, tile, progress) for tile in wanted}
    )


def _ideal_tile(
    prediction: Prediction, frames: TangentBasis, size: int, tile: int, progress: Progress
) -> NDArray[np.uint8]:
    matcher, settings = prediction.matcher, prediction.settings
    depth, reach = settings.depth_and_reach()
    texels = np.zeros((size, size, 3), NUMBERS.dtype)
    covered, known = np.zeros((size, size), bool), np.zeros((size, size), bool)
    blocks = list(texel_blocks(matcher.low, size, tile, block=BLOCK))
    for done, block in enumerate(blocks):
        progress(f"what belongs on tile {tile}", done, len(blocks))
        points = block.points
        cast = matcher.cast(prediction.cage, points, depth, reach)
        ideal = find_ideal(
            matcher, cast, depth=depth, map_size=settings.map_size, thresholds=settings.thresholds
        ).normal
        some = np.where((ideal != 0).any(axis=1), 0, NO_ID).astype(np.int32)
        local = frames.encode(points.triangle, points.barycentric, ideal)
        into_tile.mark(block.x, block.y, some, covered, known)
        into_tile.put_normals(local, some, block.x, block.y, NUMBERS.code, texels)
    progress(f"what belongs on tile {tile}", 1, 1)
    return _padded(texels, known, covered & ~known)


def padded_normals(bake: TileBake) -> NDArray[np.uint8]:
    """Return (H, W, 3) uint8: a tile's normals with padding, flat where nothing was recorded."""
    assert bake.tangent is not None and bake.numbers == NUMBERS
    return _padded(bake.tangent, bake.hit, bake.missed)


def _padded(
    texels: NDArray[Any], known: NDArray[np.bool_], bare: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    source = nearest_covered(known, PADDING)
    source[bare] = -1
    return taken(texels, source, quantised(np.array([0.0, 0.0, 1.0]), 8))
