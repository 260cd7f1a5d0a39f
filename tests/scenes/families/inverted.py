"""Inside out: the low poly as a whole, or the high poly as a whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.scenes.families.plants import turned
from tests.scenes.families.scene import Builder, FamilyScene, posed, waves
from tests.scenes.families.shapes import ball, box, ring


def _body(family: str, seed: int, stream: int) -> tuple[FamilyScene, np.random.Generator]:
    rng = np.random.default_rng([seed, stream])
    kind = rng.integers(3)
    piece = (box((5, 5, 5), (0.9, 0.7, 0.6)), ball(6, (0.45, 0.5, 0.4)), ring(24, 10))[kind]
    detail, wave = rng.uniform(0.004, 0.015), waves(rng, 0.35)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        return detail * window * wave(p)

    builder = Builder(family, seed)
    builder.add(piece, int(rng.integers(3, 6)), height)
    distance = detail * rng.uniform(1.3, 2)
    return builder.scene(distance, distance), rng


def low_inside_out(seed: int) -> FamilyScene:
    scene, rng = _body("low inside out", seed, 7)
    other = replace(
        scene, low_triangles=scene.low_triangles[:, ::-1].copy(), blame="low",
        fault="low inside out", whole=scene,
    )  # fmt: skip
    return posed(other, rng)


def high_inside_out(seed: int) -> FamilyScene:
    scene, rng = _body("high inside out", seed, 8)
    other = turned(scene, np.ones(len(scene.high_triangles), bool))
    return posed(replace(other, blame="high", fault="high inside out", whole=scene), rng)
