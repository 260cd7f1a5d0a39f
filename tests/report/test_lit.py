"""What the lit model is stored as: corners, maps that fit."""

from __future__ import annotations

import imagecodecs
import numpy as np
import pytest

from cagecheck.maps.normal_maps import NormalMaps
from cagecheck.meshes.tiles import tile_origin
from cagecheck.predicting.lit import lit_of
from cagecheck.predicting.page import page_of_prediction
from cagecheck.predicting.result import Prediction
from cagecheck.report.lit import LARGEST, SMALLEST, fitting_maps, lit_corners, size_words
from cagecheck.report.page import page_html


def noise(size: int, tiles: int = 2) -> NormalMaps:
    """Maps that no encoder makes smaller."""
    rng = np.random.default_rng(size)
    return NormalMaps(
        {1001 + k: rng.integers(0, 256, (size, size, 3), dtype=np.uint8) for k in range(tiles)}
    )


def test_maps_are_as_large_as_their_files_allow() -> None:
    """Noise takes three bytes a texel: two tiles of two maps at 128 need 196,608."""
    size, files = fitting_maps([noise, noise], 2, 512, budget=250_000)
    assert size == 128
    assert sum(len(data) for side in files for data in side.values()) <= 250_000
    size, _ = fitting_maps([noise, noise], 2, 512, budget=12 * 256**2 + 5_000)
    assert size == 256


@pytest.mark.usefixtures("whole_pictures")
def test_maps_are_never_larger_than_the_bakes_own_nor_than_the_screen_shows() -> None:
    def flat(size: int) -> NormalMaps:
        return NormalMaps({1001: np.full((size, size, 3), 128, np.uint8)})

    assert fitting_maps([flat], 1, 4096)[0] == LARGEST
    assert fitting_maps([flat], 1, 300)[0] == 256
    assert fitting_maps([flat], 1, 4096, budget=1)[0] == SMALLEST


def test_nothing_is_lost_in_the_files() -> None:
    _, (files,) = fitting_maps([noise], 2, 64)
    for tile, data in files.items():
        assert (imagecodecs.webp_decode(data) == noise(64).tiles[tile]).all()


def test_corners_are_those_of_the_low_poly(demo_prediction: Prediction) -> None:
    low = demo_prediction.low
    corners = lit_corners(low)
    mine = corners.low_triangle
    assert sorted(mine) == list(np.flatnonzero(low.area > 0))
    at = corners.triangles
    np.testing.assert_array_equal(corners.position[at], low.positions[low.triangles[mine]])
    np.testing.assert_array_equal(corners.normal[at], low.shading_normals[mine])
    assert len(corners.position) < at.size / 2
    assert low.uv is not None
    origin = np.array([tile_origin(int(t)) for t in low.tile[mine]])
    np.testing.assert_allclose(corners.uv[at] + origin[:, None], low.uv[mine], atol=1e-12)
    runs = corners.runs()
    assert sum(run["count"] for run in runs) == len(at)
    assert len({(run["part"], run["tile"]) for run in runs}) == len(runs)


@pytest.mark.long
@pytest.mark.usefixtures("whole_pictures")
def test_the_demos_page_keeps_to_its_budget(demo_prediction: Prediction) -> None:
    """Four tiles: at most 15 MB."""
    lit = lit_of(demo_prediction)
    assert lit is not None and lit.size >= 512
    assert len(lit.sides[0].files or {}) == 4
    html = page_html(page_of_prediction(demo_prediction, lit=lit))
    assert len(html.encode()) <= 15_000_000
    assert size_words(lit.size, demo_prediction.settings.map_size) in html


def test_the_size_is_said_beside_the_bakes_own() -> None:
    assert size_words(512, 512) == "512 × 512 texels per tile"
    assert size_words(1024, 4096) == "1,024 × 1,024 texels per tile (the bake’s own have 4,096)"
