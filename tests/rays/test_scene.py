"""The scene itself: where it is moved to for float32, and how rays are shared out."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.rays import Scene
from tests.rays.test_layers import random_rays, tangled_scene
from tests.scenes.shapes import surface

pytestmark = pytest.mark.usefixtures("engine")


@pytest.mark.parametrize("shift", [0.0, 1000.0])
def test_small_triangles_are_met_wherever_the_high_poly_lies(shift: float) -> None:
    """Of a size of 1 in 50,000 of the whole, which float32 tells apart in a scene about 0 only."""
    rng = np.random.default_rng(6)
    size, count = 2e-5, 200
    corner = np.array([[-1, -1, 0], [1, -1, 0], [0, 1, 0]]) * size
    middle = rng.uniform(-0.5, 0.5, (count, 3))
    place = (middle[:, None] + corner).reshape(-1, 3)
    ends = np.array([[-0.5, -0.5, 0.5], [-0.5, 0.5, 0.5], [0.5, 0.5, -0.5]])  # what sets the size
    positions = np.concatenate([ends, place]) + shift * np.array([1, -2, 0.5])
    scene = Scene(surface(positions, np.arange(len(positions)).reshape(-1, 3)))
    origin = middle + shift * np.array([1, -2, 0.5])
    table = scene.cast(origin, np.tile([0.0, 0, 1], (count, 1)), 1e-3, 1e-3)
    mine = table.face == 1 + table.ray
    assert np.array_equal(table.ray[mine], np.arange(count))
    assert np.abs(table.t[mine]).max() < 1e-9


def test_blocks_of_rays_make_one_table_and_progress_ends_with_all(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    scene = Scene(tangled_scene(3), threads=2)
    origin, direction = random_rays(3, 250)
    whole = scene.cast(origin, direction, 1.0, 1.0)
    monkeypatch.setattr("cagecheck.rays.scene.BLOCK", 100)
    told: list[tuple[str, int, int]] = []
    table = scene.cast(
        origin, direction, 1.0, 1.0, progress=lambda *said: told.append(said), stage="so"
    )
    for name in ("first", "t", "face", "front", "depth", "reach"):
        assert np.array_equal(getattr(table, name), getattr(whole, name))
    # Two blocks for each thread, none longer than 100.
    assert told == [("so", done, 250) for done in (63, 126, 189, 250)]
