"""Goals of a block through its lattice are those that every texel is asked for in full."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from cagecheck.locating.goals import LEAST_BLOCK, block_goals, find_goals
from cagecheck.maps.texels import texel_blocks
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.maps.bake import Baker, BakeRule
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.scene import Scene

OFFSET, SIZE = 0.05, 128
SHEET = tuple[np.ndarray, np.ndarray]


def low_square() -> LowPoly:
    corners = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    mesh = mesh_from_polygons(corners, np.array([[0, 1, 2, 3]]), uv=corners[:, :2])
    return prepare_low(mesh)


def sheet(height: Callable[[np.ndarray, np.ndarray], np.ndarray], n: int = 160) -> SHEET:
    """A dense sheet over the square, its height a function of x and y."""
    at = np.linspace(-0.05, 1.05, n)
    x, y = np.meshgrid(at, at, indexing="ij")
    p = np.stack([x, y, height(x, y)], axis=-1).reshape(-1, 3)
    k = np.arange(n * n).reshape(n, n)
    quads = [(k[:-1, :-1], k[1:, :-1], k[1:, 1:]), (k[:-1, :-1], k[1:, 1:], k[:-1, 1:])]
    return p, np.concatenate([np.stack(q, axis=-1).reshape(-1, 3) for q in quads])


def waves(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 0.01 * np.sin(30 * x) * np.sin(23 * y)


def scene_of(*sheets: SHEET) -> Scene:
    base = np.cumsum([0, *(len(p) for p, _ in sheets)])
    t = np.concatenate([t + b for (_, t), b in zip(sheets, base[:-1], strict=True)])
    part = np.concatenate([np.full(len(t), k, np.int32) for k, (_, t) in enumerate(sheets)])
    names = tuple(f"sheet{k}" for k in range(len(sheets)))
    return Scene(Surface(np.concatenate([p for p, _ in sheets]), t.astype(np.int32), part, names))


def holed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Waves with a pit that is deeper than anything in reach."""
    return np.where(np.hypot(x - 0.4, y - 0.6) < 0.1, -0.6, waves(x, y))


def ridges(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Waves with upright ridges about two texels wide, four times as high as the waves."""
    return waves(x, y) + 0.04 * (np.abs((8 * x) % 1 - 0.5) < 0.06)


SCENES = {
    "waves": (sheet(waves),),
    "pit": (sheet(holed),),
    "ridges": (sheet(ridges, 400),),
    "turned over": ((sheet(waves)[0], sheet(waves)[1][:, ::-1]),),
    "another part above": (sheet(waves), sheet(lambda x, y: waves(y, x) + 0.07 + 0.05 * x)),
    "another part that crosses": (sheet(waves), sheet(lambda x, y: 0.3 * (x - 0.5))),
}


@pytest.mark.parametrize("name", SCENES)
def test_the_lattice_gives_the_goals_of_the_full_rule(name: str) -> None:
    low, scene = low_square(), scene_of(*SCENES[name])
    paired = np.zeros((1, len(SCENES[name])), bool)
    paired[0, 0] = True
    baker = Baker(low, cage_from_offset(low, OFFSET), scene, BakeRule(depth=OFFSET), paired=paired)
    block = next(texel_blocks(low, SIZE, 1001))
    assert len(block) > LEAST_BLOCK
    rays = baker.matcher.rays(baker.cage, block.points)
    full = find_goals(baker, block.points, rays, 2 * OFFSET)
    quick = block_goals(baker, block, rays, 2 * OFFSET, np.inf)
    assert np.array_equal(full.face >= 0, quick.face >= 0)
    assert np.array_equal(full.front, quick.front)
    # Where a ray runs along an edge either of its faces may be named.
    assert quick.t == pytest.approx(full.t, abs=1e-6, nan_ok=True)


def test_a_block_off_the_high_poly_has_no_goals() -> None:
    low = low_square()
    scene = scene_of(sheet(lambda x, y: waves(x, y) + 5.0))
    baker = Baker(low, cage_from_offset(low, OFFSET), scene, BakeRule(depth=OFFSET))
    block = next(texel_blocks(low, SIZE, 1001))
    rays = baker.matcher.rays(baker.cage, block.points)
    assert (block_goals(baker, block, rays, 2 * OFFSET, np.inf).face < 0).all()
