"""The lit model of the report page in headless Chromium, against our own rays."""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
from PIL import Image
from selenium.webdriver import ActionChains, Keys

from cagecheck.maps.normal_maps import NormalMaps
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.predicting.page import page_of_prediction
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rendering.camera import Camera
from cagecheck.rendering.pictures import HighModel, LowModel, render_high, render_low_with_map
from cagecheck.rendering.shading import light_of, srgb
from cagecheck.rendering.view import View
from cagecheck.report.content import PageContent
from cagecheck.report.page import write_page
from tests.browser import BROWSER, DRIVER, prefer, requests_made, resize, troubles
from tests.report.test_page_browser import keep, next_frames, opened_page, wait
from tests.scenes.maps import sheet

pytestmark = pytest.mark.skipif(
    not (BROWSER and DRIVER), reason="needs Debian's chromium and chromium-driver"
)


def two_tiles() -> LowPoly:
    """Two unit squares: the left on tile 1001, the right one's UVs mirrored, on tile 1002."""
    positions = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0], [1, 1, 0], [2, 1, 0]], float)
    quads = [[0, 1, 4, 3], [1, 2, 5, 4]]
    uv = positions[np.ravel(quads), :2].copy()
    uv[4:, 0] = 3 - uv[4:, 0]
    return prepare_low(mesh_from_polygons(positions, quads, uv=uv))


@pytest.fixture(scope="module")
def content() -> PageContent:
    """A waved sheet over two tiles."""
    high = sheet(lambda x, y: 0.02 * np.sin(14 * x) * np.cos(11 * y), n=129)
    high = replace(high, positions=high.positions * [2.0, 1.0, 1.0])
    settings = Settings(offset=0.1, depth=0.1, reach=0.3, samples=3000, map_size=256)
    return page_of_prediction(predict(two_tiles(), high, settings=settings))


@pytest.fixture(scope="module")
def driver(content: PageContent, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    path = write_page(content, tmp_path_factory.mktemp("lit") / "report.html")
    with opened_page(path) as opened:
        yield opened


@pytest.fixture
def page(driver: Any) -> Any:
    """The page as it opens."""
    resize(driver, 1280, 900)
    prefer(driver, "light")
    driver.execute_script(
        "document.getElementById('whole').click(); scrollTo(0, 0);"
        "document.querySelector(\"input[name='show'][value='lit']\").click()"
    )
    choose(driver, "left-side", "baked")
    choose(driver, "right-side", "high")
    slide(driver, wipe=50, turned=-52, raised=36)
    return driver


def choose(driver: Any, name: str, value: str) -> None:
    driver.execute_script(
        "const s = document.getElementById(arguments[0]); s.value = arguments[1];"
        "s.dispatchEvent(new Event('change'))",
        name,
        value,
    )


def slide(driver: Any, **values: int) -> None:
    for name, value in values.items():
        driver.execute_script(
            "const s = document.getElementById(arguments[0]); s.value = arguments[1];"
            "s.dispatchEvent(new Event('input'))",
            name,
            value,
        )


def value(driver: Any, name: str) -> int:
    return int(driver.find_element("id", name).get_property("value"))


def canvas(driver: Any) -> np.ndarray:
    """The model's pixels, sharp: as wide as the canvas is on the screen."""

    def sharp() -> Any:
        next_frames(driver)
        return driver.execute_script(
            "const c = document.getElementById('model'); return c.width === c.clientWidth"
        )

    wait(sharp)
    address = driver.execute_script("return document.getElementById('model').toDataURL()")
    image = Image.open(io.BytesIO(base64.b64decode(address.split(",")[1])))
    return np.asarray(image.convert("RGBA")).astype(int)


def view_of(driver: Any, pixels: np.ndarray) -> View:
    facts = driver.execute_script("return document.getElementById('facts-data').textContent")
    data = json.loads(facts)
    eye, target = np.array(data["camera"]["eye"]), np.array(data["camera"]["target"])
    height, width = pixels.shape[:2]
    eye = target + (eye - target) * max(1.0, height / width)
    camera = Camera(tuple(eye), tuple(target), tuple(data["up"]))
    return View(camera, width, height)


def maps_of(content: PageContent, key: str) -> NormalMaps:
    assert content.lit is not None
    (side,) = [side for side in content.lit.sides if side.key == key]
    assert side.files is not None
    return NormalMaps({tile: imagecodecs.webp_decode(data) for tile, data in side.files.items()})


def inner(covered: np.ndarray, by: int = 2) -> np.ndarray:
    """Pixels that far inside of the model."""
    out = covered == 1
    for _ in range(by):
        small = out.copy()
        small[1:-1, 1:-1] &= out[:-2, 1:-1] & out[2:, 1:-1] & out[1:-1, :-2] & out[1:-1, 2:]
        small[[0, -1]] = small[:, [0, -1]] = False
        out = small
    return out


def test_opens_with_the_bake_lit_and_says_what_is_what(page: Any, content: PageContent) -> None:
    assert page.find_element("id", "look").get_attribute("data-show") == "lit"
    assert page.find_element("id", "left-label").text == "as it will bake"
    assert page.find_element("id", "right-label").text == "high poly"
    assert "256 × 256 texels per tile" in page.find_element("id", "left-words").text
    assert "high poly" in page.find_element("id", "right-words").text
    assert not page.find_element("id", "key").is_displayed()
    assert content.lit is not None and content.lit.size == 256
    assert requests_made(page) == [] and troubles(page) == []
    keep(page, "lit-1280")


@pytest.mark.long
@pytest.mark.parametrize("light", [(-52, 36), (70, 0), (0, 80)])
@pytest.mark.parametrize("key", ["baked", "ideal"])
def test_pixels_are_those_of_our_own_rays(
    page: Any, content: PageContent, key: str, light: tuple[int, int]
) -> None:
    """The same frames, map and formula in the shader and in Python; both tiles, one mirrored."""
    choose(page, "left-side", key)
    slide(page, wipe=100, turned=light[0], raised=light[1])
    got = canvas(page)
    view = view_of(page, got)
    shown = render_low_with_map(
        LowModel(content.low), maps_of(content, key), view, [light_of(view, *light)]
    )
    inside = inner(shown.covered)
    expected = np.rint(255 * srgb(shown.images[0]))
    apart = np.abs(got[:, :, :3] - expected).max(axis=2)[inside]
    for quad in (0, 1):
        on_tile = np.isin(shown.triangle[inside], [2 * quad, 2 * quad + 1])
        assert on_tile.sum() > 5_000
        assert np.percentile(apart[on_tile], 50) <= 1
        assert np.percentile(apart[on_tile], 98) <= 4
    # It is no flat plate: the waves show.
    assert expected[inside].std() > 2


@pytest.mark.long
def test_the_high_poly_is_lit_by_its_own_normals(page: Any, content: PageContent) -> None:
    slide(page, wipe=0)
    got = canvas(page)
    view = view_of(page, got)
    assert content.surface is not None
    shown = render_high(HighModel(content.surface, "smooth"), view, [light_of(view)])
    inside = inner(shown.covered)
    apart = np.abs(got[:, :, :3] - 255 * srgb(shown.images[0])).max(axis=2)[inside]
    # Its normals have 8 bits in the page.
    assert np.percentile(apart, 50) <= 1.5 and np.percentile(apart, 98) <= 5


@pytest.mark.long
def test_the_line_parts_left_from_right(page: Any) -> None:
    slide(page, wipe=100)
    left = canvas(page)
    slide(page, wipe=0)
    right = canvas(page)
    slide(page, wipe=40)
    both = canvas(page)
    at = round(0.4 * both.shape[1])
    assert (both[:, :at] == left[:, :at]).all()
    assert (both[:, at:] == right[:, at:]).all()
    assert (left != right).any()


@pytest.mark.long
def test_line_and_light_are_dragged_or_moved_by_keys(page: Any) -> None:
    box = page.find_element("id", "model").rect
    before = canvas(page)
    mouse = ActionChains(page, duration=0)
    line = page.find_element("id", "line")
    mouse.move_to_element(line).click_and_hold().move_by_offset(round(box["width"] / 4), 0)
    mouse.release().perform()
    assert abs(value(page, "wipe") - 75) <= 1
    sun = page.find_element("id", "sun")
    mouse = ActionChains(page, duration=0)
    mouse.move_to_element(sun).click_and_hold().move_by_offset(16, 0).release().perform()
    # Half way out on the disc: the light stands asin(1/2) to the side.
    assert value(page, "turned") == pytest.approx(30, abs=2)
    assert value(page, "raised") == pytest.approx(0, abs=2)
    assert (canvas(page) != before).any()
    for name, key, by in (("wipe", Keys.ARROW_LEFT, -1), ("raised", Keys.ARROW_RIGHT, 1)):
        was = value(page, name)
        page.find_element("id", name).send_keys(key)
        assert value(page, name) == was + by
    assert "%" in page.find_element("id", "wipe").get_attribute("aria-valuetext")
    page.find_element("id", "swap").click()
    assert page.find_element("id", "left-label").text == "high poly"
    page.find_element("id", "swap").click()


@pytest.mark.long
def test_every_control_has_a_name(page: Any) -> None:
    nameless = page.execute_script(
        "return [...document.querySelectorAll('.compare input, .compare select, .compare button')]"
        ".filter((e) => !(e.labels && e.labels.length) && !e.textContent.trim()).map((e) => e.id)"
    )
    assert nameless == []


@pytest.mark.long
def test_a_switch_goes_back_to_colours(page: Any) -> None:
    lit = canvas(page)
    page.execute_script("document.querySelector(\"input[value='defects']\").click()")
    assert page.find_element("id", "key").is_displayed()
    assert not page.find_element("id", "wipe").is_displayed()
    assert not page.find_element("id", "left-label").is_displayed()
    assert page.find_element("id", "layer-high").is_displayed()
    assert (canvas(page) != lit).any()
    page.execute_script("document.querySelector(\"input[value='lit']\").click()")
    assert (canvas(page) == lit).all()


@pytest.mark.long
@pytest.mark.parametrize("width", [390, 1024, 1400])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_fits_narrow_and_wide(page: Any, width: int, scheme: str) -> None:
    resize(page, width, 844)
    prefer(page, scheme)
    pixels = canvas(page)
    assert page.execute_script("return document.documentElement.scrollWidth") <= width
    assert page.execute_script("return document.getElementById('model').clientHeight") >= 350
    assert len(np.unique(pixels.reshape(-1, 4), axis=0)) > 50
    labels = [page.find_element("id", name).rect for name in ("left-label", "right-label")]
    assert labels[0]["x"] + labels[0]["width"] < labels[1]["x"]
    keep(page, f"lit-{scheme}-{width}")


@pytest.mark.long
def test_paper_has_the_picture_and_its_labels(page: Any) -> None:
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert not page.find_element("id", "wipe").is_displayed()
        assert not page.find_element("id", "sun").is_displayed()
        assert page.find_element("id", "left-label").is_displayed()
        assert page.find_element("id", "model").is_displayed()
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_nothing_is_fetched_and_nothing_complains(page: Any) -> None:
    assert requests_made(page) == [] and troubles(page) == []


@pytest.mark.long
def test_without_uvs_the_page_opens_in_colours(tmp_path: Path) -> None:
    positions = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    low = prepare_low(mesh_from_polygons(positions, [[0, 1, 2, 3]]))
    settings = Settings(offset=0.1, depth=0.1, reach=0.3, samples=300)
    shown = page_of_prediction(predict(low, sheet(lambda x, y: 0 * x), settings=settings))
    assert shown.lit is None
    text = write_page(shown, tmp_path / "report.html").read_text(encoding="utf-8")
    assert re.search(r'<section id="look"[^>]*data-show="defects"', text)
    assert 'id="wipe"' not in text


PACES = """
const [waits] = arguments, model = window.cagecheck.state.model, out = [];
for (const wait of waits) {
  model.asked = performance.now() - wait;
  model.lit.keepPace();
  out.push(model.lit.ratio);
}
clearTimeout(model.lit.sharpen);
return out;
"""


def test_frames_that_come_in_bursts_are_slow_ones(page: Any) -> None:
    """Software rendering takes in several frames at once, then keeps one waiting for all."""
    page.execute_script(PACES, [1.0] * 60)
    burst = [396.0, 10.0, 6.0, 4.0, 12.0]
    assert max(page.execute_script(PACES, burst * 6)[5:]) < 0.5
    assert page.execute_script(PACES, [5.0] * 60)[-1] == 1, "and quick ones are drawn in full again"
