"""Classic faults: too tight, too deep, hole, flipped patch, the next finger, a fold, a cover."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.scenes.families.plants import PLANTS
from tests.scenes.families.scene import Builder, FamilyScene, Height, posed, waves
from tests.scenes.families.shapes import ball, placed, sheet


def _gentle(rng: np.random.Generator, detail: float) -> Height:
    wave = waves(rng, 0.35)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        return detail * wave(p)

    return height


def classic(seed: int) -> FamilyScene:
    """A ball with one fault."""
    rng = np.random.default_rng([seed, 14])
    detail = rng.uniform(0.01, 0.02)
    builder = Builder("classic faults", seed)
    builder.add(ball(7, (0.45, 0.5, 0.4)), int(rng.integers(4, 7)), _gentle(rng, detail))
    scene = builder.scene(1.5 * detail, 1.5 * detail)
    return posed(PLANTS[str(rng.choice(list(PLANTS)))](scene, rng), rng)


def next_finger(seed: int) -> FamilyScene:
    """Two or three fingers side by side in one part; the cage of one reaches into the next."""
    rng = np.random.default_rng([seed, 15])
    detail = rng.uniform(0.003, 0.006)
    gap = rng.uniform(0.03, 0.06)
    builder = Builder("next finger", seed)
    for k in range(int(rng.integers(2, 4))):
        finger = placed(ball(6, (0.1, 0.5, 0.1)), np.eye(3), np.array([k * (0.2 + gap), 0, 0]))
        builder.add(finger, 4, _gentle(rng, detail))
    whole = builder.scene(1.5 * detail, 1.5 * detail)
    wide = replace(whole, offset=gap * rng.uniform(1.2, 2.0), fault="next finger", whole=whole)
    return posed(wide, rng)


def fold(seed: int) -> FamilyScene:
    """Cloth folded back over itself: the cage of the lower layer reaches into the upper one."""
    rng = np.random.default_rng([seed, 16])
    gap = rng.uniform(0.06, 0.1)
    bend, arm = gap / 2, 0.5

    def folded(u: np.ndarray, v: np.ndarray) -> np.ndarray:
        # Along a lower arm, round a half circle, back along the upper arm, by length.
        s = (2 * arm + np.pi * bend) * u
        a = np.clip((s - arm) / bend, 0, np.pi)
        x = np.where(s < arm, s, arm) - np.clip(s - arm - np.pi * bend, 0, None)
        return np.stack([x + bend * np.sin(a), v - 0.5, -bend * np.cos(a)], axis=-1)

    detail = rng.uniform(0.003, 0.006)
    builder = Builder("next fold", seed)
    builder.add(sheet(folded, 36, 18), 3, _gentle(rng, detail), window=np.ones(37 * 19))
    whole = builder.scene(1.5 * detail, 1.5 * detail)
    # The sheet's front looks into the fold.
    wide = replace(whole, offset=gap * rng.uniform(1.1, 1.5), fault="next fold", whole=whole)
    return posed(wide, rng)


def cover(seed: int) -> FamilyScene:
    """A plate of armour of another part close over a body."""
    rng = np.random.default_rng([seed, 17])
    detail = rng.uniform(0.005, 0.01)
    gap = rng.uniform(0.03, 0.06)

    def dome(u: np.ndarray, v: np.ndarray) -> np.ndarray:
        a, b = 1.2 * (u - 0.5), 1.2 * (v - 0.5)
        out = np.stack([np.sin(a) * np.cos(b), np.sin(b), np.cos(a) * np.cos(b)], axis=-1)
        return (0.5 + gap) * out

    builder = Builder("another part over it", seed)
    builder.add(ball(7), 5, _gentle(rng, detail))
    builder.add(sheet(dome, 6, 6), 5, _gentle(rng, detail / 2), part=1)
    whole = builder.scene(1.5 * detail, 1.5 * detail, names=("body", "armour"))
    wide = replace(whole, offset=gap * rng.uniform(1.3, 2.0), fault="another part", whole=whole)
    return posed(wide, rng)


def unpaired(seed: int) -> FamilyScene:
    """Two parts, one of which has no partner by its name."""
    rng = np.random.default_rng([seed, 18])
    detail = rng.uniform(0.005, 0.01)
    builder = Builder("a part without a partner", seed)
    builder.add(ball(6), 4, _gentle(rng, detail))
    other = placed(ball(4, (0.2, 0.2, 0.3)), np.eye(3), np.array([1.2, 0, 0]))
    builder.add(other, 4, _gentle(rng, detail), part=1)
    whole = builder.scene(1.5 * detail, 1.5 * detail, names=("body", "strap"))
    alone = np.array([[True, False], [False, False]])
    return posed(replace(whole, paired=alone, fault="unpaired", whole=whole), rng)
