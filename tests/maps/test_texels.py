"""Which texel belongs to which triangle: exact coverage, the stated convention, streaming."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay

from cagecheck.errors import InputError
from cagecheck.maps.texels import (
    texel_blocks,
    texel_mask,
    texel_points,
    tiles_touched,
    triangle_ids,
    uv_notices,
)
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons


def flat_mesh(uv: np.ndarray, triangles: np.ndarray) -> LowPoly:
    """Lay the UVs out as geometry too: world position = (u, v, 0)."""
    positions = np.column_stack([uv, np.zeros(len(uv))])
    return prepare_low(mesh_from_polygons(positions, triangles, uv=uv[triangles].reshape(-1, 2)))


def random_square(rng: np.random.Generator, inner: int) -> tuple[np.ndarray, np.ndarray]:
    border = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0.5, 0], [0, 0.5]], float)
    uv = np.concatenate([border, rng.uniform(0.01, 0.99, (inner, 2))])
    return uv, Delaunay(uv).simplices


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 60), st.sampled_from([8, 13, 64, 100]))
def test_triangulated_square_covers_every_texel_once(seed: int, inner: int, size: int) -> None:
    rng = np.random.default_rng(seed)
    uv, triangles = random_square(rng, inner)
    # Mirrored and right-way-round triangles mixed: coverage must not depend on winding.
    flip = rng.random(len(triangles)) < 0.5
    triangles[flip] = triangles[flip][:, ::-1]
    texels = texel_points(flat_mesh(uv, triangles), size, 1001)
    assert texels.overlaps == 0
    assert len(texels) == size * size
    assert len(np.unique(texels.y.astype(int) * size + texels.x)) == size * size


def test_vertices_and_edges_exactly_on_centres_count_once() -> None:
    # Every grid vertex is a texel centre, so every edge and corner case of the rule occurs.
    size, n = 16, 8
    line = (np.arange(n) * 2 + 0.5) / size
    uv = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    cell = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    triangles = np.concatenate(
        [
            np.stack([cell, cell + 1, cell + n + 1], axis=1),
            np.stack([cell, cell + n + 1, cell + n], axis=1),
        ]
    )
    texels = texel_points(flat_mesh(uv, triangles), size, 1001)
    assert texels.overlaps == 0
    # 15 centres each way; those on the right and bottom border belong to nobody.
    assert len(texels) == 14 * 14
    assert (texels.x.min(), texels.x.max()) == (0, 13)
    assert (texels.y.min(), texels.y.max()) == (1, 14)


def test_the_same_triangle_as_a_reference_point_locator() -> None:
    rng = np.random.default_rng(5)
    uv, triangles = random_square(rng, 200)
    size = 256
    found = triangle_ids(flat_mesh(uv, triangles), size, 1001)
    x, y = np.meshgrid(np.arange(size), np.arange(size))
    centre = np.stack([(x + 0.5) / size, 1 - (y + 0.5) / size], axis=-1)
    # SciPy's (Qhull) locator, on its own numbering of the same points.
    mesh = Delaunay(uv)
    assert np.array_equal(mesh.simplices, triangles)
    expected = mesh.find_simplex(centre.reshape(-1, 2)).reshape(size, size)
    differs = found != expected
    # Only centres within the snapping distance of an edge may differ.
    corners = uv[triangles[found[differs]]] * size
    points = centre[differs] * size
    for p, c in zip(points, corners, strict=True):
        side = [
            abs(np.cross(np.append(c[k] - c[k - 1], 0), np.append(p - c[k - 1], 0))[2])
            / np.linalg.norm(c[k] - c[k - 1])
            for k in range(3)
        ]
        assert min(side) < 1 / 2048
    assert differs.mean() < 1e-3


@pytest.mark.parametrize("tile,origin", [(1001, (0, 0)), (1013, (2, 1)), (1010, (9, 0))])
def test_row_zero_is_the_top_and_v_points_up(tile: int, origin: tuple[int, int]) -> None:
    rng = np.random.default_rng(2)
    uv, triangles = random_square(rng, 30)
    low = flat_mesh(uv + origin, triangles)
    size = 64
    texels = texel_points(low, size, tile)
    place = texels.points.positions(low)[:, :2] - origin
    expected = np.stack([(texels.x + 0.5) / size, 1 - (texels.y + 0.5) / size], axis=1)
    assert np.abs(place - expected).max() * size < 1 / 2048
    assert tiles_touched(low) == (tile,)


def test_weights_are_barycentric_and_area_adds_up() -> None:
    rng = np.random.default_rng(3)
    uv, triangles = random_square(rng, 20)
    low = flat_mesh(uv * 0.8 + 0.1, triangles)
    texels = texel_points(low, 512, 1001)
    weights = texels.points.barycentric
    assert weights.min() >= 0
    assert np.allclose(weights.sum(axis=1), 1, atol=1e-12)
    assert texels.points.area.sum() == pytest.approx(low.area.sum(), rel=2e-3)


@pytest.mark.parametrize("supersample", [1, 4, 16])
def test_blocks_are_the_same_texels_as_the_whole(supersample: int) -> None:
    rng = np.random.default_rng(4)
    uv, triangles = random_square(rng, 40)
    low = flat_mesh(uv * 0.9 + 0.05, triangles)
    whole = texel_points(low, 100, 1001, supersample=supersample)
    parts = list(texel_blocks(low, 100, 1001, supersample=supersample, block=64))
    assert len(parts) > 1
    assert sum(len(p) for p in parts) == len(whole)
    key = [np.column_stack([t.x, t.y, t.points.triangle]) for t in (whole, *parts)]
    merged = np.concatenate(key[1:])
    assert np.array_equal(key[0][np.lexsort(key[0].T)], merged[np.lexsort(merged.T)])


@pytest.mark.parametrize("supersample", [1, 4])
def test_chosen_texels_are_those_of_all_that_are_asked_for(supersample: int) -> None:
    rng = np.random.default_rng(8)
    low = flat_mesh(*random_square(rng, 30))
    size, every = 96, texel_points(low, 96, 1001, supersample=supersample)
    mask = rng.random((size, size)) < 0.2
    mask[:40] = False
    blocks = list(
        texel_blocks(
            low, size, 1001, supersample=supersample, block=32, chosen=lambda x, y: mask[y, x]
        )
    )
    asked: list[tuple[slice, slice]] = []

    def wanted(rows: slice, columns: slice) -> bool:
        asked.append((rows, columns))
        return bool(mask[rows, columns].any())

    quicker = list(
        texel_blocks(
            low,
            size,
            1001,
            supersample=supersample,
            block=32,
            chosen=lambda x, y: mask[y, x],
            wanted=wanted,
        )
    )
    assert len(quicker) == len(blocks)
    for one, other in zip(quicker, blocks, strict=True):
        assert np.array_equal(one.x, other.x) and np.array_equal(one.y, other.y)
    across = {1: 32, 4: 16}[supersample]
    assert {(r.stop - r.start, c.stop - c.start) for r, c in asked} == {(across, across)}
    assert len(set((r.start, c.start) for r, c in asked)) == (size // across) ** 2
    # Blocks without a chosen texel are left out.
    assert all(len(block) for block in blocks) and min(b.y.min() for b in blocks) >= 40
    x, y = (np.concatenate([getattr(b, name) for b in blocks]) for name in "xy")
    kept = mask[every.y, every.x]
    assert len(x) == kept.sum() > 0
    mine, all_of_them = (
        np.lexsort((*weights.T, column, row))
        for weights, column, row in (
            (np.concatenate([b.points.barycentric for b in blocks]), x, y),
            (every.points.barycentric[kept], every.x[kept], every.y[kept]),
        )
    )
    for name in ("triangle", "barycentric", "area", "spacing"):
        found = np.concatenate([getattr(b.points, name) for b in blocks])[mine]
        assert np.array_equal(found, getattr(every.points, name)[kept][all_of_them])


def test_the_mask_is_where_texels_are() -> None:
    uv, triangles = random_square(np.random.default_rng(9), 30)
    low = flat_mesh(0.8 * uv + 0.05, triangles[::2])
    texels = texel_points(low, 100, 1001)
    wanted = np.zeros((100, 100), bool)
    wanted[texels.y, texels.x] = True
    assert np.array_equal(texel_mask(low, 100, 1001), wanted)
    assert 0 < wanted.sum() < wanted.size


def test_supersampling_counts_sub_texels() -> None:
    uv = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    low = flat_mesh(uv, np.array([[0, 1, 2], [0, 2, 3]]))
    texels = texel_points(low, 32, 1001, supersample=16)
    count = np.zeros((32, 32), int)
    np.add.at(count, (texels.y, texels.x), 1)
    assert np.all(count == 16)


def test_first_triangle_keeps_overlapping_texels_and_the_rest_are_counted() -> None:
    uv = np.array([[0, 0], [1, 0], [1, 1]], float)
    low = flat_mesh(uv, np.array([[0, 1, 2], [0, 2, 1]]))  # the two sides of a card
    texels = texel_points(low, 64, 1001)
    assert np.all(texels.points.triangle == 0)
    assert texels.overlaps == len(texels)


def test_a_triangle_over_two_tiles_gives_each_its_texels() -> None:
    uv = np.array([[0.5, 0.25], [1.5, 0.25], [1.5, 0.75], [0.5, 0.75]])
    low = flat_mesh(uv, np.array([[0, 1, 2], [0, 2, 3]]))
    assert tiles_touched(low) == (1001, 1002)
    left, right = (texel_points(low, 64, tile) for tile in (1001, 1002))
    assert len(left) == len(right) == 32 * 32
    assert left.x.min() == 32 and right.x.max() == 31


def test_degenerate_missing_and_far_uvs_give_no_texels_and_are_named() -> None:
    uv = np.array([[0, 0], [1, 0], [1, 1], [0.2, 0.2], [np.nan, 0], [9, 0]], float)
    triangles = np.array([[0, 1, 2], [0, 3, 2], [0, 1, 4], [0, 5, 2]])
    points = np.random.default_rng(0).random((len(uv), 3))
    low = prepare_low(mesh_from_polygons(points, triangles, uv=uv[triangles].reshape(-1, 2)))
    texels = texel_points(low, 32, 1001)
    assert set(texels.points.triangle) == {0}
    assert {n.code for n in uv_notices(low)} == {"no-uv", "flat-uv", "wide-uv"}


def test_bad_requests_are_refused() -> None:
    uv = np.array([[0, 0], [1, 0], [1, 1]], float)
    low = flat_mesh(uv, np.array([[0, 1, 2]]))
    with pytest.raises(InputError, match="samples per texel"):
        texel_points(low, 64, 1001, supersample=3)
    with pytest.raises(InputError, match="not possible"):
        texel_points(low, 0, 1001)
    bare = prepare_low(mesh_from_polygons(low.positions, [[0, 1, 2]]))
    with pytest.raises(InputError, match="no UVs"):
        texel_points(bare, 64, 1001)
    assert tiles_touched(bare) == ()
