"""One move of the whole high poly is found again; on a flat part nothing tells it."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.locating.compare import CompareRule
from cagecheck.locating.moved_high import Asked, _is_flat, find_move
from cagecheck.maps.texels import texel_blocks
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.predicting.maps.bake import Baker, BakeRule
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.scene import Scene

OFFSET, SIZE = 0.1, 96
SIDES = 64


def low_tube() -> LowPoly:
    """A tube of radius 1, eight faces around, unrolled over the tile."""
    faces = 8
    angle = 2 * np.pi * np.arange(faces + 1) / faces
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    quads, uv, positions = [], [], []
    for k in range(faces):
        base = len(positions)
        for column, z in ((k, 0.0), (k + 1, 0.0), (k + 1, 1.0), (k, 1.0)):
            positions.append([*ring[column % faces], z])
            uv.append([0.05 + 0.9 * column / faces, 0.05 + 0.9 * z])
        quads.append([base, base + 1, base + 2, base + 3])
    mesh = mesh_from_polygons(np.array(positions), np.array(quads), uv=np.array(uv))
    return prepare_low(mesh)


def high_tube(aside: np.ndarray) -> Scene:
    """A dense tube with waves along and around it, moved aside."""
    rows = np.linspace(-0.2, 1.2, 90)
    around = 2 * np.pi * np.arange(240) / 240
    a, z = np.meshgrid(around, rows, indexing="ij")
    r = 0.97 + 0.02 * np.sin(9 * a) * np.sin(12 * z)
    p = np.stack([r * np.cos(a), r * np.sin(a), z], axis=-1).reshape(-1, 3) + aside
    k = np.arange(240 * 90).reshape(240, 90)
    right = np.roll(k, -1, axis=0)
    t = np.concatenate(
        [
            np.stack([k[:, :-1], right[:, :-1], right[:, 1:]], axis=-1).reshape(-1, 3),
            np.stack([k[:, :-1], right[:, 1:], k[:, 1:]], axis=-1).reshape(-1, 3),
        ]
    ).astype(np.int32)
    return Scene(Surface(p, t, np.zeros(len(t), np.int32), ("tube",)))


def asked_of(low: LowPoly, shown_of: Scene, rays_of: Scene) -> tuple[Baker, Asked]:
    """Return a baker of one scene, and what a bake of the other shows at all texels."""
    cage = cage_from_offset(low, OFFSET)
    bakers = [Baker(low, cage, scene, BakeRule(depth=OFFSET)) for scene in (shown_of, rays_of)]
    points = next(texel_blocks(low, SIZE, 1001)).points
    rays, seen = bakers[0].record(points)
    return bakers[1], Asked(points, rays, seen.normal)


def rule() -> CompareRule:
    return CompareRule(
        depth=1.0, reach=1.0, target_depth=2 * OFFSET, target_reach=np.inf, largest_share=8.0,
        base_degrees=1.5, fills=(),
    )  # fmt: skip


@pytest.mark.parametrize("aside", [(0.03, -0.02, 0.04), (0.0, 0.05, 0.0)])
def test_a_move_is_found_again(aside: tuple[float, float, float]) -> None:
    moved = np.array(aside)
    baker, asked = asked_of(low_tube(), high_tube(moved), high_tube(np.zeros(3)))
    found = find_move(baker, asked, rule())
    assert found is not None
    # A texel is 0.07 units wide and 0.012 high; facets of the waves hide a quarter of that.
    assert found == pytest.approx(moved, abs=0.003)


def test_what_moved_in_one_place_only_is_no_move_of_the_whole() -> None:
    still, moved = high_tube(np.zeros(3)), high_tube(np.array([0.0, 0.0, 0.05]))
    baker, here = asked_of(low_tube(), still, still)
    _, there = asked_of(low_tube(), moved, still)
    patch = here.points.positions(baker.low)[:, 0] > 0
    asked = Asked(here.points, here.rays, np.where(patch[:, None], there.shown, here.shown))
    assert find_move(baker, asked, rule()) is None
    assert find_move(baker, here, rule()) is None


def test_a_flat_part_is_told_from_a_round_one() -> None:
    up = np.tile([0.0, 0.0, 1.0], (50, 1))
    assert _is_flat(up)
    assert not _is_flat(low_tube().face_normals)
