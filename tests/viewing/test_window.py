"""The viewer's numbers while the camera turns, and its slider while it is held."""

from __future__ import annotations

import ctypes.util
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import pyvista as pv
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from vtkmodules.vtkCommonCore import VTK_FONT_FILE

from cagecheck.arrays.spread import spread
from cagecheck.defects.kinds import Defect
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings
from cagecheck.predicting.write import write_prediction
from cagecheck.report.fonts import font_file
from cagecheck.viewing.labels import LABEL_HIGH, LABEL_WIDE
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.panels import LIST_TOP, ROW_HIGH
from cagecheck.viewing.result import read_high, read_result
from cagecheck.viewing.stage import HINTS
from cagecheck.viewing.window import KEYS, Window
from tests.paths import ROOT

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


@pytest.mark.long
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
        assert window.slider.GetRepresentation().GetTitleText() == "cage distance, units"
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


# The list ---------------------------------------------------------------------------------------


def on_list(window: Window, row: int) -> tuple[int, int]:
    """A pixel of a row of the list, counted from the lower left."""
    high = window.plotter.window_size[1]
    return 60, high - window.stage.list_top - LIST_TOP - ROW_HIGH * row - ROW_HIGH // 2


def mouse(window: Window, event: str, at: tuple[int, int]) -> None:
    interactor = window.plotter.iren.interactor
    interactor.SetEventInformation(*at, 0, 0)
    interactor.InvokeEvent(event)


@pytest.mark.long
def test_the_list_scrolls_to_every_region_and_takes_clicks(window: Window) -> None:
    stage, model = window.stage, window.model
    order = [row["number"] for row in model.listed]
    assert len(order) > 3 * stage.list_most
    distance = np.linalg.norm(np.subtract(window.plotter.camera.position,
                                          window.plotter.camera.focal_point))  # fmt: skip
    seen: list[int] = []
    for _ in range(len(order)):
        seen += [row.number for row in stage.list_rows(stage.list_most)]
        mouse(window, "MouseWheelBackwardEvent", on_list(window, 0))
    assert set(seen) == set(order)
    same = np.linalg.norm(np.subtract(window.plotter.camera.position,
                                      window.plotter.camera.focal_point))  # fmt: skip
    assert same == distance, "the wheel zooms nothing there"
    assert stage.list_first == len(order) - stage.list_most, "the end is the end"
    for event in ("LeftButtonPressEvent", "LeftButtonReleaseEvent"):
        mouse(window, event, on_list(window, stage.list_most - 1))
    assert model.region == order[-1]
    # The wheel goes on zooming elsewhere.
    before = window.plotter.camera.position
    mouse(window, "MouseWheelForwardEvent", (SIZE[0] // 2 + 60, SIZE[1] // 2))
    assert window.plotter.camera.position != before


def test_a_region_that_is_chosen_comes_into_sight_in_the_list(window: Window) -> None:
    order = [row["number"] for row in window.model.listed]
    window.model.choose(order[-2])
    window.fly()
    rows = window.stage.list_rows(window.stage.list_most)
    assert [row.number for row in rows if row.chosen] == [order[-2]]


def test_the_list_stands_in_the_order_of_the_terminal(
    window: Window, demo_prediction: Prediction
) -> None:
    ways = [step.way for step in demo_prediction.ways]
    mine = sorted((e for e in demo_prediction.entries if e.shows), key=lambda e: ways.index(e.way))
    assert [row["number"] for row in window.model.listed] == [
        r.number for e in mine for r in e.regions
    ]


def test_what_can_be_done_is_always_in_sight(result_folder: Path) -> None:
    window = Window(ViewModel(read_result(result_folder)), None, size=(1200, 900), off_screen=True)
    try:
        assert window.stage.panels["hints"].actor.GetVisibility()
        keys = {name for key in KEYS for name in (key.shown, *key.symbols)}
        for name, words in HINTS:
            assert words and all(
                word.strip() in keys | {"drag", "click"} for word in name.split(",")
            )
    finally:
        window.close()


def test_every_word_is_set_in_one_typeface_and_the_slider_has_ends(window: Window) -> None:
    shown = window.slider.GetRepresentation()
    words = [shown.GetTitleProperty(), shown.GetLabelProperty()]
    texts = {
        name: actor
        for name, actor in window.plotter.actors.items()
        if name.startswith(("layer ", "distance "))
    }
    assert {"distance near", "distance far"} <= set(texts)
    words += [actor.GetTextProperty() for actor in texts.values()]
    assert {(w.GetFontFamily(), w.GetFontFile()) for w in words} == {(VTK_FONT_FILE, font_file())}
    assert "predicted" in shown.GetTitleText()
    far = texts["distance far"].input
    assert float(far.split()[0]) == pytest.approx(window.model.most_factor, rel=0.01)


def test_a_display_that_cannot_be_opened_is_a_sentence(
    result_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a process of its own: no server answers on this display."""
    if not sys.platform.startswith("linux") or ctypes.util.find_library("X11") is None:
        pytest.skip("asks the X library")
    run = subprocess.run(
        [sys.executable, "-m", "cagecheck", "view", str(result_folder)],
        env={**os.environ, "DISPLAY": ":4711", "WAYLAND_DISPLAY": ""},
        capture_output=True, text=True, timeout=300, cwd=ROOT,
    )  # fmt: skip
    assert run.returncode == 2
    said = run.stderr.strip()
    assert "display “:4711” cannot be opened" in " ".join(said.split()) and "--shot" in said
    assert "vtk" not in said.lower() and "Traceback" not in said


# Sources ----------------------------------------------------------------------------------------


def test_a_result_finds_its_high_poly_from_any_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    work = tmp_path / "work"
    (work / "meshes").mkdir(parents=True)
    monkeypatch.chdir(work)
    trimesh.creation.icosphere(2).export("meshes/low.obj")
    trimesh.creation.icosphere(4).export("meshes/high.ply")
    low, high = prepare_low(read_mesh("meshes/low.obj")), read_surface("meshes/high.ply")
    few = Settings(offset=0.05, depth=0.05, reach=0.1, samples=500, unseen_points=0)
    write_prediction(predict(low, high, settings=few), "out", page=False)
    source = read_result("out").document["high"]["source"]
    assert source["path"] == str(work / "meshes" / "high.ply")
    assert source["from_here"] == "../meshes/high.ply"
    monkeypatch.chdir("/")
    assert read_high(read_result(work / "out"))[0] is not None
    # Both have moved together.
    moved = work.rename(tmp_path / "elsewhere")
    found, notice = read_high(read_result(moved / "out"))
    assert notice is None and found is not None
    (moved / "meshes" / "high.ply").unlink()
    found, notice = read_high(read_result(moved / "out"))
    assert found is None and notice is not None and "there is no" in notice.text
