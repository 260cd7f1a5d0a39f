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

from cagecheck.defects.kinds import CLEAN, PRECEDENCE, Defect
from cagecheck.predicting.heat import build_heat_map
from cagecheck.predicting.page import page_of_prediction
from cagecheck.predicting.result import Prediction
from cagecheck.report.colours import DEFECT_COLOURS
from cagecheck.report.heatmap import HeatMap
from cagecheck.report.page import write_page
from cagecheck.viewing.model import ViewModel
from cagecheck.viewing.result import read_result
from tests.browser import BROWSER, DRIVER, browser, prefer, requests_made, resize, troubles
from tests.paths import NODE

CLEAN_CODE = max(Defect) + 1
# What the heat map's vertices are coloured as now.
KINDS_NOW = "return [...window.cagecheck.state.model.attributes.kind.array]"

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(
        not (BROWSER and DRIVER), reason="needs Debian's chromium and chromium-driver"
    ),
]


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
        "for (const id of ['by-kind', 'by-part', 'by-tile', 'cut'])"
        " { const s = document.getElementById(id); s.value = '';"
        "   s.dispatchEvent(new Event('change')); }"
        "const q = document.getElementById('search'); q.value = '';"
        "q.dispatchEvent(new Event('input'));"
        "document.getElementById('distance-own').click();"
        "document.querySelector(\"#list [data-key='order']\").click();"
        "for (const b of document.querySelectorAll(\"#list .more[aria-expanded='true']\"))"
        " b.click();"
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


def rows_shown(driver: Any) -> list[int]:
    rows = driver.execute_script(
        "return [...document.querySelectorAll('#list tr[data-number]')]"
        ".filter((r) => r.offsetParent).map((r) => Number(r.dataset.number))"
    )
    return [int(number) for number in rows]


def grouped(prediction: Prediction, shows: bool = True) -> list[list[int]]:
    """The entries that show, way by way: the numbers of each one's regions."""
    ways = [step.way for step in prediction.ways]
    mine = [e for e in prediction.entries if e.shows is shows]
    order = sorted(mine, key=lambda e: ways.index(e.way)) if shows else mine
    return [[r.number for r in e.regions] for e in order]


def search(driver: Any, words: str) -> None:
    driver.execute_script(
        "const q = document.getElementById('search'); q.value = arguments[0];"
        "q.dispatchEvent(new Event('input'))",
        words,
    )


def test_filters_and_sorting(page: Any, demo_prediction: Prediction) -> None:
    regions = demo_prediction.regions
    entries = grouped(demo_prediction)
    hidden = grouped(demo_prediction, shows=False)
    assert rows_shown(page) == [numbers[0] for numbers in entries]
    assert hidden, "what will not show is folded away"
    page.find_element("id", "folded").click()
    assert rows_shown(page) == [numbers[0] for numbers in (*entries, *hidden)]
    # An entry is opened and closed.
    more = page.find_element("css selector", "#list .more")
    wide = next(numbers for numbers in entries if len(numbers) > 1)
    assert more.text == f"and {len(wide) - 1} more like it"
    more.click()
    assert set(wide) <= set(rows_shown(page)) and more.get_attribute("aria-expanded") == "true"
    more.click()
    tight = {r.number for r in regions if r.name == Defect.MISS_TIGHT.title}
    legend = f"#key button[data-name='{Defect.MISS_TIGHT.title}']"
    page.find_element("css selector", legend).click()
    firsts = [numbers[0] for numbers in (*entries, *hidden) if numbers[0] in tight]
    assert rows_shown(page) == firsts
    assert page.find_element("id", "count").text.startswith(f"{len(tight)} of")
    part = page.find_element("css selector", "#list th button[data-key='part']")
    part.click()
    names = [regions[n - 1].part for n in rows_shown(page)]
    assert names == sorted(names)
    part.click()
    names = [regions[n - 1].part for n in rows_shown(page)]
    assert names == sorted(names, reverse=True)
    page.find_element("css selector", "#list th button[data-key='number']").click()
    assert rows_shown(page) == sorted(firsts)
    page.find_element("css selector", "#list th button[data-key='order']").click()
    assert rows_shown(page) == firsts
    page.find_element("id", "folded").click()


def test_words_and_numbers_are_searched(page: Any, demo_prediction: Prediction) -> None:
    regions = demo_prediction.regions
    search(page, "LANTERN tight")
    found = [r.number for r in regions if r.part == "lantern_low" and "tight" in r.name]
    assert found and set(rows_shown(page)) <= set(found)
    assert page.find_element("id", "count").text.startswith(f"{len(found)} of")
    # A region comes out of its entry when its number is asked for.
    like = next(e.others[0].number for e in demo_prediction.entries if e.others and e.shows)
    search(page, f"#{like}")
    assert like in rows_shown(page)
    search(page, "no such thing")
    assert rows_shown(page) == []
    search(page, "")


def test_filters_act_on_the_colours(page: Any) -> None:
    plain, before = canvas(page), drawn(page)
    page.execute_script(
        "const s = document.getElementById('by-kind'); s.value = arguments[0];"
        "s.dispatchEvent(new Event('change'))",
        Defect.SKEW.title,
    )
    assert differing(canvas(page), plain) > 0.001
    codes = set(page.execute_script(KINDS_NOW))
    assert codes == {int(Defect.SKEW), CLEAN_CODE}
    page.execute_script(
        "const s = document.getElementById('by-kind'); s.value = '';"
        "s.dispatchEvent(new Event('change'))"
    )
    assert drawn(page) == before


def test_another_part_that_is_recorded_is_shown(page: Any, demo_prediction: Prediction) -> None:
    number = region_of_kind(demo_prediction, Defect.OVERSHOOT_OTHER)
    region = demo_prediction.regions[number - 1]
    assert region.other_part
    pick_row(page, number)
    assert region.other_part in page.find_element("id", "card").text
    shown = page.execute_script(
        "return window.cagecheck.state.model.high.filter((m) => m.visible)"
        ".map((m) => window.cagecheck.page.high_names[m.userData.part])"
    )
    assert shown == [region.other_part]
    with_it = canvas(page)
    pick_row(page, region_of_kind(demo_prediction, Defect.MISS_TIGHT))
    pick_row(page, number)
    assert differing(canvas(page), with_it) < 0.001
    keep(page, "other-part-1280")


def test_the_slider_agrees_with_the_viewer(
    page: Any, demo_prediction: Prediction, result_folder: Path
) -> None:
    """At every stop, against what the viewer's rule says from the files of a result folder."""
    result = read_result(result_folder)
    view = result.view
    heat = build_heat_map(demo_prediction, most_vertices=30_000)
    recolourer = result.recolourer()
    factors = page.execute_script("return window.cagecheck.page.slide.factors")
    assert len(factors) > 30 and view["heat_sample"].max() > 0
    for stop in range(0, len(factors), 5):
        page.execute_script(
            "const s = document.getElementById('distance'); s.value = arguments[0];"
            "s.dispatchEvent(new Event('input'))",
            stop,
        )
        codes = np.array(page.execute_script(KINDS_NOW))
        main = recolourer.at(factors[stop]).main
        worst = worst_near(main, heat)
        assert np.mean(codes != np.minimum(worst, CLEAN_CODE)) < 1e-3, stop
        said = page.find_element("id", "distance-words").text
        model = ViewModel(result)
        model.set_factor(factors[stop])
        assert said == model.distance_words()
    keep(page, "distance-1280")
    page.find_element("id", "distance-own").click()
    assert not page.find_element("id", "distance-own").is_enabled()


def worst_near(main: np.ndarray, heat: HeatMap) -> np.ndarray:
    """The worst defect of the samples at every vertex, by a plain loop."""
    rank = {int(d): k for k, d in enumerate(PRECEDENCE)} | {CLEAN: len(PRECEDENCE)}
    out = main[heat.sample].copy()
    seen = np.zeros(len(out), bool)
    for sample, vertex in enumerate(heat.vertex_of_sample):
        if not seen[vertex] or rank[int(main[sample])] < rank[int(out[vertex])]:
            out[vertex] = main[sample]
            seen[vertex] = True
    return out


def test_a_cut_takes_a_side_away_and_draws_lines(page: Any) -> None:
    before = drawn(page)
    whole = canvas(page)
    page.execute_script(
        "const c = document.getElementById('cut'); c.value = '0';"
        "c.dispatchEvent(new Event('change'))"
    )
    cut = canvas(page)
    assert differing(cut, whole) > 0.02
    lines, sides = page.execute_script(
        """
        const { state, page } = window.cagecheck;
        const { plane, cuts } = state.model;
        // Ends of the lines, in world units, and how far off the plane they lie.
        const off = cuts.children.map((child) => {
          const p = child.geometry.getAttribute("position").array;
          let most = 0;
          for (let i = 0; i < p.length; i += 3) {
            const world = [0, 1, 2].map((k) => p[i + k] * page.box.half + page.box.centre[k]);
            const { x, y, z } = plane.normal;
            const apart = x * world[0] + y * world[1] + z * world[2] + plane.constant;
            most = Math.max(most, Math.abs(apart));
          }
          return [p.length, most / page.box.half];
        });
        return [off, plane.normal.toArray()];
        """
    )
    assert len(lines) == 3 and sides == [-1, 0, 0]
    assert all(count > 100 and off < 1e-3 for count, off in lines)
    page.execute_script("const c = document.getElementById('cut-other'); c.click();")
    assert differing(canvas(page), cut) > 0.02
    keep(page, "cut-1280")
    page.execute_script(
        "document.getElementById('cut-other').click(); const c = document.getElementById('cut');"
        "c.value = ''; c.dispatchEvent(new Event('change'))"
    )
    assert drawn(page) == before


def test_every_row_in_sight_has_a_picture_of_its_region(
    page: Any, demo_prediction: Prediction
) -> None:
    before = drawn(page)
    pictures = wait(lambda: page.execute_script(
        """
        const box = document.querySelector("#regions .scroll").getBoundingClientRect();
        const out = {};
        for (const row of document.querySelectorAll("#list tr[data-number]")) {
          const place = row.querySelector(".thumb").getBoundingClientRect();
          if (!row.offsetParent || place.top > box.bottom || place.bottom < box.top) continue;
          const canvas = row.querySelector(".thumb canvas");
          if (!canvas) return null;
          const pixels = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
          out[row.dataset.number] = [...pixels.data];
        }
        return out;
        """
    ))  # fmt: skip
    assert len(pictures) >= 3
    for number, pixels in pictures.items():
        region = demo_prediction.regions[int(number) - 1]
        rgba = np.array(pixels).reshape(-1, 4)
        own = np.array(DEFECT_COLOURS[Defect(int(region.defect))])
        # The region's colour, lit: at least half of it and at most all of it.
        shade = rgba[:, :3] / np.maximum(own, 1)
        if own.min() > 0:
            lit = (np.ptp(shade, axis=1) < 0.06) & (shade.mean(axis=1) > 0.45)
        else:
            lit = (rgba[:, :3].max(axis=1) < 8) & (rgba[:, 3] > 200)
        assert lit.mean() > 0.003, f"{number} {region.name}"
    assert drawn(page) == before, "drawing them leaves no trace"


def region_numbers(driver: Any) -> list[int]:
    return [int(n) for n in driver.execute_script(
        "return window.cagecheck.page.regions.map((r) => r.number)"
    )]  # fmt: skip


@pytest.mark.parametrize(("width", "height"), [(1400, 900), (1024, 700)])
def test_cause_and_cure_stand_beside_the_model_above_the_fold(
    page: Any, width: int, height: int
) -> None:
    resize(page, width, height)
    for number in region_numbers(page)[::9]:
        page.execute_script(
            "const { choose } = window.cagecheck; choose(arguments[0], 'list'); scrollTo(0, 0)",
            number,
        )
        boxes = page.execute_script(
            "return ['card', 'model', 'key'].map((id) => {"
            " const b = document.getElementById(id).getBoundingClientRect();"
            " return [b.left, b.top, b.right, b.bottom]; })"
        )
        card, model, key = boxes
        assert card[1] >= 0 and card[3] <= height, number
        assert card[0] >= model[2], "beside the model"
        assert key[1] >= model[3], "the legend leaves the model alone"
        hidden = page.execute_script(
            "const c = document.getElementById('card'); return c.scrollHeight - c.clientHeight"
        )
        assert hidden <= 1 or width < 1400, number
    keep(page, f"card-{width}")


AXE = NODE / "node_modules" / "axe-core" / "axe.min.js"


@pytest.mark.skipif(not AXE.is_file(), reason="axe-core needs `npm ci` in tests/node")
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1024, 1400])
def test_axe_finds_nothing(page: Any, width: int, scheme: str) -> None:
    """Accessibility by axe-core's rules, contrast (WCAG 2.1, 1.4.3) among them."""
    resize(page, width, 844)
    prefer(page, scheme)
    pick_row(page, 1)
    # Pins and canvas lie over pictures, whose contrast no rule can tell.
    page.execute_script(
        "if (!window.axe) { const s = document.createElement('script');"
        "s.textContent = arguments[0]; document.head.append(s); }",
        AXE.read_text(encoding="utf-8"),
    )
    for view in ("lit", "defects"):
        page.execute_script(
            "document.querySelector(`input[name='show'][value='${arguments[0]}']`).click()", view
        )
        passes, violations = axe_findings(page)
        assert passes > 20
        assert violations == []
    keep(page, f"{scheme}-{width}")


def axe_findings(driver: Any) -> tuple[int, list[Any]]:
    """How many rules axe-core finds kept, and which it finds broken."""
    found = driver.execute_async_script(
        "const done = arguments[0]; axe.run(document, { resultTypes: ['violations'] })"
        ".then((r) => done([r.passes.length, r.violations.map((v) => [v.id, v.help,"
        " v.nodes.map((n) => `${n.html.slice(0, 120)} ${n.failureSummary}`).slice(0, 3)])]),"
        " (e) => done(String(e)))"
    )
    passes, violations = found
    return passes, violations


def test_everything_by_keyboard(page: Any, demo_prediction: Prediction) -> None:
    from selenium.webdriver import Keys

    body = page.find_element("css selector", "body")
    first, second = [numbers[0] for numbers in grouped(demo_prediction)][:2]
    body.send_keys(".")
    assert chosen(page) == first
    body.send_keys(".")
    body.send_keys(",")
    assert chosen(page) == first
    # A full stop that is typed into the search is a full stop.
    page.find_element("id", "search").send_keys("a.b", Keys.BACKSPACE * 3)
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
