"""Finding the tile of a map by its content: filled texels against the tiles' UV coverage.

The measure is intersection over union (Jaccard 1901) of two masks. A bake's filled area is larger
than its UVs by the padding, so the coverage is grown step by step and the best step counts.
A map is compared with all that lies on a tile, and with every material and every part there alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from cagecheck.inspecting.tile_table import NO_MATERIAL
from cagecheck.maps.coverage import Mask, tile_coverage
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.words.numbers import share_text

# Masks are compared at this many texels or fewer: shapes of islands show at that size.
COMPARE_SIZE = 512
# Growth by padding that is tried, in texels of the compared mask.
_PADDING_STEPS = (0, 1, 2, 3, 4, 6, 8, 12, 16, 24, 32)
# Below the first a match is no match: padding makes densely packed tiles alike, and wrong ones
# reach 0.85 (measured on a character of four tiles at 4096 with 16 texels of padding), right ones
# 0.99. A runner-up nearer than the second makes it a guess (common practice, no source).
LEAST_OVERLAP = 0.9
LEAST_LEAD = 0.1
# A map that is filled to this part or more (or empty to it) has no outline to compare.
_TELLTALE = 0.995
# Most of a map's outer ring must be one colour for that colour to be the background.
_BACKGROUND_SHARE = 0.5


@dataclass(frozen=True)
class TileScore:
    """How well a map fits one tile: intersection over union, 0 to 1.

    `name` is the material or part whose coverage alone fits best, or None when the tile as a whole
    fits best.
    """

    tile: int
    overlap: float
    name: str | None = None


@dataclass(frozen=True)
class Verdict:
    """The tiles by falling score, and the tile that is beyond doubt or None with the reason."""

    scores: tuple[TileScore, ...]
    best: TileScore | None
    reason: str


def filled_mask(picture: NDArray[Any]) -> Mask | None:
    """Return the (H, W) mask of the texels that a bake filled, or None when it shows no outline.

    `picture` is (H, W, C). Its alpha channel counts when it has one that is not the same
    everywhere; otherwise the background is the colour of most of the outer ring.
    """
    channels = picture.shape[2]
    if channels in (2, 4):
        alpha = picture[:, :, -1]
        if alpha.min() != alpha.max():
            return _with_outline(alpha > 0)
        picture = picture[:, :, : channels - 1]
    ring = np.concatenate([picture[0], picture[-1], picture[1:-1, 0], picture[1:-1, -1]])
    colours, counts = np.unique(ring, axis=0, return_counts=True)
    most = int(counts.argmax())
    if counts[most] < _BACKGROUND_SHARE * len(ring):
        return None
    return _with_outline((picture != colours[most]).any(axis=2))


class TileShapes:
    """The coverage of every tile, material and part on it, made once for one mask size."""

    def __init__(self, low: LowPoly, tiles: Iterable[int], width: int, height: int) -> None:
        scale = min(1.0, COMPARE_SIZE / max(width, height))
        self.width, self.height = max(1, round(width * scale)), max(1, round(height * scale))
        self._shapes: dict[tuple[int, str | None], tuple[Mask, NDArray[np.float64]]] = {}
        part = np.array(low.part_names, dtype=object)[low.triangle_part]
        material = _triangle_material(low)
        for tile in tiles:
            on_tile = low.tile == tile
            self._add(low, tile, None, on_tile)
            for label in (material, part):  # a material counts before a part of the same name
                held = sorted(set(label[on_tile]) - {NO_MATERIAL})
                for name in held if len(held) > 1 else []:
                    if (tile, name) not in self._shapes:
                        self._add(low, tile, name, on_tile & (label == name))

    def _add(self, low: LowPoly, tile: int, name: str | None, chosen: Mask) -> None:
        assert low.uv is not None, "the caller made sure of UVs"
        mask = tile_coverage(low.uv[chosen], tile, self.width, self.height)
        if mask.any():
            self._shapes[tile, name] = mask, distance_transform_edt(~mask)

    def judge(self, filled: Mask, tiles: Iterable[int], known: str | None = None) -> Verdict:
        """Compare a filled mask with `tiles`, and say which one it belongs to.

        With `known`, a material or part, only its coverage and the whole tile's are compared.
        """
        small = _shrink(filled, self.height, self.width)
        best: dict[int, TileScore] = {}
        for (tile, name), (mask, away) in self._shapes.items():
            if tile not in tiles or (known is not None and name not in (None, known)):
                continue
            score = TileScore(tile, _best_overlap(small, mask, away), name)
            if tile not in best or score.overlap > best[tile].overlap:
                best[tile] = score
        return _decide(tuple(sorted(best.values(), key=lambda s: (-s.overlap, s.tile))))


def _decide(scores: tuple[TileScore, ...]) -> Verdict:
    if not scores:
        return Verdict((), None, "no tile to compare with")
    first = scores[0]
    if first.overlap < LEAST_OVERLAP:
        return Verdict(
            scores,
            None,
            f"fits no tile (best: {first.tile} with {share_text(first.overlap)} overlap)",
        )
    if len(scores) > 1 and first.overlap - scores[1].overlap < LEAST_LEAD:
        return Verdict(
            scores,
            None,
            f"fits {first.tile} ({share_text(first.overlap)}) and {scores[1].tile} "
            f"({share_text(scores[1].overlap)}) alike",
        )
    return Verdict(scores, first, f"{share_text(first.overlap)} overlap")


def _best_overlap(filled: Mask, mask: Mask, away: NDArray[np.float64]) -> float:
    best = 0.0
    for step in _PADDING_STEPS:
        grown = mask if step == 0 else away <= step
        union = np.count_nonzero(filled | grown)
        best = max(best, float(np.count_nonzero(filled & grown) / union)) if union else best
    return best


def _with_outline(mask: Mask) -> Mask | None:
    share = mask.mean()
    return mask if 1 - _TELLTALE < share < _TELLTALE else None


def _shrink(mask: Mask, height: int, width: int) -> Mask:
    """Sample the mask at the centres of a coarser grid: the rule that coverage is made by."""
    rows = ((np.arange(height) + 0.5) * mask.shape[0] / height).astype(int)
    columns = ((np.arange(width) + 0.5) * mask.shape[1] / width).astype(int)
    return mask[np.ix_(rows, columns)]


def _triangle_material(low: LowPoly) -> NDArray[np.object_]:
    names = np.array([*low.mesh.material_names, NO_MATERIAL], dtype=object)
    face = low.mesh.face_material
    if face is None:
        return np.full(len(low.triangles), NO_MATERIAL, dtype=object)
    return names[face[low.cut.face]]
