"""Predictions made at the same time do not touch one another."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import trimesh

from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays import Scene
from tests.predicting.test_against_oracle import predicted, scene
from tests.scenes.shapes import as_low, surface


def same(one, other):
    return (
        np.array_equal(one.findings.flags, other.findings.flags)
        and np.array_equal(one.layers.t, other.layers.t)
        and one.to_dict() == other.to_dict()
    )


def test_different_scenes_at_once():
    def work(seed):
        return predicted(*scene(seed), seed)

    alone = [work(seed) for seed in range(12)]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(work, range(12)))
    assert all(map(same, alone, together))


def test_one_scene_shared_by_several_bakes():
    ball, fine = trimesh.creation.icosphere(2), trimesh.creation.icosphere(5)
    low, shared = as_low(ball.vertices, ball.faces), Scene(surface(fine.vertices, fine.faces))

    def work(offset):
        settings = Settings(offset=offset, depth=0.02, samples=20_000, unseen_points=5000)
        return predict(low, shared, settings=settings)

    offsets = (0.005, 0.01, 0.02, 0.04)
    alone = [work(offset) for offset in offsets]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(work, offsets))
    assert all(map(same, alone, together))
    assert not same(alone[0], alone[3])
