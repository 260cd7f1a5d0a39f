"""What a low poly derives from its UVs and triangles, against numbers worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.meshes.normals import NormalRule
from cagecheck.meshes.tiles import NO_TILE

POINTS = np.array([[0, 0, 0], [2, 0, 0], [2, 1, 0], [0, 1, 0], [1e6, 0, 0.0]])
FACES = [
    [0, 1, 2],  # half a rectangle of 0.8 x 0.4 on tile 1002
    [0, 2, 3],  # as large, mirrored, on tile 1021
    [0, 1, 1],  # no area in the world, half a tile in UVs: set aside
    [0, 1, 3],  # one corner without UVs
    [0, 1, 2],  # on the first face: set aside
    [2, 1, 0],  # its back, over the border u = 1, most of it on tile 1001
]
UVS = [
    [(1.9, 0.1), (1.9, 0.5), (1.1, 0.1)],
    [(0.9, 2.1), (0.1, 2.5), (0.9, 2.5)],
    [(0, 0), (1, 0), (0, 1)],
    [(0, 0), (1, 0), (np.nan, np.nan)],
    [(0, 0), (1, 0), (0, 1)],
    [(0.9, 0.1), (1.05, 0.1), (0.9, 0.4)],
]


def test_uv_areas_are_signed_and_tiles_go_by_the_middle():
    low = prepare_low(mesh_from_polygons(POINTS, FACES, uv=np.reshape(UVS, (-1, 2))))
    assert low.uv_area == pytest.approx([0.16, -0.16, 0.0, 0.0225])
    assert low.tile.tolist() == [1002, 1021, NO_TILE, 1001]
    assert low.cut.face.tolist() == [0, 1, 3, 5]
    assert low.aside.flat.tolist() == [2] and low.aside.doubled.tolist() == [4]
    assert low.uv is not None and low.uv[0].tolist() == [list(x) for x in UVS[0]]


def test_texels_per_unit_is_the_root_of_the_areas_ratio():
    low = prepare_low(mesh_from_polygons(POINTS, FACES, uv=np.reshape(UVS, (-1, 2))))
    assert low.area.tolist() == [1, 1, 1, 1]
    expected = [1000 * 0.4, 1000 * 0.4, 0, 1000 * 0.15]
    assert low.texels_per_unit(1000) == pytest.approx(expected)


def test_without_uvs_there_are_no_tiles_and_no_texels():
    low = prepare_low(mesh_from_polygons(POINTS, FACES))
    assert low.uv is None and set(low.tile) == {NO_TILE}
    assert not low.uv_area.any() and not low.texels_per_unit(1024).any()


def test_the_diagonal_is_that_of_the_vertices_in_use():
    low = prepare_low(mesh_from_polygons(POINTS - [5, 0, 0], FACES))
    assert low.diagonal() == pytest.approx(np.sqrt(2**2 + 1**2))
    assert prepare_low(mesh_from_polygons(POINTS, [])).diagonal() == 0


def test_shading_follows_the_rule_given_and_the_rule_is_kept():
    """A roof of 90 degrees: at 30 degrees its ridge is hard, smooth it is not."""
    roof = mesh_from_polygons(
        np.array([[0, 0, 0], [1, 0, 1], [1, 1, 1], [0, 1, 0], [2, 0, 0], [2, 1, 0.0]]),
        [[0, 1, 2, 3], [1, 4, 5, 2]],
    )
    for rule, is_hard in ((NormalRule("hardness"), True), (NormalRule("smooth"), False)):
        low = prepare_low(roof, rule=rule)
        assert low.normal_rule == rule
        assert np.allclose(low.shading_normals, low.face_normals[:, None]) is is_hard
    assert prepare_low(roof).normal_rule == NormalRule()
