"""Do the two sides of every UV seam shade alike?

Along each edge where the UVs part, the map is read one texel inside either side. Taken to world
space both must give one normal, as far as the high poly itself does not change there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats, Ints
from cagecheck.locating.compare import TOLERANCE_DEGREES
from cagecheck.meshes.edges import edge_pairs, next_corner
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.normals import degrees_between
from cagecheck.meshes.tiles import tile_origin

# A step of 4 degrees across an edge is where shading visibly breaks (common practice, no source).
VISIBLE_DEGREES = 4.0
INSET_TEXELS = 0.75
SAME_UV = 1e-6


class TilePictures(Protocol):
    """What is read of a tile: (H, W) bool covered, (H, W, 3) world normals shown and expected."""

    @property
    def covered(self) -> NDArray[np.bool_]: ...  # noqa: D102
    @property
    def shown(self) -> NDArray[np.floating[Any]]: ...  # noqa: D102
    @property
    def expected(self) -> NDArray[np.floating[Any]]: ...  # noqa: D102


@dataclass(frozen=True, eq=False)
class SeamSamples:
    """Pairs of texels facing each other across UV seams.

    edge : (S,) int32, number of the seam edge; tile, x, y : (S, 2) int32, the texel on either side.
    """

    edge: Ints
    tile: Ints
    x: Ints
    y: Ints


@dataclass(frozen=True, eq=False)
class SeamSteps:
    """The step across every sample, degrees: in the map and as expected; NaN if unknown."""

    samples: SeamSamples
    shown: Floats
    expected: Floats

    def broken(self, tolerance: float = TOLERANCE_DEGREES) -> NDArray[np.bool_]:
        """(S,) bool, the map steps visibly more than the surface does.

        tolerance : degrees that either side may be off.
        """
        with np.errstate(invalid="ignore"):
            excess = self.shown - self.expected
            return excess > VISIBLE_DEGREES + 2 * max(tolerance, TOLERANCE_DEGREES)


def seam_samples(low: LowPoly, size: int) -> SeamSamples:
    """Return pairs of texels along all UV seams, one pair every two texels."""
    assert low.uv is not None
    _, left, right = edge_pairs(low.welded)
    uv = low.uv.reshape(-1, 2)

    def ends(half: NDArray[np.int64]) -> tuple[Floats, Floats]:
        return uv[half], uv[next_corner(half)]

    welded = low.welded.ravel()
    same_way = welded[left] == welded[right]
    a0, a1 = ends(left)
    b0, b1 = ends(right)
    # The other triangle usually runs the edge the other way.
    b0, b1 = (
        np.where(same_way[:, None], b0, b1),
        np.where(same_way[:, None], b1, b0),
    )
    with np.errstate(invalid="ignore"):
        gap = np.maximum(np.abs(a0 - b0).max(axis=1), np.abs(a1 - b1).max(axis=1))
    seam = np.flatnonzero((gap > SAME_UV) & (low.uv_area[left // 3] != 0)
                          & (low.uv_area[right // 3] != 0))  # fmt: skip
    length = np.linalg.norm(a1[seam] - a0[seam], axis=1) * size
    count = np.maximum(np.ceil(length / 2), 1).astype(np.int64)
    owner = np.repeat(np.arange(len(seam)), count)
    begin = np.concatenate([[0], np.cumsum(count)])[:-1]
    s = ((np.arange(len(owner)) - begin[owner] + 0.5) / count[owner])[:, None]
    pick = seam[owner]
    sides = []
    for start, end, half in ((a0, a1, left), (b0, b1, right)):
        place = start[pick] * (1 - s) + end[pick] * s
        middle = low.uv[half[pick] // 3].mean(axis=1)
        sides.append(
            _texel_inside(place, middle, start[pick], end[pick], size, low, half[pick] // 3)
        )
    tile, x, y = (np.stack([side[k] for side in sides], axis=1) for k in range(3))
    return SeamSamples(owner.astype(np.int32), tile, x, y)


def _texel_inside(
    place: Floats,
    middle: Floats,
    start: Floats,
    end: Floats,
    size: int,
    low: LowPoly,
    triangle: NDArray[np.int64],
) -> tuple[Ints, Ints, Ints]:
    """Step from the edge towards the triangle's middle and return tile, column and row there."""
    along = end - start
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    height = np.einsum("ij,ij->i", middle - place, normal)[:, None]
    step = np.minimum(INSET_TEXELS / size, np.abs(height)) * np.sign(height)
    inside = place + step * normal
    tile = low.tile[triangle]
    tiles = np.unique(tile)
    origin = np.array([tile_origin(int(t)) if t else (0, 0) for t in tiles]).reshape(-1, 2)
    local = inside - origin[np.searchsorted(tiles, tile)]
    x = np.clip(np.floor(local[:, 0] * size), -1, size).astype(np.int32)
    y = np.clip(np.floor((1 - local[:, 1]) * size), -1, size).astype(np.int32)
    outside = (x < 0) | (y < 0) | (x >= size) | (y >= size)
    return np.where(outside, 0, tile).astype(np.int32), x, y


def seam_steps(samples: SeamSamples, records: Mapping[int, TilePictures]) -> SeamSteps:
    """Measure the step of the map, and of the expected picture, at every sample."""
    n = len(samples.edge)
    normals = {name: np.zeros((n, 2, 3)) for name in ("shown", "expected")}
    for side in range(2):
        for tile, record in records.items():
            rows = np.flatnonzero(samples.tile[:, side] == tile)
            x, y = samples.x[rows, side], samples.y[rows, side]
            on = record.covered[y, x]
            rows, x, y = rows[on], x[on], y[on]
            normals["shown"][rows, side] = record.shown[y, x]
            normals["expected"][rows, side] = record.expected[y, x]
    return SeamSteps(samples, _step(normals["shown"]), _step(normals["expected"]))


def _step(pairs: Floats) -> Floats:
    a, b = pairs[:, 0], pairs[:, 1]
    known = (np.abs(a).max(axis=1, initial=0) > 0) & (np.abs(b).max(axis=1, initial=0) > 0)
    return np.where(known, degrees_between(a, b), np.nan)
