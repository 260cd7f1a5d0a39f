"""The preview picture."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cagecheck.errors import InputError
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.predicting.maps.shown import predicted_maps
from cagecheck.predicting.predict import predict
from cagecheck.predicting.preview import (
    BAR,
    GAP,
    NamedView,
    draw_preview,
    preview_views,
    write_preview,
)
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings
from cagecheck.rendering.camera import Camera
from cagecheck.rendering.pictures import HighModel, LowModel, render_high, render_low_with_map
from cagecheck.rendering.shading import light_of, srgb
from cagecheck.rendering.view import View
from tests.scenes.maps import SQUARE, plate, sheet

CELL = 48


@pytest.fixture(scope="module")
def prediction() -> Prediction:
    high = sheet(lambda x, y: 0.02 * np.sin(14 * x) * np.cos(11 * y), n=65)
    settings = Settings(offset=0.1, depth=0.1, reach=0.3, samples=500, map_size=64)
    return predict(plate(), high, settings=settings)


@pytest.fixture(scope="module")
def view() -> NamedView:
    camera = Camera((0.5, 0.5, 3), (0.5, 0.5, 0), (0, 1, 0))
    return NamedView("above", View(camera, CELL, CELL))


def test_cells_are_the_renders(prediction: Prediction, view: NamedView) -> None:
    sheet_ = draw_preview(prediction, views=[view])
    assert sheet_.shape == (2 * BAR + CELL, 3 * CELL + 2 * GAP, 3)
    light = [light_of(view.view)]
    maps = predicted_maps(prediction, 64)
    baked = render_low_with_map(LowModel(prediction.low), maps, view.view, light)
    sculpt = render_high(HighModel(prediction.scene), view.view, light)
    for k, shown in ((0, baked), (2, sculpt)):
        left = k * (CELL + GAP)
        cell = sheet_[2 * BAR :, left : left + CELL]
        expected = np.floor(255 * srgb(shown.images[0]) + 0.5)
        np.testing.assert_array_equal(cell, expected)


def test_the_same_bytes_again_and_nothing_replaced_unasked(
    prediction: Prediction, view: NamedView, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # One small view in place of four large ones.
    monkeypatch.setattr("cagecheck.predicting.preview.preview_views", lambda _: [view])
    path = write_preview(prediction, tmp_path / "a.png")
    first = path.read_bytes()
    with pytest.raises(InputError, match="exists already"):
        write_preview(prediction, path)
    assert write_preview(prediction, path, force=True).read_bytes() == first
    with Image.open(path) as image:
        assert image.format == "PNG" and image.width > image.height / 4


def test_views_are_front_back_and_the_worst_regions(demo_prediction: Prediction) -> None:
    views = preview_views(demo_prediction, 64)
    assert [v.name for v in views[:2]] == ["front", "back"]
    assert len(views) == 4
    for shown in views[2:]:
        number = int(shown.name.split()[0])
        region = demo_prediction.regions[number - 1]
        assert region.name in shown.name and region.part in shown.name
        assert shown.view.camera.target == pytest.approx(region.centroid)
    # The eye stands on both sides of the model.
    front, back = (np.array(v.view.camera.eye) - v.view.camera.target for v in views[:2])
    assert front @ back < 0


def test_without_uvs_the_low_poly_shows_its_own_normals(view: NamedView) -> None:
    bare = prepare_low(mesh_from_polygons(SQUARE, [[0, 1, 2, 3]]))
    settings = Settings(offset=0.1, depth=0.1, reach=0.3, samples=300)
    result = predict(bare, sheet(lambda x, y: 0 * x, n=9), settings=settings)
    assert draw_preview(result, views=[view]).shape[1] == 2 * CELL + GAP
