"""The viewer's numbers while the camera turns, and its slider while it is held."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import pyvista as pv
from hypothesis import given
from hypothesis import strategies as st

from cagecheck.arrays.spread import spread
from cagecheck.defects.kinds import Defect
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.write import write_prediction
from cagecheck.viewing.labels import LABEL_HIGH, LABEL_WIDE
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.result import read_result
from cagecheck.viewing.window import Window

SIZE = (960, 600)


@pytest.fixture
def window(result_folder: Path) -> Iterator[Window]:
    opened = open_on(result_folder)
    yield opened
    opened.close()


def open_on(folder: Path) -> Window:
    window = Window(ViewModel(read_result(folder)), None, size=SIZE, off_screen=True)
    # Smoothing would mix in neighbours that pictures are compared without.
    window.plotter.disable_anti_aliasing()
    window.plotter.show(interactive=False, auto_close=False)
    return window


def picture(window: Window) -> np.ndarray:
    window.plotter.render()
    return np.asarray(window.plotter.screenshot(return_img=True)).astype(int)


def hidden(window: Window, number: int) -> bool:
    """Tell by VTK's own ray casting whether the low poly stands before a number."""
    view = window.model.result.view
    mesh = pv.PolyData.from_regular_faces(
        view["low_positions"].astype(float), view["low_triangles"]
    )
    eye = np.array(window.plotter.camera.position)
    place = window.model.label_place(number)
    start = place + 1e-3 * (eye - place) / np.linalg.norm(eye - place)
    return len(mesh.ray_trace(start, eye)[0]) > 0


def turn(window: Window, degrees: float) -> None:
    window.plotter.camera.Azimuth(degrees)
    window.plotter.renderer.ResetCameraClippingRange()
    window.plotter.render()


def test_numbers_hide_behind_the_model_while_it_turns(window: Window) -> None:
    seen = []
    for _ in range(4):
        turn(window, 90)
        shown = window.stage.labels.shown
        assert shown, "some region lies in the open from every side"
        assert not any(hidden(window, n) for n in shown)
        seen.append(set(shown))
    assert seen[0] != seen[2], "what is in front goes behind"
    turn(window, 90)
    assert set(window.stage.labels.shown) == seen[0]


def test_numbers_never_cover_each_other(window: Window) -> None:
    renderer = window.plotter.renderer
    places = []
    for number in window.stage.labels.shown:
        renderer.SetWorldPoint(*window.model.label_place(number), 1.0)
        renderer.WorldToDisplay()
        places.append(renderer.GetDisplayPoint()[:2])
    for k, (x, y) in enumerate(places):
        for u, v in places[:k]:
            assert abs(x - u) > LABEL_WIDE or abs(y - v) > LABEL_HIGH


def test_a_chosen_region_keeps_its_number_when_it_turns_away(window: Window) -> None:
    window.step(1)
    for _ in range(3):
        turn(window, 120)
        assert window.stage.labels.shown == [1]


def test_a_held_slider_draws_less_and_the_same_picture(window: Window) -> None:
    model = window.model
    window.set_factor(2.0)
    whole = picture(window)
    window.hold_slider()
    window.slide(2.0)
    assert window.stage.sliding
    drawn = window.stage._drawn
    assert 100 < len(drawn) < 0.7 * len(model.result.triangles)
    assert np.array_equal(picture(window), whole)
    window.slide(4.0)
    held = picture(window)
    window.let_go_of_slider()
    assert not window.stage.sliding
    assert len(window.stage._drawn) == len(model.result.triangles)
    assert np.array_equal(picture(window), held)
    assert np.mean(np.abs(held - whole).max(axis=2) > 8) > 1e-4, "the cage was moved"


def test_the_camera_may_move_while_the_slider_is_held(window: Window) -> None:
    window.hold_slider()
    window.slide(1.5)
    turn(window, 140)
    window.slide(1.5)
    there = picture(window)
    window.let_go_of_slider()
    assert np.array_equal(picture(window), there)


def test_cage_and_rays_follow_the_slider(window: Window) -> None:
    tight = Defect.MISS_TIGHT.title
    number = next(r["number"] for r in window.model.result.regions if r["name"] == tight)
    window.model.choose(number)
    window.toggle("cage")
    window.fly()
    window.hold_slider()
    window.slide(1.0)
    near = np.array(window.stage._meshes["rays"].points)
    cage = np.array(window.stage._meshes["cage"].points)
    window.slide(3.0)
    assert np.abs(np.array(window.stage._meshes["cage"].points) - cage).max() > 0
    assert np.allclose(
        window.stage._meshes["cage"].points, window.model.cage_corners().reshape(-1, 3)
    )
    rays = window.model.region_rays()
    assert rays is not None
    both = np.concatenate([rays.begin, rays.end])
    assert np.allclose(window.stage._meshes["rays"].points, both, atol=1e-6)
    assert not np.allclose(near, both, atol=1e-6)
    window.let_go_of_slider()
    assert window.stage.actors["cage_edges"].GetVisibility()


def test_a_cage_on_the_low_poly_slides_by_distance(
    demo_prediction: Prediction, tmp_path: Path
) -> None:
    """The slider is then a distance; what it shows is what a prediction at that offset finds."""
    first = demo_prediction
    settings = replace(first.settings, offset=0.0, samples=8_000, unseen_points=0)
    flat, wide = (
        predict(
            first.low, first.scene, paired=first.paired, settings=replace(settings, offset=offset)
        )
        for offset in (0.0, 0.006)
    )
    write_prediction(flat, tmp_path / "out", page=False)
    window = open_on(tmp_path / "out")
    try:
        model = window.model
        assert model.touching and model.factor == 0
        assert window.slider.GetRepresentation().GetTitleText() == "cage distance"
        assert window.slider.GetRepresentation().GetMaximumValue() == pytest.approx(0.03)
        assert np.array_equal(model.now.recorded, flat.findings.recorded)
        window.hold_slider()
        window.slide(0.006)
        window.let_go_of_slider()
        assert model.distance_words() == "offset 0.006 units"
        depth = first.settings.depth or 0.0
        start = np.full(len(flat.points), 0.006)
        assert np.array_equal(model.now.recorded, flat.layers.recorded(start, depth))
        # A cage's rays start at its offset times the cosine between a vertex's normal and theirs;
        # where that is 1, the slider shows what a prediction at that offset finds.
        straight = wide.rays.start > 0.006 * (1 - 1e-5)
        assert straight.mean() > 0.2
        found, expected = model.now.recorded[straight], wide.findings.recorded[straight]
        assert np.mean(found != expected) < 2e-5
        window.press("0")
        assert model.factor == 0
    finally:
        window.close()


@given(st.integers(0, 5000), st.integers(1, 400))
def test_a_spread_is_even_and_never_runs_over(count: int, most: int) -> None:
    some = spread(np.arange(count), most)
    assert len(some) == min(count, most)
    assert np.all(np.diff(some) >= count // max(len(some), 1))
    if count:
        assert some[0] == 0 and some[-1] < count


def test_a_spread_of_odd_sizes() -> None:
    """Sizes at which steps of a fraction ran one beyond the end."""
    assert spread(np.arange(1257), 150)[-1] < 1257
