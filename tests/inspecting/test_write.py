"""The result folder of an inspection: places on the model, the page, the picture."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.defects.kinds import CLEAN
from cagecheck.errors import InputError
from cagecheck.formats.write_mesh import write_mesh
from cagecheck.inspecting import Inspection, inspect_low, inspect_pair
from cagecheck.inspecting import picture as picture_module
from cagecheck.inspecting.found_places import PLACES_PER_PART, found_places
from cagecheck.inspecting.page import (
    FINDING_COLOURS,
    FOLDED,
    FOLDED_COLOUR,
    lay_findings,
    page_of_inspection,
)
from cagecheck.inspecting.picture import draw_inspection
from cagecheck.inspecting.write import write_inspection
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh, join_meshes
from cagecheck.meshes.normals import NormalRule
from cagecheck.report.colours import CLEAN_COLOUR
from cagecheck.report.page import page_html
from cagecheck.report.valid import fault_of
from tests.browser import BROWSER, DRIVER, browser, prefer, requests_made, resize, troubles
from tests.paths import NODE
from tests.scenes.sound_lows import box, flipped, grid, low_of, surface_of

AXE = NODE / "node_modules" / "axe-core" / "axe.min.js"


def faulty() -> Mesh:
    """Three boxes: two run through each other, and their islands lie over each other."""
    return join_meshes(
        [box("a"), box("b", at=(0.5, 0.5, 0.5)), box("c", at=(5, 0, 0), uv_at=(1.1, 0.1))]
    )


@pytest.fixture(scope="module")
def found() -> Inspection:
    return inspect_low(low_of(faulty()), map_size=512)


def test_places_hang_together_and_lie_where_the_finding_says(found: Inspection) -> None:
    assert [f.check.code for f in found.findings] == ["uv-overlap", "crossing-parts"]
    low, places = found.low, found_places(found)
    by_part = {(p.finding, p.part): p for p in places}
    # All six sides of a and of b lie over each other: each is one place, c has none.
    assert set(by_part) == {(0, "a"), (0, "b"), (1, "a"), (1, "b")}
    for (number, part), place in by_part.items():
        faces = np.unique(low.cut.face[place.triangles])
        assert set(faces) <= set(found.findings[number].faces.tolist())
        assert {low.part_names[k] for k in low.mesh.face_part[faces]} == {part}
    assert by_part[0, "a"].faces == 6


def test_places_apart_are_places_of_their_own() -> None:
    """Two flipped faces on opposite sides of a grid; where there are many, the last are one."""
    inspection = inspect_low(low_of(flipped(grid(6), [0, 35])), map_size=512)
    code = next(f.check.code for f in inspection.findings if f.side == "low" and len(f.faces) < 36)
    number = [f.check.code for f in inspection.findings].index(code)
    assert len([p for p in found_places(inspection) if p.finding == number]) == 2
    many = inspect_low(low_of(flipped(grid(16), list(range(0, 256, 17)))), map_size=512)
    numbers = [p.finding for p in found_places(many)]
    assert max(numbers.count(k) for k in set(numbers)) <= PLACES_PER_PART
    concerned = {f for p in found_places(many) for f in many.low.cut.face[p.triangles].tolist()}
    assert concerned >= set(many.findings[0].faces.tolist())


def test_what_does_not_matter_leaves_the_model_alone(found: Inspection) -> None:
    laid = lay_findings(found)
    assert set(laid.code.tolist()) == {0, CLEAN}  # overlap and clean, no crossing
    page = page_of_inspection(found)
    assert [g.shows for g in page.groups] == [True, False]
    assert not page.clean and "islands lying over each other" in page.verdict
    # Alone it is shown: there is nothing else to see.
    sound = join_meshes([box("a"), box("b", at=(0.5, 0.5, 0.5), uv_at=(1.1, 0.1))])
    folded = inspect_low(low_of(sound), map_size=512)
    assert set(lay_findings(folded).code.tolist()) == {FOLDED, CLEAN}
    assert page_of_inspection(folded).clean


def test_shares_of_the_surface_add_up(found: Inspection) -> None:
    page = page_of_inspection(found)
    assert page.area.sum() == pytest.approx(18)  # three cubes
    assert page.area[0] == pytest.approx(12)  # two of them overlap


def test_findings_on_the_high_poly_and_on_whole_parts_have_places() -> None:
    high = join_meshes([flipped(box("a")), box("nail", at=(3, 0, 0))])
    low = join_meshes([box("a"), box("lone", at=(6, 0, 0), uv_at=(1.1, 0.1))])
    paired = np.array([[True, False], [False, False]])
    inspection = inspect_pair(low_of(low), surface_of(high), paired, map_size=512)
    codes = [f.check.code for f in inspection.findings]
    places = {(codes[p.finding], p.part, p.on_low) for p in found_places(inspection)}
    assert ("unpaired-low", "lone", True) in places
    assert ("unpaired-high", "nail", False) in places
    assert ("high-inverted", "a", False) in places
    page = page_of_inspection(inspection)
    listed = [n for g in page.groups for e in g.entries for n in e]
    assert listed == [r.number for r in page.regions] and len(page.spots) == len(listed)
    dots = [s for s, r in zip(page.spots, page.regions, strict=True) if r.part == "nail"]
    assert len(dots[0].points) == 12 and dots[0].low_parts == ()
    assert "nail" in page_html(page)


def test_more_findings_than_colours_share_the_last(found: Inspection) -> None:
    many = replace(found, findings=found.findings[:1] * (len(FINDING_COLOURS) + 3))
    laid = lay_findings(many)
    assert len({c.code for c in laid.categories}) == len(laid.categories) <= 12
    assert max(laid.code_of) == len(FINDING_COLOURS) - 1
    exact = replace(found, findings=found.findings[:1] * len(FINDING_COLOURS))
    assert "further findings" not in [c.title for c in lay_findings(exact).categories]


def test_the_picture_shows_the_colours_and_is_the_same_every_time(found: Inspection) -> None:
    picture = draw_inspection(found)
    assert np.array_equal(picture, draw_inspection(found))
    height, width, _ = picture.shape
    cell = picture_module.CELL
    assert width == 2 * cell and height > cell
    # Lit flat, colours keep their hue: the ratio of the channels.
    model = picture[40:cell].reshape(-1, 3).astype(float)
    for colour in (FINDING_COLOURS[0], CLEAN_COLOUR):
        wanted = np.array(colour) / max(colour)
        hue = model / np.maximum(model.max(axis=1, keepdims=True), 1)
        assert (np.abs(hue - wanted).max(axis=1) < 0.02).mean() > 0.01


@pytest.mark.long
def test_written_whole_or_not_at_all(found: Inspection, tmp_path: Path) -> None:
    files = write_inspection(found, tmp_path / "out")
    assert sorted(p.name for p in files) == ["inspect.html", "inspect.json", "inspect.png"]
    with Image.open(tmp_path / "out" / "inspect.png") as picture:
        assert picture.width == 2 * picture_module.CELL
    document = json.loads((tmp_path / "out" / "inspect.json").read_text())
    assert fault_of(document, "inspection") is None
    (tmp_path / "out" / "inspect.html").unlink()
    before = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}
    with pytest.raises(InputError, match="exists"):
        write_inspection(found, tmp_path / "out")
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == before
    write_inspection(found, tmp_path / "out", force=True)
    again = write_inspection(found, tmp_path / "again")
    for path in again:
        assert path.read_bytes() == (tmp_path / "out" / path.name).read_bytes()


def test_a_low_poly_without_area_is_told(tmp_path: Path) -> None:
    flat = box()
    flat = flat.with_positions(flat.positions * [1, 0, 0])
    inspection = inspect_low(prepare_low(flat, rule=NormalRule("smooth")), map_size=512)
    with pytest.raises(InputError, match="no face with area"):
        write_inspection(inspection, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def run(*arguments: object) -> Any:
    return CliRunner().invoke(app, ["inspect", *map(str, arguments)])


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("disk-of-an-artist")
    write_mesh(faulty(), folder / "low.obj")
    done = run(folder / "low.obj", "--size", 512, "--normals", "hardness", "--out", folder / "out")
    assert done.exit_code == 1 and "Written: " in done.stdout
    return folder / "out"


def test_the_command_writes_names_and_no_paths(written: Path) -> None:
    for path in written.iterdir():
        assert b"disk-of-an-artist" not in path.read_bytes(), path.name
    assert json.loads((written / "inspect.json").read_text())["low"] == "low.obj"


def test_the_command_replaces_only_with_force(written: Path) -> None:
    low = written.parent / "low.obj"
    done = run(low, "--out", written)
    assert done.exit_code == 2 and "--force" in done.stderr
    done = run(low, "--size", 512, "--normals", "hardness", "--out", written, "--force", "--json")
    document = json.loads(done.stdout)
    assert document["low"] == str(low)
    names = [Path(path).name for path in document["written"]]
    assert names == ["inspect.html", "inspect.png", "inspect.json"]


@pytest.mark.long
@pytest.mark.skipif(not (BROWSER and DRIVER), reason="needs Debian's chromium and chromium-driver")
def test_the_page_in_a_browser(written: Path) -> None:
    """It opens without network or complaint, shows what matters, and brings out the rest."""
    from tests.report.test_page_browser import axe_findings, canvas, differing, wait

    with browser(1400, 900) as driver:
        prefer(driver, "light")
        driver.get((written / "inspect.html").as_uri())
        wait(lambda: driver.execute_script("return document.documentElement.dataset.ready"))
        assert requests_made(driver) == [] and troubles(driver) == []
        shown = "return document.querySelectorAll('#list tr[data-number]:not([hidden])').length"
        assert driver.execute_script(shown) == 2  # the overlap, on a and on b
        before = canvas(driver)
        driver.execute_script("cagecheck.choose(1, '')")
        assert "one whole tile" in driver.find_element("id", "card").text
        assert differing(before, canvas(driver)) > 0.02
        driver.find_element("id", "folded").click()
        assert driver.execute_script(shown) == 4
        assert not driver.find_elements("id", "layer-cage")
        if AXE.is_file():
            for width in (390, 1024, 1400):
                resize(driver, width, 844)
                driver.execute_script(
                    "if (!window.axe) { const s = document.createElement('script');"
                    "s.textContent = arguments[0]; document.head.append(s); }",
                    AXE.read_text(encoding="utf-8"),
                )
                passes, violations = axe_findings(driver)
                assert passes > 20 and violations == []


def test_the_folded_colour_is_nobody_elses() -> None:
    assert FOLDED_COLOUR not in FINDING_COLOURS and FOLDED_COLOUR != CLEAN_COLOUR
