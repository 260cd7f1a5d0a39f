"""Detail that is finer than a texel: seen by several samples a texel, by one in the middle not.

The map is made by hand: a square whose texels are known, over a flat sheet with a groove that lies
between the middles of two columns of samples. What each lattice of samples meets of it follows from
where the groove lies, and so does their mean.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from cagecheck.locating.compare import Fault
from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.locating.read_maps import BakedMap
from cagecheck.maps.encode import quantised
from cagecheck.rays.scene import Scene
from tests.locating.test_goals import SHEET, low_square, scene_of

SIZE, OFFSET = 128, 0.05
COLUMN = 40
# The groove's only slope lies over a quarter of the column's texels, left of their middles: the
# first of four samples along a row meets it (at 1/8), and the first of two (at 1/4), none at 1/2.
BEGIN, END = 0.02, 0.27
STEEP = 1.0


def waves(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Less steep along x than a quarter of the groove: no mean over it is the flat fill colour."""
    return 0.003 * np.sin(30 * x) + 0.01 * np.sin(23 * y)


def grooved() -> SHEET:
    """Waves, and a step down that is a quarter of a texel wide and as deep: 45 degrees."""
    # Vertices close to either side of its ends, so that normals bend there and nowhere else.
    near = (COLUMN + np.add.outer([BEGIN, END], [-2e-3, -1e-3, 1e-3, 2e-3]).ravel()) / SIZE
    x = np.sort(np.concatenate([np.linspace(-0.05, 1.05, 160), near]))
    y = np.linspace(-0.05, 1.05, 160)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    down = np.clip(gx - (COLUMN + BEGIN) / SIZE, 0, (END - BEGIN) / SIZE)
    p = np.stack([gx, gy, waves(gx, gy) - STEEP * down], axis=-1).reshape(-1, 3)
    k = np.arange(len(x) * len(y)).reshape(len(x), len(y))
    quads = [(k[:-1, :-1], k[1:, :-1], k[1:, 1:]), (k[:-1, :-1], k[1:, 1:], k[:-1, 1:])]
    return p, np.concatenate([np.stack(q, axis=-1).reshape(-1, 3) for q in quads])


def baked(count: int) -> np.ndarray:
    """Means of count x count samples a texel, from the slopes of waves and groove."""
    at = (np.arange(SIZE * count) + 0.5) / (SIZE * count)
    x, y = np.meshgrid(at, at)
    inside = (x * SIZE > COLUMN + BEGIN) & (x * SIZE < COLUMN + END)
    dx = 0.09 * np.cos(30 * x) - STEEP * inside
    dy = 0.23 * np.cos(23 * y)
    normal = np.stack([-dx, -dy, np.ones_like(dx)], axis=-1)
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    mean = normal.reshape(SIZE, count, SIZE, count, 3).sum(axis=(1, 3))
    # Rows of a picture run downwards.
    return np.asarray((mean / np.linalg.norm(mean, axis=2, keepdims=True))[::-1])


def located(normals: np.ndarray, scene: Scene) -> Location:
    picture = BakedMap(Path("m_normal.1001.png"), 1001, quantised(normals, 8), None)
    return locate(
        [picture], low_square().mesh, scene, settings=LocateSettings(offset=OFFSET, depth=OFFSET)
    )


def faults(result: Location) -> np.ndarray:
    fault = result.maps[0].fault
    assert fault is not None
    return fault


def test_samples_that_meet_a_groove_between_the_middles_are_no_fault() -> None:
    scene = scene_of(grooved())
    middle, several = baked(1), baked(4)
    apart = np.degrees(np.arccos(np.clip((middle * several).sum(axis=2), -1, 1)))
    assert np.median(apart[:, COLUMN]) > 8
    assert (np.delete(apart, COLUMN, axis=1) < 1).all()
    for count in (1, 2, 4):
        assert not (faults(located(baked(count), scene)) != Fault.CLEAN).any(), count


def test_what_no_number_of_samples_records_is_told() -> None:
    """As much the other way: the samples of the groove do not excuse a tilt away from it."""
    scene = scene_of(grooved())
    normals = baked(1)
    tilted = normals[:, COLUMN] - (baked(4) - normals)[:, COLUMN]
    normals[:, COLUMN] = tilted / np.linalg.norm(tilted, axis=1, keepdims=True)
    wrong = faults(located(normals, scene)) != Fault.CLEAN
    assert wrong[:, COLUMN].mean() > 0.9
