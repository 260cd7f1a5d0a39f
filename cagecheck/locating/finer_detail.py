"""What several samples a texel make of detail that is finer than texels.

A ridge or groove between the middles of texels is met by no ray of one sample a texel, so neither
the expected picture nor any filter of it knows of it. Several samples a texel do meet it. It is
told by casting the assumed bake's own rays, as many a texel as bakes take.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.locating.compare import Fault, TileView, is_known
from cagecheck.locating.enlarging import explains, nearest_mixture
from cagecheck.maps.encode import TangentBasis
from cagecheck.maps.texels import texel_blocks
from cagecheck.meshes.normals import degrees_between, normalised
from cagecheck.predicting.maps.bake import Baker

# Samples a texel, as bakes take them; those of one count are not among the others'.
COUNTS = (4, 16)
# A map of which more is unexplained is wrong for other reasons (as many texels are a million rays).
MOST_ASKED = 50_000


def explained_by_samples(
    view: TileView,
    baker: Baker,
    basis: TangentBasis | None,
    wanted: NDArray[np.float32],
    stored: NDArray[np.float32],
    base_degrees: float,
) -> NDArray[np.bool_]:
    """Tell (H, W) which unexplained texels show a mean over several samples of the expected bake.

    wanted, stored : (H, W, 3) unit normals as the map should hold them and as it does; basis :
    their frames, None for object space. Of all mixtures of the middle and the mean the nearest
    counts, as where samples lie is each bake's own. The rule is that of `explains`.
    """
    out = np.zeros(view.fault.shape, bool)
    asked = view.fault == Fault.UNEXPLAINED
    y, x = np.nonzero(asked)
    if not 0 < len(y) <= MOST_ASKED:
        return out
    shown, own = (p[y, x].astype(np.float64) for p in (stored, wanted))
    for count in COUNTS:
        mean = _mean_recorded(view, baker, basis, asked, count)
        mixed = nearest_mixture(shown, own, mean)
        fits = is_known(own) & is_known(mean)
        fits &= explains(shown, own, mixed, degrees_between(mixed, own), base_degrees)
        out[y[fits], x[fits]] = True
    return out


def _mean_recorded(
    view: TileView,
    baker: Baker,
    basis: TangentBasis | None,
    asked: NDArray[np.bool_],
    count: int,
) -> Floats:
    """Return (N, 3) unit vectors: the mean of what `count` samples of every texel record.

    In the order of `np.nonzero(asked)`; zero where none recorded anything.
    """
    row = np.full(asked.shape, -1, np.int64)
    y, x = np.nonzero(asked)
    row[y, x] = np.arange(len(y))
    total = np.zeros((len(y), 3))

    def chosen(columns: NDArray[np.integer], lines: NDArray[np.integer]) -> NDArray[np.bool_]:
        return asked[lines, columns]

    def wanted(rows: slice, columns: slice) -> bool:
        return bool(asked[rows, columns].any())

    for block in texel_blocks(
        baker.low, view.size, view.tile, supersample=count, chosen=chosen, wanted=wanted
    ):
        points = block.points
        _, seen = baker.record(points)
        normal = np.asarray(seen.normal, np.float64)
        if basis is not None:
            normal = basis.encode(points.triangle, points.barycentric, normal)
        normal = np.where(seen.hit[:, None], normal, 0.0)
        np.add.at(total, row[block.y, block.x], normal)
    return normalised(total)
