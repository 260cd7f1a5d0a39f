"""The normal maps of a bake as a renderer wants them: padded, small enough to show."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.maps.encode import BasisRule, NormalNumbers, quantised
from cagecheck.maps.high_normals import HighShading
from cagecheck.maps.normal_maps import NormalMaps
from cagecheck.maps.pad import nearest_covered, taken
from cagecheck.maps.texels import tiles_touched
from cagecheck.predicting.maps.bake import Baker, BakeRule, TileBake
from cagecheck.predicting.result import Prediction
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Along

# As wide as the maps that are written have it: mip levels of a 16th stay clean.
PADDING = 16.0
NUMBERS = NormalNumbers(8, "up")


def predicted_maps(
    prediction: Prediction,
    size: int,
    *,
    tiles: Iterable[int] | None = None,
    shading: HighShading | None = None,
    basis: BasisRule | None = None,
    progress: Progress = silent,
) -> NormalMaps:
    """Return the tangent-space normal maps that a prediction's bake would give, green up.

    Texels where nothing is recorded are flat, as in the maps that are written.

    Parameters
    ----------
    prediction : what `predict` returns. size : texels along the edge of a tile's map.
    tiles : which; all in use by default. shading : of its high poly, for those who have it.
    basis : the tangent frames; those of `BasisRule` by default.
    """
    return _maps(prediction, prediction.settings.along, size, tiles, shading, basis, progress)


def ideal_maps(
    prediction: Prediction,
    size: int,
    *,
    tiles: Iterable[int] | None = None,
    shading: HighShading | None = None,
    basis: BasisRule | None = None,
    progress: Progress = silent,
) -> NormalMaps:
    """Return the maps of straight rays instead, see `predicted_maps`."""
    return _maps(prediction, "normals", size, tiles, shading, basis, progress)


def _maps(
    prediction: Prediction,
    along: Along,
    size: int,
    tiles: Iterable[int] | None,
    shading: HighShading | None,
    basis: BasisRule | None,
    progress: Progress,
) -> NormalMaps:
    settings, matcher = prediction.settings, prediction.matcher
    rule = BakeRule(
        size=size,
        depth=settings.depth_and_reach()[0],
        along=along,
        basis=basis or BasisRule(),
        apart=settings.apart,
    )
    if along != matcher.along:
        matcher = replace(matcher, along=along)
    baker = Baker(
        matcher.low, prediction.cage, matcher.scene, rule,
        paired=matcher.paired, matcher=matcher, shading=shading,
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


def padded_normals(bake: TileBake) -> NDArray[np.uint8]:
    """Return (H, W, 3) uint8: a tile's normals with padding, flat where nothing was recorded."""
    assert bake.tangent is not None and bake.numbers == NUMBERS
    source = nearest_covered(bake.hit, PADDING)
    source[bake.missed] = -1
    return taken(bake.tangent, source, quantised(np.array([0.0, 0.0, 1.0]), 8))
