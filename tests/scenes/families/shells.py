"""Thin shells: a plate, a cape, a belt, a leaf, with detail deeper than the cloth is thick.

Both skins are moved alike (wrinkles), so the cloth keeps its thickness while each skin goes far
beyond where the other one's low poly lies; or each is raised by detail of its own.
"""

from __future__ import annotations

import numpy as np

from tests.scenes.families.plants import maybe
from tests.scenes.families.scene import Builder, FamilyScene, posed, waves
from tests.scenes.families.shapes import Surface, shell

OUTER = 0


def plate(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    return np.stack([u - 0.5, v - 0.5, 0 * u], axis=-1)


def cape(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    a, across = (u - 0.5) * 1.6, 0.5 + 0.15 * v
    return np.stack([across * np.sin(a), v - 0.5, across * np.cos(a)], axis=-1)


def leaf(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    wide = 0.12 + 0.3 * np.sin(np.pi * (0.15 + 0.75 * v))
    return np.stack([(u - 0.5) * 2 * wide, v - 0.5, 0.25 * (v - 0.4) ** 2], axis=-1)


def belt(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    a = 2 * np.pi * u
    return np.stack([0.5 * np.cos(a), 0.4 * np.sin(a), 0.4 * (v - 0.5)], axis=-1)


SHAPES: dict[str, tuple[Surface, int, int, bool]] = {
    "plate": (plate, 8, 8, False),
    "cape": (cape, 10, 8, False),
    "leaf": (leaf, 6, 10, False),
    "belt": (belt, 24, 5, True),
}


def thin_shell(seed: int) -> FamilyScene:
    rng = np.random.default_rng([seed, 1])
    surface, n, m, wrap = SHAPES[str(rng.choice(list(SHAPES)))]
    thickness = rng.uniform(0.006, 0.02)
    detail = thickness * rng.uniform(1.5, 3.0)
    piece = shell(surface, thickness, n, m, wrap)
    wave = waves(rng, max(6 * detail, 0.25))
    if rng.random() < 0.5:

        def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
            return np.where(group == OUTER, 1, -1) * detail * window * wave(p)

    else:

        def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
            return detail * window * (0.5 + 0.5 * wave(p + 3.0 * group[:, None]))

    builder = Builder("thin shells", seed)
    builder.add(piece, int(rng.integers(4, 8)), height)
    distance = detail * rng.uniform(1.2, 1.8)
    return posed(maybe(builder.scene(distance, distance), rng, "hole", "flipped", "tight"), rng)
