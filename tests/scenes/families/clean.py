"""Sound scenes with enough offset and depth: nothing is to be found."""

from __future__ import annotations

import numpy as np

from tests.scenes.families.scene import Builder, FamilyScene, posed, waves
from tests.scenes.families.shapes import ball, box, placed, ring, sheet
from tests.scenes.families.shells import cape


def clean(seed: int) -> FamilyScene:
    """One to three parts far apart, gentle detail."""
    rng = np.random.default_rng([seed, 13])
    builder = Builder("clean", seed)
    detail, wave = rng.uniform(0.002, 0.008), waves(rng, 0.4)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        return detail * window * wave(p)

    count = int(rng.integers(1, 4))
    for part in range(count):
        kind = rng.integers(4)
        piece = (
            ball(7, tuple(rng.uniform(0.35, 0.5, 3))), ring(28, 14), sheet(cape, 8, 8),
            box((6, 6, 6), tuple(rng.uniform(0.5, 0.9, 3))),
        )[kind]  # fmt: skip
        builder.add(placed(piece, np.eye(3), np.array([1.6 * part, 0, 0])),
                    int(rng.integers(3, 6)), height, part=part)  # fmt: skip
    distance = detail * rng.uniform(1.3, 2.5)
    names = ("body", "arm", "belt")[:count]
    return posed(builder.scene(distance, distance, names=names), rng)
