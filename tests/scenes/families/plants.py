"""Faults planted into a scene that has none: each returns the scene with its fault and its name."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.scenes.families.scene import NO_GROUP, FamilyScene

# Patches are this large, as a share of the scene's diagonal.
PATCH = (0.07, 0.12)
# A tight or shallow bake has this share of the distance that it needs.
SHORT = (0.25, 0.5)


def patch(scene: FamilyScene, rng: np.random.Generator, radius: float | None = None) -> np.ndarray:
    """(H,) bool: high triangles of one side within a drawn radius of a drawn place."""
    middle = scene.home.mean(axis=1)
    labelled = np.flatnonzero(scene.high_group != NO_GROUP)
    p = scene.home[labelled]
    area = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    seed = labelled[rng.choice(len(labelled), p=area / area.sum())]
    radius = radius or rng.uniform(*PATCH) * scene.size()
    near = np.linalg.norm(middle - middle[seed], axis=1) < radius
    return near & (scene.high_group == scene.high_group[seed])


def without(scene: FamilyScene, gone: np.ndarray) -> FamilyScene:
    """The scene without some high triangles."""
    kept = ~gone
    return replace(
        scene,
        high_triangles=scene.high_triangles[kept],
        high_part=scene.high_part[kept],
        high_group=scene.high_group[kept],
        high_piece=scene.high_piece[kept],
        home=scene.home[kept],
    )


def turned(scene: FamilyScene, which: np.ndarray) -> FamilyScene:
    """The scene with some high triangles turned round."""
    triangles, home = scene.high_triangles.copy(), scene.home.copy()
    triangles[which], home[which] = triangles[which][:, ::-1], home[which][:, ::-1]
    return replace(scene, high_triangles=triangles, home=home)


def hole(scene: FamilyScene, rng: np.random.Generator) -> FamilyScene:
    return replace(without(scene, patch(scene, rng)), fault="hole", whole=scene)


def flipped(scene: FamilyScene, rng: np.random.Generator) -> FamilyScene:
    return replace(turned(scene, patch(scene, rng)), fault="flipped patch", whole=scene)


def tight(scene: FamilyScene, rng: np.random.Generator) -> FamilyScene:
    return replace(scene, offset=scene.offset * rng.uniform(*SHORT), fault="too tight", whole=scene)


def shallow(scene: FamilyScene, rng: np.random.Generator) -> FamilyScene:
    return replace(scene, depth=scene.depth * rng.uniform(*SHORT), fault="too deep", whole=scene)


PLANTS = {"hole": hole, "flipped": flipped, "tight": tight, "shallow": shallow}


def maybe(scene: FamilyScene, rng: np.random.Generator, *names: str) -> FamilyScene:
    """Leave every other scene as it is; plant one of the named faults into the rest."""
    name = rng.choice([*names, *["none"] * len(names)])
    return scene if name == "none" else PLANTS[str(name)](scene, rng)
