"""A window that follows its folder."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.write import write_prediction
from cagecheck.viewing.follow import Folder, same_region
from cagecheck.viewing.result import read_result
from cagecheck.viewing.window import Window
from cagecheck.watching.rounds import Rounds
from tests.viewing.test_window import open_on, picture
from tests.watching.scene import write_scene


@pytest.fixture(scope="module")
def other(demo_prediction: Prediction, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The result of the same scene with a wider cage."""
    settings = replace(demo_prediction.settings, offset=0.012)
    result = predict(
        demo_prediction.low, demo_prediction.scene, paired=demo_prediction.paired,
        settings=settings,
    )  # fmt: skip
    folder = tmp_path_factory.mktemp("other") / "out"
    write_prediction(result, folder)
    return folder


def show(window: Window, folder: Path) -> None:
    window.show_result(read_result(folder), None)
    # Smoothing would mix in neighbours that pictures are compared without.
    window.plotter.disable_anti_aliasing()


def test_a_folder_is_read_anew_once_it_is_whole(tmp_path: Path) -> None:
    bake = write_scene(tmp_path)
    other, place = tmp_path / "other", tmp_path / "out"
    write_prediction(Rounds(bake).predict(), place)
    wider = replace(bake, settings=replace(bake.settings, offset=0.03))
    write_prediction(Rounds(wider).predict(), other)
    folder = Folder(place)
    assert folder.fresh() is None and folder.fresh() is None, "nothing is new"
    shutil.copy(other / "regions.json", place)
    shutil.copy(other / "samples.npz", place)
    found = [folder.fresh() for _ in range(3)]
    # Files of two runs are no result (see `read_result`), unless they happen to fit.
    for name in ("heatmap.ply", "view.npz", "lit.npz", "regions.json"):
        shutil.copy(other / name, place)
    assert folder.fresh() is None, "files may still be moving"
    result = folder.fresh()
    assert result is not None and found[0] is None
    assert result.document == read_result(other).document
    assert folder.fresh() is None, "told once"


@pytest.mark.long
def test_another_result_is_shown_from_where_one_stood(result_folder: Path, other: Path) -> None:
    window = open_on(result_folder)
    try:
        window.step(1)
        window.toggle("cage")
        window.recolour(1)
        window.plotter.camera.Azimuth(20)
        kept = window.model.result.regions[window.model.region - 1]
        eye = np.array(window.plotter.camera.position)
        up = window.plotter.camera.up
        before = picture(window)
        show(window, other)
        assert np.allclose(window.plotter.camera.position, eye) and window.plotter.camera.up == up
        model = window.model
        assert model.layers["cage"] and model.field.name != "defect"
        chosen = same_region(kept, model.result.regions)
        assert model.region == chosen
        after = picture(window)
        assert before.shape == after.shape and (before != after).any(), "the cage is wider"
        # And back: the very picture that was there.
        show(window, result_folder)
        if chosen is not None:
            again = picture(window)
            assert np.mean(np.abs(again - before).max(axis=2) > 8) < 1e-3
        # What listens to keys works on the new model.
        window.press("4")
        assert window.model.layers["edges"]
    finally:
        window.close()


def test_the_same_region_is_the_nearest_of_its_kind_and_part() -> None:
    def row(number: int, x: float, name: str = "skew", part: str = "arm") -> dict[str, object]:
        return {
            "number": number, "name": name, "part": part, "centroid": [x, 0.0, 0.0], "radius": 1.0
        }  # fmt: skip

    old = row(7, 0.0)
    assert same_region(old, [row(1, 0.1, name="fold"), row(2, 1.5), row(3, -0.4)]) == 3
    assert same_region(old, [row(1, 0.1, part="leg"), row(2, 2.5)]) is None
    assert same_region(old, []) is None
