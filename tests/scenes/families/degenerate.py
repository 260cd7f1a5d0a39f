"""Zero-area, nearly zero-area and doubled faces sprinkled into sound meshes.

None of them changes the surface, so the truth is that of the scene without them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.scenes.families.plants import maybe
from tests.scenes.families.scene import Builder, FamilyScene, posed, waves
from tests.scenes.families.shapes import ball, box, ring

# A sliver's third corner lies off its edge by this share of the edge.
SLIVER = 1e-9


def degenerate_faces(seed: int) -> FamilyScene:
    rng = np.random.default_rng([seed, 12])
    kind = rng.integers(3)
    piece = (box((5, 5, 5), (0.9, 0.7, 0.6)), ball(6, (0.45, 0.5, 0.4)), ring(24, 10))[kind]
    detail, wave = rng.uniform(0.004, 0.015), waves(rng, 0.35)

    def height(p: np.ndarray, group: np.ndarray, window: np.ndarray) -> np.ndarray:
        return detail * window * wave(p)

    builder = Builder("degenerate faces", seed)
    builder.add(piece, int(rng.integers(3, 6)), height)
    scene = builder.scene(1.5 * detail, 1.5 * detail)
    scene = maybe(scene, rng, "hole", "tight", "flipped")
    dirty = replace(scene, whole=scene)
    where = rng.integers(3)
    if where != 0:
        dirty = sprinkled_low(dirty, rng, rng.uniform(0.01, 0.05))
    if where != 1:
        dirty = sprinkled_high(dirty, rng, rng.uniform(0.005, 0.02))
    return posed(dirty, rng)


def _bad_faces(
    positions: np.ndarray, triangles: np.ndarray, rng: np.random.Generator, count: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """New vertices, new faces, and the face that each of them was made at."""
    home = rng.choice(len(triangles), count, replace=False)
    a, b, c = triangles[home].T
    kind = rng.integers(4, size=count)
    share = rng.uniform(0.2, 0.8, count)[:, None]
    on_edge = (1 - share) * positions[a] + share * positions[b]
    on_edge[kind == 2] += SLIVER * (positions[c] - positions[a])[kind == 2]
    new = len(positions) + np.arange(count)
    faces = np.select(
        [kind[:, None] == 0, kind[:, None] == 3],
        # Two corners alike, or the face once more; else a corner on the edge between the others.
        [np.stack([a, b, b], axis=1), np.stack([b, c, a], axis=1)],
        np.stack([a, b, new], axis=1),
    )
    return on_edge, faces, home


def sprinkled_low(scene: FamilyScene, rng: np.random.Generator, share: float) -> FamilyScene:
    count = max(int(share * len(scene.low_triangles)), 2)
    new, faces, home = _bad_faces(scene.low_positions, scene.low_triangles, rng, count)
    return replace(
        scene,
        low_positions=np.concatenate([scene.low_positions, new]),
        low_triangles=np.concatenate([scene.low_triangles, faces]),
        low_part=np.concatenate([scene.low_part, scene.low_part[home]]),
        low_group=np.concatenate([scene.low_group, scene.low_group[home]]),
        low_piece=np.concatenate([scene.low_piece, scene.low_piece[home]]),
    )


def sprinkled_high(scene: FamilyScene, rng: np.random.Generator, share: float) -> FamilyScene:
    count = max(int(share * len(scene.high_triangles)), 2)
    new, faces, home = _bad_faces(scene.high_positions, scene.high_triangles, rng, count)
    return replace(
        scene,
        high_positions=np.concatenate([scene.high_positions, new]),
        high_triangles=np.concatenate([scene.high_triangles, faces]),
        high_part=np.concatenate([scene.high_part, scene.high_part[home]]),
        high_group=np.concatenate([scene.high_group, scene.high_group[home]]),
        high_piece=np.concatenate([scene.high_piece, scene.high_piece[home]]),
        home=np.concatenate([scene.home, scene.home[home]]),
    )
