"""The small relief that everything of one stuff shares."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.demo.noise import cell_distances, fbm
from cagecheck.demo.sculpt import Spots


def hammered(s: Spots, seed: int, size: float = 0.024, depth: float = 0.0013) -> Floats:
    """Beaten metal: shallow round dents, and a slow wobble."""
    near, _ = cell_distances(s.points, size, seed)
    dents = -1.6 * depth * np.clip(1 - near / 0.75, 0, 1) ** 2
    return dents + 0.0011 * fbm(s.points, 0.15, seed + 1, 2)


def cast_metal(s: Spots, seed: int) -> Floats:
    """Cast iron: a fine grain."""
    return 0.0006 * fbm(s.points, 0.014, seed, 3) + 0.0006 * fbm(s.points, 0.08, seed + 1, 2)


def leather(s: Spots, seed: int) -> Floats:
    """Worn leather: long creases where noise passes zero, and a soft pebble."""
    creases = np.exp(-((fbm(s.points, 0.085, seed, 3) / 0.045) ** 2))
    worn = np.clip(0.5 + 1.4 * fbm(s.points, 0.12, seed + 1, 2), 0, 1)
    pebble = 0.0004 * fbm(s.points, 0.011, seed + 2, 2)
    return -0.0020 * creases * worn + pebble + 0.0016 * fbm(s.points, 0.09, seed + 3, 2)


def cloth(s: Spots, seed: int) -> Floats:
    """Heavy wool: soft rumples."""
    return 0.0022 * fbm(s.points, 0.09, seed, 3) + 0.0004 * fbm(s.points, 0.012, seed + 1, 2)


def wood(s: Spots, seed: int, grain: tuple[float, float, float]) -> Floats:
    """Planed wood: grain drawn out along the axes with small factors in `grain`."""
    return 0.0009 * fbm(s.points * np.array(grain), 0.012, seed, 3)
