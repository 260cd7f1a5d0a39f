"""Pits and grooves deeper than three times the depth that the bake looks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.scenes.families.scene import Builder, FamilyScene, posed
from tests.scenes.families.shapes import box


def pits_and_grooves(seed: int) -> FamilyScene:
    """A block with a round pit on top and a groove, 4 to 10 depths deep, with sloping walls."""
    rng = np.random.default_rng([seed, 9])
    piece = box((8, 8, 6), (1.0, 1.0, 0.9))
    bottom = rng.uniform(0.2, 0.4)
    depth = bottom / rng.uniform(4, 10)
    radius, wall = rng.uniform(0.1, 0.16), rng.uniform(0.03, 0.06)
    middle = rng.uniform(-0.15, 0.15, 2)
    groove = bool(rng.random() < 0.5)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        away = np.abs(p[:, 0] - middle[0]) if groove else np.hypot(*(p[:, :2] - middle).T)
        down = np.clip((radius + wall - away) / wall, 0, 1)
        if groove:
            down *= np.clip((0.36 - np.abs(p[:, 1])) / wall, 0, 1)
        return np.where((p[:, 2] > 0.44) & (window > 0), -bottom * down, 0.0)

    builder = Builder("deeper than three depths", seed)
    builder.add(piece, int(rng.integers(5, 8)), height)
    whole = builder.scene(0.02, 1.3 * bottom)
    return posed(replace(whole, depth=depth, fault="too deep", whole=whole), rng)
