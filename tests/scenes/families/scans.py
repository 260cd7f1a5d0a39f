"""Scans: noise in all directions, and specks of dirt that float over the surface."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.scenes.families.plants import maybe
from tests.scenes.families.scene import Builder, FamilyScene, posed, waves
from tests.scenes.families.shapes import ball

# Noise in all directions rarely exceeds so many of its standard deviations sideways.
FAR_OUT = 4.0
# Noise for the length of a cell: from half of it on, cells turn over.
NOISE = (0.05, 0.6)
TETRAHEDRON = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]], float) / np.sqrt(3)
SIDES = np.array([[0, 1, 2], [0, 3, 1], [0, 2, 3], [1, 3, 2]])


def noisy_scan(seed: int) -> FamilyScene:
    rng = np.random.default_rng([seed, 10])
    detail, wave = rng.uniform(0.01, 0.02), waves(rng, 0.4)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        return detail * wave(p)

    builder = Builder("noisy scans", seed)
    builder.add(ball(6, (0.45, 0.5, 0.4)), int(rng.integers(5, 9)), height)
    noise = rng.uniform(*NOISE) * max(builder.cells)
    distance = 1.5 * detail + FAR_OUT * 1.3 * noise
    scene = builder.scene(distance, distance, slack=FAR_OUT * noise)
    clean = scene
    scene = replace(
        scene,
        high_positions=scene.high_positions + rng.normal(0, noise, scene.high_positions.shape),
    )
    if rng.random() < 0.5:
        scene = with_specks(scene, rng, noise)
    scene = maybe(scene, rng, "flipped", "hole")
    return posed(replace(scene, whole=scene.whole or clean), rng)


def with_specks(scene: FamilyScene, rng: np.random.Generator, noise: float) -> FamilyScene:
    """Add specks: tiny tetrahedra over the surface. They belong where they float."""
    chosen = rng.choice(len(scene.high_triangles), int(rng.integers(5, 30)), replace=False)
    home = scene.home[chosen].mean(axis=1)
    corners = scene.high_positions[scene.high_triangles[chosen]]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    size = rng.uniform(1.5, 3, len(chosen)) * noise
    place = corners.mean(axis=1) + 3 * noise * normal
    new = (place[:, None] + size[:, None, None] * TETRAHEDRON).reshape(-1, 3)
    base = len(scene.high_positions) + 4 * np.arange(len(chosen))
    triangles = (base[:, None, None] + SIDES).reshape(-1, 3)

    def grown(values: np.ndarray) -> np.ndarray:
        return np.concatenate([values, np.repeat(values[chosen], 4, axis=0)])

    return replace(
        scene,
        high_positions=np.concatenate([scene.high_positions, new]),
        high_triangles=np.concatenate([scene.high_triangles, triangles]),
        high_part=grown(scene.high_part),
        high_group=grown(scene.high_group),
        high_piece=np.concatenate([
            scene.high_piece, np.full(len(triangles), scene.high_piece.max())]),
        home=np.concatenate([scene.home, np.repeat(home, 4, axis=0)[:, None].repeat(3, axis=1)]),
        slack=scene.slack + 3 * noise,
    )  # fmt: skip
