"""The report page in headless Chromium.

Set CAGECHECK_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

import contextlib
import io
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from cagecheck.defects.kinds import Defect
from cagecheck.predicting.page import page_of_prediction
from cagecheck.predicting.result import Prediction
from cagecheck.report.page import write_page
from tests.browser import BROWSER, DRIVER, browser, prefer, requests_made, resize, troubles

pytestmark = pytest.mark.skipif(
    not (BROWSER and DRIVER), reason="needs Debian's chromium and chromium-driver"
)


@pytest.fixture(scope="module")
def page_file(demo_prediction: Prediction, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    content = page_of_prediction(demo_prediction, heat_vertices=30_000)
    return write_page(content, path, high_triangles=20_000)


@pytest.fixture(scope="module")
def driver(page_file: Path) -> Iterator[Any]:
    with opened_page(page_file) as opened:
        yield opened


@pytest.fixture
def page(driver: Any) -> Any:
    """The page as it opens, but coloured by defect: nothing chosen, everything listed."""
    resize(driver, 1280, 900)
    prefer(driver, "light")
    driver.execute_script(
        "document.querySelector(\"input[name='show'][value='defects']\").click();"
        "document.getElementById('whole').click(); scrollTo(0, 0);"
        "for (const id of ['by-kind', 'by-part', 'by-tile'])"
        " { const s = document.getElementById(id); s.value = '';"
        "   s.dispatchEvent(new Event('change')); }"
    )
    settle(driver)
    return driver


@contextlib.contextmanager
def opened_page(path: Path) -> Iterator[Any]:
    """Yield a driver of a fresh browser, in light colours, in which a report page is ready."""
    with browser() as opened:
        prefer(opened, "light")
        opened.get(path.as_uri())
        wait(lambda: opened.execute_script("return document.documentElement.dataset.ready"))
        yield opened


def wait(ready: Callable[[], Any], seconds: float = 60) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if value := ready():
            return value
        time.sleep(0.05)
    raise AssertionError("the page did not get there")


def settle(driver: Any) -> None:
    """Wait until two frames have been drawn and the numbers on the model are up to date."""
    next_frames(driver)
    wait(lambda: driver.execute_script(
        "const p = document.getElementById('pins');"
        "return p.dataset.state !== 'moved'"
    ))  # fmt: skip
    next_frames(driver)


def next_frames(driver: Any) -> None:
    driver.execute_async_script(
        "const frame = requestAnimationFrame, done = arguments[0];frame(() => frame(() => done()))"
    )


def picture(driver: Any, selector: str) -> np.ndarray:
    settle(driver)
    element = driver.find_element("css selector", selector)
    image = Image.open(io.BytesIO(element.screenshot_as_png)).convert("RGB")
    return np.asarray(image).astype(int)


def canvas(driver: Any) -> np.ndarray:
    return picture(driver, "#model")


def drawn(driver: Any) -> tuple[str, list[str]]:
    """The model's pixels as drawn, without what the browser lays over them, and the numbers.

    Text that lies over a picture is not drawn alike to the bit every time.
    """
    settle(driver)
    pixels, numbers = driver.execute_script(
        "return [document.getElementById('model').toDataURL(),"
        " [...document.querySelectorAll('.pin:not([hidden])')].map("
        "  (p) => `${p.textContent} at ${p.style.left} ${p.style.top}`).sort()]"
    )
    return str(pixels), list(numbers)


def differing(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.mean(np.abs(a - b).max(axis=2) > 8))


def keep(driver: Any, name: str) -> None:
    if folder := os.environ.get("CAGECHECK_PICTURES"):
        Path(folder).mkdir(parents=True, exist_ok=True)
        driver.save_screenshot(str(Path(folder, f"page-{name}.png")))


def chosen(driver: Any) -> int:
    number = driver.execute_script(
        "const r = document.querySelector('#list tr.chosen');"
        "return r ? Number(r.dataset.number) : 0"
    )
    return int(number)


def check(driver: Any, name: str, on: bool) -> None:
    driver.execute_script(
        "const c = document.getElementById(arguments[0]);if (c.checked !== arguments[1]) c.click()",
        name,
        on,
    )


def region_of_kind(prediction: Prediction, defect: Defect) -> int:
    return next(r.number for r in prediction.regions if r.name == defect.title)


def pick_row(driver: Any, number: int) -> None:
    driver.execute_script(
        "document.querySelector(`#list tr[data-number='${arguments[0]}'] .pick`).click()", number
    )
    settle(driver)


def test_opens_without_a_request_or_a_complaint(page: Any) -> None:
    assert requests_made(page) == []
    assert troubles(page) == []
    assert page.execute_script("return document.getElementById('no-3d').hidden")
    keep(page, "light-1280")


def test_the_model_is_drawn_and_layers_change_it(page: Any) -> None:
    plain, before = canvas(page), drawn(page)
    assert before[1], "regions are numbered on the model"
    assert len(np.unique(plain.reshape(-1, 3), axis=0)) > 100
    for layer in ("layer-high", "layer-cage", "layer-edges"):
        check(page, layer, True)
        assert differing(canvas(page), plain) > 0.003, layer
        check(page, layer, False)
    check(page, "layer-low", False)
    assert differing(canvas(page), plain) > 0.05
    check(page, "layer-low", True)
    assert drawn(page) == before


def test_a_row_chooses_in_the_model_the_card_and_the_tiles(
    page: Any, demo_prediction: Prediction
) -> None:
    number = region_of_kind(demo_prediction, Defect.MISS_TIGHT)
    region = demo_prediction.regions[number - 1]
    before = canvas(page)
    pick_row(page, number)
    assert chosen(page) == number
    assert differing(canvas(page), before) > 0.1
    card = page.find_element("id", "card").text
    assert region.part in card and region.cure in card
    tile = page.find_element("css selector", "#tiles figure.has")
    assert tile.get_attribute("data-tile") == str(region.tile)
    assert tile.find_elements("css selector", ".lit path")
    assert str(number) in [t.text for t in tile.find_elements("css selector", "text.on")]
    assert page.find_element("css selector", ".pin.chosen").text == str(number)
    assert page.execute_script("return location.hash") == f"#region-{number}"
    with_rays = canvas(page)
    check(page, "layer-rays", False)
    assert differing(canvas(page), with_rays) > 0.0005
    check(page, "layer-rays", True)
    keep(page, "region-1280")


def test_a_click_on_the_model_chooses_the_row(page: Any, demo_prediction: Prediction) -> None:
    from selenium.webdriver import ActionChains, Keys

    # A place in the open, which nothing else stands before.
    number = next(
        r.number
        for r in demo_prediction.regions
        if (r.name, r.part) == (Defect.MISS_TIGHT.title, "torso_low")
    )
    pick_row(page, number)
    pin = page.execute_script(
        "const p = document.querySelector('.pin.chosen').style;"
        "const c = document.getElementById('model');"
        "return [parseFloat(p.left) - c.clientWidth / 2, parseFloat(p.top) - c.clientHeight / 2]"
    )
    # Let go of the region without moving the eye.
    page.find_element("css selector", "body").send_keys(Keys.ESCAPE)
    settle(page)
    assert chosen(page) == 0
    model = page.find_element("id", "model")
    mouse = ActionChains(page, duration=0)
    mouse.move_to_element_with_offset(model, round(pin[0]), round(pin[1])).click().perform()
    settle(page)
    picked = chosen(page)
    assert picked > 0
    assert demo_prediction.regions[picked - 1].part == demo_prediction.regions[number - 1].part


def test_a_click_on_a_tile_chooses_everywhere(page: Any, demo_prediction: Prediction) -> None:
    number = region_of_kind(demo_prediction, Defect.OVERSHOOT_OTHER)
    found = page.execute_script(
        """
        const [number] = arguments;
        const tile = document.querySelector(`#list tr[data-number="${number}"]`).dataset.tile;
        const svg = document.querySelector(`#tiles figure[data-tile="${tile}"] svg`);
        const data = JSON.parse(document.getElementById("facts-data").textContent);
        const uv = data.regions.find((r) => r.number === number).uv;
        const box = svg.getBoundingClientRect();
        svg.dispatchEvent(new MouseEvent("click", {
          clientX: box.left + uv[0] * box.width, clientY: box.top + (1 - uv[1]) * box.height,
        }));
        return tile;
        """,
        number,
    )
    settle(page)
    picked = chosen(page)
    assert picked > 0 and str(demo_prediction.regions[picked - 1].tile) == found
    assert page.find_element("css selector", "#card h3").text.startswith(str(picked))


def test_filters_and_sorting(page: Any, demo_prediction: Prediction) -> None:
    def shown() -> list[int]:
        rows = page.find_elements("css selector", "#list tbody tr:not([hidden])")
        return [int(row.get_attribute("data-number")) for row in rows]

    order = [r.number for e in demo_prediction.entries for r in e.regions]
    showing = [r.number for e in demo_prediction.entries if e.shows for r in e.regions]
    assert shown() == showing and len(showing) < len(order), "what will not show is folded away"
    page.find_element("id", "folded").click()
    assert shown() == order
    named = {r.number for r in demo_prediction.regions if r.name == Defect.MISS_TIGHT.title}
    tight = [number for number in order if number in named]
    page.execute_script(
        "const view = document.querySelector('input[name=show][value=defects]');"
        "if (view) view.click()"
    )
    legend = f"#key button[data-name='{Defect.MISS_TIGHT.title}']"
    page.find_element("css selector", legend).click()
    assert shown() == tight
    assert page.find_element("id", "count").text.startswith(f"{len(tight)} of")
    part = page.find_element("css selector", "#list th button[data-key='part']")
    part.click()
    names = [demo_prediction.regions[n - 1].part for n in shown()]
    assert names == sorted(names)
    part.click()
    names = [demo_prediction.regions[n - 1].part for n in shown()]
    assert names == sorted(names, reverse=True)
    page.find_element("css selector", "#list th button[data-key='number']").click()
    assert shown() == sorted(tight)


def test_everything_by_keyboard(page: Any, demo_prediction: Prediction) -> None:
    from selenium.webdriver import Keys

    body = page.find_element("css selector", "body")
    first, second = [r.number for e in demo_prediction.entries for r in e.regions][:2]
    body.send_keys(".")
    assert chosen(page) == first
    body.send_keys(".")
    body.send_keys(",")
    assert chosen(page) == first
    row = page.find_element("css selector", f"#list tr[data-number='{first}'] .pick")
    row.send_keys(Keys.ARROW_DOWN)
    assert chosen(page) == second
    body.send_keys(Keys.ESCAPE)
    assert chosen(page) == 0
    model = page.find_element("id", "model")
    model.send_keys(Keys.HOME)
    before, there = canvas(page), drawn(page)
    model.send_keys(Keys.ARROW_LEFT)
    assert differing(canvas(page), before) > 0.02
    model.send_keys(Keys.HOME)
    assert drawn(page) == there
    reached = page.execute_script(
        "return [...document.querySelectorAll('button, select, input, canvas')]"
        ".filter((e) => e.id !== '' && e.tabIndex < 0).length"
    )
    assert reached == 0


def test_fields_have_a_ramp_with_units(page: Any) -> None:
    plain, before = canvas(page), drawn(page)
    choose = (
        "const s = document.getElementById('field'); s.value = arguments[0];"
        "s.dispatchEvent(new Event('change'))"
    )
    for field, unit in (("hit", "units"), ("slant", "degrees")):
        page.execute_script(choose, field)
        assert differing(canvas(page), plain) > 0.05
        assert unit in page.find_element("id", "key").text
    page.execute_script(choose, "main")
    assert drawn(page) == before


def test_dark_and_light(page: Any) -> None:
    light = picture(page, "header")
    prefer(page, "dark")
    dark = picture(page, "header")
    assert light.mean() > 200 and dark.mean() < 70
    keep(page, "dark-1280")
    page.find_element("id", "theme").click()
    assert picture(page, "header").mean() > 200, "the button overrules the system"
    page.find_element("id", "theme").click()
    page.find_element("id", "theme").click()


@pytest.mark.parametrize("width", [390, 768, 1280])
def test_fits_narrow_and_wide(page: Any, width: int, demo_prediction: Prediction) -> None:
    resize(page, width, 844)
    number = region_of_kind(demo_prediction, Defect.MISS_TIGHT)
    pick_row(page, number)
    wide = page.execute_script("return document.documentElement.scrollWidth")
    assert wide <= width
    assert len(np.unique(canvas(page).reshape(-1, 3), axis=0)) > 20
    keep(page, f"light-{width}")


def test_prints_every_region(page: Any, demo_prediction: Prediction) -> None:
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        height = page.execute_script(
            "const s = document.querySelector('.scroll'); return [s.scrollHeight, s.clientHeight]"
        )
        assert height[0] == height[1], "the list is not cut off on paper"
        assert not page.find_element("css selector", ".bar").is_displayed()
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_without_webgl_the_rest_works(page_file: Path) -> None:
    with browser() as opened:
        opened.execute_cdp_cmd(
            "Page.addScriptToEvaluateOnNewDocument",
            {"source": "HTMLCanvasElement.prototype.getContext = function () { return null; }"},
        )
        opened.get(page_file.as_uri() + "#region-1")
        wait(lambda: opened.execute_script("return document.documentElement.dataset.ready"))
        assert opened.find_element("id", "no-3d").is_displayed()
        assert chosen(opened) == 1


def test_no_complaint_after_all_that(page: Any) -> None:
    assert troubles(page) == []
    assert requests_made(page) == []
