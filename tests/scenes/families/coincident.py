"""Near-coincident pairs: every face has a back (or a copy) 1e-6 of the size below it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.scenes.families.plants import maybe, patch
from tests.scenes.families.scene import Builder, FamilyScene, posed, waves
from tests.scenes.families.shapes import ball, sheet
from tests.scenes.families.shells import cape, plate

APART = 1e-6


def coincident_pairs(seed: int) -> FamilyScene:
    rng = np.random.default_rng([seed, 11])
    kind = rng.integers(3)
    piece = (sheet(plate, 6, 6), sheet(cape, 8, 6), ball(6))[kind]
    detail, wave = rng.uniform(0.01, 0.02), waves(rng, 0.35)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        return detail * wave(p)

    builder = Builder("near-coincident pairs", seed)
    ones = np.ones(len(piece.positions))
    builder.add(piece, int(rng.integers(4, 7)), height, window=ones)
    scene = builder.scene(1.6 * detail, 1.6 * detail)
    scene = doubled_below(scene, turned=bool(rng.random() < 0.7))
    return posed(maybe(scene, rng, "tight", "shallow"), rng)


def doubled_below(scene: FamilyScene, *, turned: bool) -> FamilyScene:
    """Every high face again, `APART` of the size inwards, turned round or not."""
    p = scene.high_positions
    normal = np.zeros_like(p)
    corners = p[scene.high_triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    for k in range(3):
        np.add.at(normal, scene.high_triangles[:, k], cross)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    again = scene.high_triangles + len(p)
    step = -1 if turned else 1

    def twice(values: np.ndarray) -> np.ndarray:
        return np.concatenate([values, values])

    return replace(
        scene,
        high_positions=np.concatenate([p, p - APART * scene.size() * normal]),
        high_triangles=np.concatenate([scene.high_triangles, again[:, ::step]]),
        high_part=twice(scene.high_part),
        high_group=twice(scene.high_group),
        high_piece=twice(scene.high_piece),
        home=np.concatenate([scene.home, scene.home[:, ::step]]),
    )


def doubled_patch(seed: int) -> FamilyScene:
    """A patch of faces is there twice, once turned round: which one is recorded is chance."""
    rng = np.random.default_rng([seed, 19])
    detail, wave = rng.uniform(0.01, 0.02), waves(rng, 0.35)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        return detail * wave(p)

    builder = Builder("doubled patch, turned round", seed)
    builder.add(ball(6), int(rng.integers(4, 7)), height)
    scene = builder.scene(1.6 * detail, 1.6 * detail)
    twice = patch(scene, rng)
    doubled = replace(
        scene,
        high_triangles=np.concatenate([scene.high_triangles, scene.high_triangles[twice, ::-1]]),
        high_part=np.concatenate([scene.high_part, scene.high_part[twice]]),
        high_group=np.concatenate([scene.high_group, scene.high_group[twice]]),
        high_piece=np.concatenate([scene.high_piece, scene.high_piece[twice]]),
        home=np.concatenate([scene.home, scene.home[twice, ::-1]]),
        fault="doubled patch",
        whole=scene,
    )
    return posed(doubled, rng)
