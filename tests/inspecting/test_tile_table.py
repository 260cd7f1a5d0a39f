"""Tiles, areas and densities against closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from cagecheck.errors import InputError
from cagecheck.inspecting.tile_table import face_tiles, tile_table
from cagecheck.maps.coverage import tile_coverage
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from tests.scenes.tiles import CHARACTER, patch_low, patch_mesh


def test_rows_hold_every_tile_part_and_material_with_closed_form_area_and_density():
    table = tile_table(patch_low(), 1024)
    assert [(r.tile, r.part, r.material) for r in table.rows] == [
        (1001, "body", "skin"),
        (1002, "head", "skin"),
        (1011, "belt", "metal"),
        (1011, "coat", "leather"),
    ]
    for row, (u, v) in zip(
        table.rows, ((0.8, 0.4), (0.4, 0.7), (0.3, 0.2), (0.35, 0.4)), strict=True
    ):
        assert row.uv_area == pytest.approx(u * v)
        assert row.world_area == pytest.approx(2.0)
        assert row.density == pytest.approx(1024 * np.sqrt(u * v / 2.0))
        assert row.density_min <= row.density <= row.density_max
        assert row.faces == 1


def test_spanning_materials_and_mixed_tiles_are_named():
    table = tile_table(patch_low())
    assert table.spanning_materials() == {"skin": (1001, 1002)}
    assert table.mixed_tiles() == {1011: ("leather", "metal")}
    assert table.tiles == (1001, 1002, 1011)


def test_median_density_is_weighted_by_area():
    # Nine units of area at 10 texels per unit, one at 100: the median is 10.
    uv = np.array([(0, 0), (0.3, 0), (0.3, 0.3), (0, 0.3), (0, 0), (1, 0), (1, 1), (0, 1)], float)
    positions = [
        (0, 0, 0),
        (3, 0, 0),
        (3, 3, 0),
        (0, 3, 0),
        (5, 0, 0),
        (6, 0, 0),
        (6, 1, 0),
        (5, 1, 0),
    ]
    low = prepare_low(mesh_from_polygons(positions, [[0, 1, 2, 3], [4, 5, 6, 7]], uv=uv))
    (row,) = tile_table(low, 100).rows
    assert (row.density_min, row.density, row.density_max) == pytest.approx((10, 10, 100))


@pytest.mark.parametrize(("areas", "middle"), [((4, 3, 3), 20), ((6, 2, 2), 10), ((3, 3, 4), 20)])
def test_half_of_the_area_lies_below_the_median(areas, middle):
    """Three squares at 10, 20 and 40 texels per unit; counted by area, not by face."""
    positions, uv = [], []
    for k, (area, density) in enumerate(zip(areas, (10, 20, 40), strict=True)):
        square = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * np.sqrt(area)
        positions += [(10 * k + x, y, 0) for x, y in square]
        uv += (square * density / 1000 + 0.3 * k).tolist()
    faces = [[0, 1, 2, 3], [4, 5, 6, 7], [8, 9, 10, 11]]
    low = prepare_low(mesh_from_polygons(positions, faces, uv=np.array(uv)))
    (row,) = tile_table(low, 1000).rows
    assert row.density == pytest.approx(middle)
    assert (row.density_min, row.density_max) == pytest.approx((10, 40))


def _face(uv):
    n = len(uv)
    angles = np.linspace(0, 2 * np.pi, n, endpoint=False)
    ring = np.stack([np.cos(angles), np.sin(angles), np.zeros(n)], axis=1)
    return mesh_from_polygons(ring, [list(range(n))], uv=uv)


@pytest.mark.parametrize(
    ("uv", "tile", "crossing"),
    [
        ([(0, 0), (1, 0), (1, 1), (0, 1)], 1001, False),  # the whole tile, on its border
        ([(1, 0), (2, 0), (2, 1), (1, 1)], 1002, False),
        ([(0.5, 0.5), (1.2, 0.5), (0.5, 0.9)], 1001, True),
        ([(0.9, 0.9), (1.0 + 5e-7, 0.9), (0.9, 1.0)], 1001, False),  # six decimals' rounding
        ([(-0.5, 0.1), (-0.2, 0.1), (-0.2, 0.4)], 0, False),
        ([(10.1, 0.1), (10.4, 0.1), (10.4, 0.4)], 0, False),  # rows are ten tiles wide
        ([(9.1, 1.1), (9.4, 1.1), (9.4, 1.4)], 1020, False),
    ],
)
def test_tile_and_crossing_of_single_faces(uv, tile, crossing):
    found = face_tiles(_face(np.array(uv, float)))
    assert found.tile.tolist() == [tile]
    assert found.crossing.tolist() == [crossing]


def test_faces_without_uv_and_outside_are_told_apart():
    mesh = patch_mesh()
    uv = mesh.corner_uv.copy()
    uv[1] = np.nan
    uv[4:8] -= 5
    table = tile_table(prepare_low(mesh.__class__(**{**vars(mesh), "corner_uv": uv})))
    assert table.without_uv.tolist() == [0]
    assert table.outside.tolist() == [1]


def test_mesh_without_uv_is_refused():
    with pytest.raises(InputError, match="no UVs"):
        tile_table(prepare_low(mesh_from_polygons(np.eye(3), [[0, 1, 2]])))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=3, max_size=3),
    st.sampled_from([1001, 1002, 1011, 1099]),
)
def test_coverage_has_the_triangles_area(corners, tile):
    uv = np.array(corners, float)
    origin = np.array([(tile - 1001) % 10, (tile - 1001) // 10])
    mask = tile_coverage((uv + origin)[None], tile, 256)
    e1, e2 = uv[1] - uv[0], uv[2] - uv[0]
    area = 0.5 * abs(e1[0] * e2[1] - e1[1] * e2[0])
    # The texels that a border of length p can touch: at most 2 p + 4 per side's end (lattice
    # bound: a segment meets at most dx + dy + 1 cells of a grid).
    spans = np.abs(uv - np.roll(uv, 1, axis=0)).sum() * 256 + 6
    assert abs(mask.sum() - area * 256**2) <= spans
    assert not tile_coverage((uv + origin)[None], tile + 1, 256).any()


def test_coverage_against_pillow_polygons():
    """Pillow's own polygon filling, which may differ along the outline only."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        uv = rng.random((3, 2))
        ours = tile_coverage(uv[None], 1001, 200, 100)
        image = Image.new("1", (200, 100))
        corners = [(u * 200 - 0.5, (1 - v) * 100 - 0.5) for u, v in uv]
        ImageDraw.Draw(image).polygon(corners, fill=1)
        differing = np.count_nonzero(ours != np.asarray(image))
        assert differing <= np.abs(uv - np.roll(uv, 1, axis=0)).sum() * 200 + 6
        assert ours.any()


def test_shared_scene_is_what_the_tests_say():
    assert len(CHARACTER) == patch_mesh().face_count
