"""Reading a result folder, what the viewer shows of it, and its pictures and window."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.defects.kinds import Defect
from cagecheck.errors import InputError
from cagecheck.meshes.mesh import Surface
from cagecheck.predicting.result import Prediction
from cagecheck.report.fields import FIELDS, field_named, ramp_colours, ramp_legend
from cagecheck.report.outline import outline
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.result import read_high, read_result
from cagecheck.viewing.shot import make_shot
from cagecheck.viewing.stage import round_length
from cagecheck.viewing.window import KEYS, Window
from tests.paths import ROOT

SMALL = (960, 600)


@pytest.fixture
def model(result_folder: Path) -> ViewModel:
    return ViewModel(read_result(result_folder))


@pytest.fixture
def high(model: ViewModel) -> Surface:
    surface, notice = read_high(model.result)
    assert surface is not None and notice is None
    return surface


def region_of_kind(model: ViewModel, defect: Defect) -> int:
    return next(r["number"] for r in model.result.regions if r["name"] == defect.title)


# Reading ----------------------------------------------------------------------------------------


def test_the_folder_comes_back_as_predicted(demo_prediction: Prediction, model: ViewModel) -> None:
    findings = demo_prediction.findings
    assert np.array_equal(model.now.flags, findings.flags)
    assert np.array_equal(model.now.recorded, findings.recorded)
    assert np.array_equal(model.now.shown, model.result.view["heat_sample"])
    assert len(model.result.regions) == len(demo_prediction.regions)
    for number in (1, len(demo_prediction.regions)):
        assert np.array_equal(model.members(number), demo_prediction.regions[number - 1].samples)


@pytest.mark.parametrize("name", ["view.npz", "samples.npz", "heatmap.ply", "regions.json"])
def test_damaged_or_missing_files_are_named(result_folder: Path, tmp_path: Path, name: str) -> None:
    broken = tmp_path / "out"
    shutil.copytree(result_folder, broken)
    whole = (broken / name).read_bytes()
    (broken / name).write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=name):
        read_result(broken)
    (broken / name).unlink()
    with pytest.raises(InputError, match=name):
        read_result(broken)


def test_files_of_two_runs_are_refused(result_folder: Path, tmp_path: Path) -> None:
    mixed = tmp_path / "out"
    shutil.copytree(result_folder, mixed)
    document = json.loads((mixed / "regions.json").read_text())
    document["samples"] += 1
    (mixed / "regions.json").write_text(json.dumps(document))
    with pytest.raises(InputError, match="not from one run"):
        read_result(mixed)


def test_a_high_poly_that_is_gone_is_said(result_folder: Path, tmp_path: Path) -> None:
    moved = tmp_path / "out"
    shutil.copytree(result_folder, moved)
    document = json.loads((moved / "regions.json").read_text())
    document["high"]["source"] |= {"path": str(tmp_path / "gone.glb"), "from_here": "../gone.glb"}
    (moved / "regions.json").write_text(json.dumps(document))
    surface, notice = read_high(read_result(moved))
    assert surface is None and notice is not None and "gone.glb" in notice.text


def test_a_high_poly_turned_on_reading_is_turned_again(
    demo_prediction: Prediction, model: ViewModel
) -> None:
    """Probe places as if the file had been scaled by 100 and z had been up."""
    turn = np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]], float)
    positions = demo_prediction.scene.surface.positions.astype(float)
    model.result.view["high_probe_position"] = 100 * model.result.view["high_probe_position"] @ turn
    surface, notice = read_high(model.result)
    assert surface is not None and notice is None
    assert np.allclose(surface.positions, 100 * positions @ turn, atol=1e-3)
    model.result.view["high_probe_position"][3] += 50
    assert read_high(model.result)[0] is None


# What is shown ----------------------------------------------------------------------------------


def test_regions_step_in_the_order_of_the_entries_and_wrap(model: ViewModel) -> None:
    count = len(model.result.regions)
    order = [n for row in model.result.document["entries"] for n in row["regions"]]
    assert sorted(order) == list(range(1, count + 1))
    model.step_region(1)
    assert model.region == order[0]
    model.step_region(-1)
    assert model.region == order[-1]
    model.step_region(1)
    assert model.region == order[0]
    with pytest.raises(InputError, match="no region"):
        model.choose(count + 1)


def test_the_list_folds_away_what_will_not_show(model: ViewModel) -> None:
    rows = {row["number"]: row for row in model.result.regions}
    assert model.folded and all(rows[n]["harm"] == 0 for n in model.folded)
    shown = [row["number"] for row in model.listed]
    assert shown == [n for n in model.order if n not in model.folded]
    dull = min(model.folded)
    model.choose(dull)
    assert dull in [row["number"] for row in model.listed], "the chosen one is never away"
    model.choose(None)


@pytest.mark.parametrize("field", [f.name for f in FIELDS])
def test_every_field_has_colours_and_a_legend(model: ViewModel, field: str) -> None:
    model.field = field_named(field)
    colours, legend = model.colours()
    rows = len(model.result.triangles if field == "defect" else model.result.positions)
    assert colours.shape == (rows, 3) and colours.dtype == np.uint8
    assert len(np.unique(colours, axis=0)) > 3
    assert legend.rows if field == "defect" else legend.unit and legend.high > legend.low


def test_category_shares_add_up_to_everything(model: ViewModel) -> None:
    assert sum(row.percent for row in model.colours()[1].rows) == pytest.approx(100)


def test_ramp_ends_and_missing_values() -> None:
    values = np.array([0.0, 1.0, 2.0, 3.0, np.nan], np.float32)
    legend = ramp_legend(field_named("hit"), values)
    colours = ramp_colours(values, legend)
    assert legend.missing and np.array_equal(colours[-1], (196, 176, 176))
    # The ends of cividis as published (#00204d and #ffea46 in the authors' table, from memory).
    assert np.abs(colours[0].astype(int) - (0, 34, 78)).max() < 6
    assert np.abs(colours[3].astype(int) - (254, 232, 56)).max() < 6


def test_rays_run_from_the_start_to_what_is_recorded(
    demo_prediction: Prediction, model: ViewModel
) -> None:
    hits = np.flatnonzero(demo_prediction.findings.recorded >= 0)[:50]
    lines = model.rays_of(hits)
    rays, t = demo_prediction.rays, demo_prediction.findings.hit_distance[hits]
    assert np.allclose(
        lines.begin, rays.origin[hits] + rays.start[hits, None] * rays.direction[hits]
    )
    assert np.allclose(lines.end, rays.origin[hits] + t[:, None] * rays.direction[hits], atol=1e-5)
    assert lines.hit.all()


def test_the_record_names_part_tile_defect_and_cure(model: ViewModel) -> None:
    number = region_of_kind(model, Defect.MISS_TIGHT)
    region = model.result.regions[number - 1]
    record = dict(model.record(int(model.members(number)[0])))
    assert record["part"] == region["part"] and record["tile"] == str(region["tile"])
    assert Defect.MISS_TIGHT.title in record["defects"]
    assert "units" in record["ray starts at"] and "degrees" in record["slant"]
    assert record["cure"]


def test_a_cut_holds_the_rays_and_goes_through_the_region(model: ViewModel) -> None:
    number = region_of_kind(model, Defect.MISS_TIGHT)
    model.choose(number)
    model.cut = model.cut_here()
    rays = model.cut_rays()
    assert rays is not None and len(rays.begin) > 3
    assert np.abs(model.cut.distance(rays.begin)).max() < 1e-6
    assert np.abs(model.cut.distance(rays.end)).max() < 1e-6
    extent = model.result.regions[number - 1]["radius"]
    assert np.abs(model.cut.distance(model.member_positions(number))).min() < 0.1 * extent
    turned = model.cut.turned(np.array(model.cut.upward), 90)
    assert np.dot(turned.normal, model.cut.normal) == pytest.approx(0, abs=1e-9)


def test_a_wider_cage_is_drawn_wider_and_cures_tight_places(model: ViewModel) -> None:
    number = region_of_kind(model, Defect.MISS_TIGHT)
    members = model.members(number)
    low = model.result.view["low_positions"][model.result.view["low_triangles"]]
    near = np.linalg.norm(model.cage_corners() - low, axis=2)
    model.set_factor(4.0)
    assert np.allclose(np.linalg.norm(model.cage_corners() - low, axis=2), 4 * near, atol=1e-5)
    assert not np.any(model.now.flags[members] & Defect.MISS_TIGHT.flag)


def test_buried_regions_are_shown_alone(model: ViewModel) -> None:
    shown = []
    for row in model.result.regions:
        model.choose(row["number"])
        outlook = model.outlook(row["number"])
        assert np.linalg.norm(outlook.direction) == pytest.approx(1)
        shown.append((outlook.buried, model.parts_shown() is not None))
    assert {(True, True), (False, False)} == set(shown)


def test_outline_of_two_lattices_has_no_line_between_them() -> None:
    """Two squares of different fineness side by side: only the way round remains."""

    def lattice(x0: float, n: int) -> tuple[np.ndarray, np.ndarray]:
        grid = np.array([[x0 + i / n, j / n, 0] for i in range(n + 1) for j in range(n + 1)])
        cells = [
            t
            for i in range(n)
            for j in range(n)
            for a in [i * (n + 1) + j]
            for t in ([a, a + n + 1, a + 1], [a + 1, a + n + 1, a + n + 2])
        ]
        return grid, np.array(cells, np.int32)

    (p, s), (q, t) = lattice(0, 4), lattice(1, 6)
    positions, triangles = np.concatenate([p, q]), np.concatenate([s, t + len(p)])
    owner = np.repeat([0, 1], [len(s), len(t)]).astype(np.int32)
    rim = outline(positions, triangles, np.ones(len(triangles), bool), owner)
    middles = positions[rim].mean(axis=1)
    length = np.linalg.norm(positions[rim[:, 0]] - positions[rim[:, 1]], axis=1).sum()
    assert length == pytest.approx(6.0)
    assert not np.any(np.isclose(middles[:, 0], 1.0))


def test_scale_bar_lengths_are_round() -> None:
    assert [round_length(x) for x in (0.9, 1.0, 4.99, 73, 0.00321)] == [0.5, 1, 2, 50, 0.002]


# Pictures and the window ------------------------------------------------------------------------


def shot(model: ViewModel, high: Surface | None, path: Path) -> np.ndarray:
    make_shot(model, high, path, size=SMALL, force=True)
    return np.asarray(Image.open(path).convert("RGB")).astype(int)


@pytest.mark.long
def test_layers_region_and_cut_change_the_picture(
    model: ViewModel, high: Surface, tmp_path: Path
) -> None:
    path = tmp_path / "a.png"
    plain = shot(model, high, path)
    assert plain.shape == (SMALL[1], SMALL[0], 3)
    middle = plain[60:-60, 360:640]
    assert len(np.unique(middle.reshape(-1, 3), axis=0)) > 100, "the model must be in the picture"
    for layer in ("high", "cage", "edges"):
        model.layers[layer] = True
        assert np.mean(np.abs(shot(model, high, path) - plain).max(axis=2) > 8) > 0.001, layer
        model.layers[layer] = False
    assert np.array_equal(shot(model, high, path), plain)
    model.choose(region_of_kind(model, Defect.MISS_TIGHT))
    near = shot(model, high, path)
    model.cut = model.cut_here()
    for other in (plain, shot(model, high, path)):
        assert np.mean(np.abs(near - other).max(axis=2) > 8) > 0.05


def test_keys_do_what_they_say(model: ViewModel, high: Surface) -> None:
    window = Window(model, high, size=SMALL, off_screen=True)
    try:
        window.press("Right")
        assert model.region == 1
        window.press("2")
        assert model.layers["high"]
        window.press("c")
        assert model.field is FIELDS[1]
        window.press("plus")
        assert model.factor == pytest.approx(1.05)
        window.press("0")
        assert model.factor == 1
        window.press("x")
        assert model.cut is not None
        before = model.cut.origin
        window.press("Up")
        assert model.cut.origin != before
        for key in KEYS:
            if key.action != "close":
                window.press(key.symbols[0])
        window.press("F12")
    finally:
        window.close()


def test_picking_tells_the_sample_under_the_pixel(model: ViewModel) -> None:
    window = Window(model, None, size=SMALL, off_screen=True)
    try:
        number = region_of_kind(model, Defect.MISS_TIGHT)
        model.choose(number)
        window.plotter.show(interactive=False, auto_close=False)
        window.fly()
        window.plotter.render()
        renderer = window.plotter.renderer
        centre = np.array(model.result.regions[number - 1]["centroid"])
        renderer.SetWorldPoint(*centre, 1.0)
        renderer.WorldToDisplay()
        x, y, _ = renderer.GetDisplayPoint()
        sample = window.pick(round(x), round(y))
        assert sample is not None
        place = model.result.samples["origin"][sample]
        assert np.linalg.norm(place - centre) < 0.3 * model.region_size(number)
        assert window.pick(SMALL[0] // 2, 1) is None
    finally:
        window.close()


@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="needs Xvfb (Debian package xvfb)")
@pytest.mark.long
def test_a_real_window_opens_under_xvfb(result_folder: Path) -> None:
    """The window on a virtual screen, driven by real key events."""
    script = f"""
import pyvista as pv
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.result import read_result
from cagecheck.viewing.window import Window
model = ViewModel(read_result({str(result_folder)!r}))
window = Window(model, None, size=(1000, 640))
window.plotter.show(interactive=False, auto_close=False)
interactor = window.plotter.iren.interactor
for symbol in ("Right", "Right", "c"):
    interactor.SetKeySym(symbol)
    interactor.InvokeEvent("KeyPressEvent")
window.slider.GetRepresentation().SetValue(2.0)
window.slider.InvokeEvent("InteractionEvent")
assert model.region == model.order[1] != model.order[0], model.region
assert model.field.name == "start"
assert abs(model.factor - 2.0) < 1e-6, model.factor
assert window.checkboxes
kind = window.plotter.render_window.GetClassName()
window.close()
print("window", kind)
"""
    kept = {k: v for k, v in os.environ.items() if k != "VTK_DEFAULT_OPENGL_WINDOW"}
    with x_server() as display:
        done = subprocess.run(
            [sys.executable, "-c", script], capture_output=True, text=True, timeout=300,
            env=kept | {"DISPLAY": display},
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "window vtkXOpenGLRenderWindow" in done.stdout, done.stderr


@contextlib.contextmanager
def x_server() -> Iterator[str]:
    """Run a virtual screen; it picks its number and tells it once it takes windows."""
    command = ["Xvfb", "-displayfd", "1", "-screen", "0", "1280x800x24", "-nolisten", "tcp",
               "-noreset"]  # fmt: skip
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as server:
        try:
            assert server.stdout is not None
            yield f":{server.stdout.readline().strip()}"
        finally:
            server.terminate()


def test_the_manual_names_every_key_and_field() -> None:
    text = (ROOT / "docs" / "looking.md").read_text(encoding="utf-8")
    for key in KEYS:
        assert f"| {key.shown} | {key.words} |" in text, key
    for field in FIELDS:
        assert f"| `{field.name}` | {field.title} |" in text, field


# The command ------------------------------------------------------------------------------------


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["view", *words])
    return result.exit_code, result.output


def test_the_command_draws_a_picture(result_folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "shot.png"
    words = ["--shot", str(path), "--size", "800x500", "--region", "1", "--field", "hit"]
    code, output = run(str(result_folder), *words)
    assert code == 0, output
    assert Image.open(path).size == (800, 500)
    code, output = run(str(result_folder), *words)
    assert code == 2 and "--force" in output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--region", "99999"], "no region 99999"),
        (["--field", "colour"], "no colour field"),
        (["--layers", "low,sky"], "no layer"),
        (["--size", "big"], "1600x1000"),
        (["--size", "10x10"], "out of range"),
        (["--factor", "-1"], "out of range"),
    ],
)
def test_bad_options_are_said_plainly(
    result_folder: Path, tmp_path: Path, words: list[str], said: str
) -> None:
    code, output = run(str(result_folder), "--shot", str(tmp_path / "x.png"), *words)
    assert code == 2 and said in output, output
    assert not (tmp_path / "x.png").exists()


def test_no_display_says_what_to_do(result_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cagecheck.viewing.shot.without_display", lambda: True)
    code, output = run(str(result_folder))
    assert code == 2 and "--shot" in output


def test_a_folder_without_a_result(tmp_path: Path) -> None:
    code, output = run(str(tmp_path))
    assert code == 2 and "lacks" in output


def test_what_locate_found_is_sent_to_its_page(tmp_path: Path) -> None:
    (tmp_path / "location.json").write_text("{}")
    code, output = run(str(tmp_path))
    assert code == 2 and "report.html" in output and "locate" in output
