"""Pieces that run into each other in one part, and pieces wholly inside others."""

from __future__ import annotations

import numpy as np

from tests.scenes.families.plants import maybe
from tests.scenes.families.scene import (
    Builder,
    FamilyScene,
    Height,
    Piece,
    posed,
    rotation,
    waves,
)
from tests.scenes.families.shapes import ball, box, placed, ring


def _some_piece(rng: np.random.Generator) -> Piece:
    kind = rng.integers(3)
    if kind == 0:
        return box((5, 5, 5), tuple(rng.uniform(0.35, 0.8, 3)))
    if kind == 1:
        return ball(6, tuple(rng.uniform(0.2, 0.45, 3)))
    return ring(20, 10)


def _relief(rng: np.random.Generator, detail: float) -> Height:
    wave = waves(rng, 0.3)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        return detail * window * wave(p)

    return height


def run_together(seed: int) -> FamilyScene:
    """Two to four pieces of one part that cut through each other, each with its own low poly."""
    rng = np.random.default_rng([seed, 2])
    builder = Builder("pieces run into each other", seed)
    detail = rng.uniform(0.005, 0.015)
    for _ in range(rng.integers(2, 5)):
        piece = placed(_some_piece(rng), rotation(rng), rng.uniform(-0.25, 0.25, 3))
        builder.add(piece, int(rng.integers(3, 6)), _relief(rng, detail))
    distance = detail * rng.uniform(1.3, 2)
    return posed(maybe(builder.scene(distance, distance), rng, "hole", "flipped", "tight"), rng)


def wholly_inside(seed: int) -> FamilyScene:
    """A head with eyes inside: with a low poly of their own, or (odd seeds) in the high poly only.

    Those have a block between them besides, as kit pieces that were never joined.
    """
    rng = np.random.default_rng([seed, 3])
    builder = Builder("pieces wholly inside", seed)
    detail = rng.uniform(0.005, 0.02)
    builder.add(ball(8, (0.42, 0.5, 0.45)), int(rng.integers(4, 7)), _relief(rng, detail))
    has_low = seed % 2 == 0
    radius = rng.uniform(0.08, 0.14)
    for side in (-1, 1):
        eye = placed(ball(4, (radius,) * 3), rotation(rng), np.array([0.16 * side, 0.1, 0.1]))
        builder.add(eye, 4, _relief(rng, 0.004), low=has_low)
    if not has_low:
        block = placed(box((2, 2, 2), (0.4, 0.3, 0.3)), rotation(rng), np.array([0, -0.1, -0.05]))
        builder.add(block, 4, _relief(rng, 0.0), low=False)
    distance = detail * rng.uniform(1.3, 2)
    return posed(maybe(builder.scene(distance, distance), rng, "flipped", "tight"), rng)
