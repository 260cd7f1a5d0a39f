"""The viewer's lit mode, against our own rays."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.maps.normal_maps import NormalMaps
from cagecheck.predicting.result import Prediction
from cagecheck.rendering.camera import FOV_DEGREES, Camera
from cagecheck.rendering.pictures import LowModel, render_low_with_map
from cagecheck.rendering.shading import light_of, srgb
from cagecheck.rendering.view import View
from cagecheck.viewing.lit_record import read_lit
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.result import read_result
from cagecheck.viewing.window import Window

# Too narrow for panels beside the model: the picture is the model's alone.
SIZE = (640, 480)
PANELS_HIGH = 120


@pytest.fixture
def window(result_folder: Path, demo_prediction: Prediction) -> Iterator[Window]:
    high = demo_prediction.scene.surface
    opened = Window(ViewModel(read_result(result_folder)), high, size=SIZE, off_screen=True)
    opened.plotter.disable_anti_aliasing()
    opened.plotter.show(interactive=False, auto_close=False)
    yield opened
    opened.close()


def picture(window: Window) -> np.ndarray:
    window.plotter.render()
    return np.asarray(window.plotter.screenshot(return_img=True)).astype(int)


@pytest.mark.parametrize(
    ("key", "light"), [("baked", (-52.0, 36.0)), ("ideal", (60.0, -10.0))], ids=["baked", "ideal"]
)
def test_pixels_are_those_of_our_own_rays(
    window: Window, demo_prediction: Prediction, key: str, light: tuple[float, float]
) -> None:
    window.light()
    while window.model.lit.left != key:
        window.press("a")
    window.move_line(1.0)
    window.move_light(*light)
    got = picture(window)
    eye = window.plotter.camera
    camera = Camera(tuple(eye.position), tuple(eye.focal_point), tuple(eye.up))
    view = View(camera, *SIZE, fov_degrees=FOV_DEGREES)
    record = window.model.result.lit
    assert record is not None
    maps = {tile: record.texels(key, tile) for tile in record.tiles() if tile}
    shown = render_low_with_map(
        LowModel(demo_prediction.low),
        NormalMaps({tile: texels for tile, texels in maps.items() if texels is not None}),
        view, [light_of(view, *light)],
    )  # fmt: skip
    inside = shown.covered == 1
    inside[:PANELS_HIGH], inside[-PANELS_HIGH:] = False, False
    apart = np.abs(got - np.rint(255 * srgb(shown.images[0]))).max(axis=2)[inside]
    # The map is four times as fine as these pixels: rims and mip levels differ, surface does not.
    assert inside.sum() > 5_000
    assert np.percentile(apart, 50) <= 2 and np.percentile(apart, 80) <= 8


def test_the_line_parts_left_from_right(window: Window) -> None:
    window.press("l")
    window.move_line(1.0)
    left = picture(window)
    window.move_line(0.0)
    right = picture(window)
    window.move_line(0.4)
    both = picture(window)
    at = round(0.4 * SIZE[0])
    rows = slice(PANELS_HIGH, SIZE[1] - PANELS_HIGH)
    assert (both[rows, : at - 4] == left[rows, : at - 4]).all()
    assert (both[rows, at + 4 :] == right[rows, at + 4 :]).all()
    assert (left[rows] != right[rows]).any()


def test_keys_and_button_and_sliders_agree(window: Window) -> None:
    coloured = picture(window)
    window.press("l")
    assert window.model.lit.on
    lit = picture(window)
    assert np.mean(np.abs(lit - coloured).max(axis=2) > 8) > 0.02
    assert window.stage.panels["left side"].actor.GetVisibility()
    for symbol, name, value in (
        ("bracketright", "line", 0.55),
        ("k", "turned", -42.0),
        ("u", "raised", 46.0),
    ):
        window.press(symbol)
        assert getattr(window.model.lit, name) == pytest.approx(value)
        if name in window.lit_sliders:
            slider = window.lit_sliders[name].GetRepresentation()
            assert slider.GetValue() == pytest.approx(value)
    assert (picture(window) != lit).any()
    before = window.model.lit.right
    window.press("d")
    assert window.model.lit.right != before
    window.press("l")
    assert not window.model.lit.on
    assert not window.stage.panels["left side"].actor.GetVisibility()
    # Panels are blended in another order then, which may round the last of 256 levels differently.
    assert np.abs(picture(window) - coloured).max() <= 1


def test_light_goes_round_and_stops_at_the_poles(window: Window) -> None:
    window.model.move_light(190.0, 120.0)
    assert window.model.lit.turned == -170.0 and window.model.lit.raised == 90.0


def test_a_result_without_maps_says_so(result_folder: Path, tmp_path: Path) -> None:
    folder = tmp_path / "bare"
    shutil.copytree(result_folder, folder)
    (folder / "lit.npz").unlink()
    model = ViewModel(read_result(folder))
    with pytest.raises(InputError, match="holds no maps"):
        model.light_up()
    (folder / "lit.npz").write_bytes(b"not a record")
    with pytest.raises(InputError, match="damaged"):
        read_lit(folder)


def test_sides_stand_apart_from_the_windows_edge(window: Window) -> None:
    window.press("l")
    window.move_line(0.0)
    for name in ("left side", "right side"):
        x0, x1 = window.stage.panels[name].actor.GetMapper().GetInput().bounds[:2]
        assert x0 >= 0 and x1 <= SIZE[0]
