"""The page with both models in headless Chromium.

Set CAGECHECK_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import cagecheck
from cagecheck.comparing.page import comparison_html
from cagecheck.errors import InputError
from cagecheck.predicting.write import write_prediction
from tests.browser import BROWSER, DRIVER, requests_made, resize, troubles
from tests.report.test_page_browser import keep, next_frames, opened_page, wait
from tests.scenes.planted_sheets import TIGHT, Bump, prediction_of, square

pytestmark = pytest.mark.long

THREE = (Bump(0.2, 0.2), Bump(0.7, 0.3), Bump(0.5, 0.75))


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The third bump is mended, a fourth is new; the low poly has other faces and another name."""
    root = tmp_path_factory.mktemp("both")
    low = square(4, "plate_v2", turned=True)
    write_prediction(prediction_of(THREE), root / "before")
    new = prediction_of((*THREE[:2], Bump(0.8, 0.75)), low=low, seed=1)
    write_prediction(new, root / "after")
    found = cagecheck.compare(root / "before", root / "after")
    cagecheck.write_comparison(found, root / "changes")
    return root


@pytest.fixture(scope="module")
def driver(root: Path) -> Iterator[Any]:
    if not (BROWSER and DRIVER):
        pytest.skip("needs Debian's chromium and chromium-driver")
    with opened_page(root / "changes" / "compare.html") as opened:
        yield opened


@pytest.fixture
def page(driver: Any) -> Any:
    """The page as it opens: a wipe in the middle, lit, nothing chosen."""
    # High enough for the whole stage: pictures of it end at the window.
    resize(driver, 1400, 1250)
    driver.execute_script(
        "for (const [name, value] of [['way', 'wipe'], ['show', 'lit']])"
        " document.querySelector(`input[name='${name}'][value='${value}']`).click();"
        "const wipe = document.getElementById('wipe'); wipe.value = 50;"
        "wipe.dispatchEvent(new Event('input')); document.getElementById('whole').click();"
        "scrollTo(0, 0);"
    )
    still(driver)
    return driver


def still(page: Any) -> None:
    """Wait until both models are drawn and their numbers up to date."""
    next_frames(page)
    looked = "return document.querySelectorAll(\".pins[data-state='looked']\").length === 2"
    wait(lambda: page.execute_script(looked))
    next_frames(page)


def row_of(page: Any, became: str) -> Any:
    which = f"[data-became='{became}'][data-name='{TIGHT}']"
    return page.find_element("css selector", f"#list tr{which}")


def picture(page: Any, element: str) -> np.ndarray:
    still(page)
    shot = page.find_element("css selector", element).screenshot_as_png
    return np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).astype(int)


def label(page: Any, side: str) -> list[str]:
    """Return the numbers that can be seen on one of the models."""
    pins = page.find_elements("css selector", f"#{side}-pins .pin:not([hidden])")
    return [pin.get_attribute("textContent") for pin in pins]


def test_it_opens_offline_and_without_complaint(page: Any) -> None:
    assert requests_made(page) == []
    assert troubles(page) == []
    said = page.find_element("css selector", "header").text
    assert "worse than before" in said and "1 mended" in said
    keep(page, "compare")


def test_the_list_says_what_was_done(page: Any) -> None:
    assert row_of(page, "mended").text.count(TIGHT) == 1
    assert "plate_v2" in row_of(page, "new").text


@pytest.mark.parametrize(("became", "lit_on"), [("new", "new"), ("mended", "old")])
def test_a_change_chooses_the_place_in_both(page: Any, became: str, lit_on: str) -> None:
    row = row_of(page, became)
    row.find_element("css selector", ".pick").click()
    still(page)
    number = row.get_attribute("data-number")
    # Both models name it, the one without it at the spot where it was or will be.
    assert number in label(page, "old") and number in label(page, "new")
    card = page.find_element("id", "card").text
    assert f"{became}" in card and "nothing here" in card
    assert page.execute_script("return location.hash") == f"#change-{number}"
    # Seen from one place by both cameras: the middle of the picture is the bump.
    places = [
        page.execute_script(
            "const p = document.querySelector(`#${arguments[0]}-pins .chosen`);"
            "return [p.style.left, p.style.top]", side,
        )
        for side in ("old", "new")
    ]  # fmt: skip
    assert places[0] == places[1]
    keep(page, f"compare-{became}")


def test_the_wipe_shows_one_or_the_other(page: Any) -> None:
    """At its ends the stage shows one model alone, between them the left of one, right of other."""

    def wiped(percent: int) -> np.ndarray:
        page.execute_script(
            "const w = document.getElementById('wipe'); w.value = arguments[0];"
            "w.dispatchEvent(new Event('input'));", percent,
        )  # fmt: skip
        return picture(page, ".two")

    page.execute_script("document.querySelector(\"input[name='show'][value='defects']\").click()")
    # The models alone: text of numbers is drawn a shade otherwise where it is cut.
    hide = "for (const p of document.querySelectorAll('.pins')) p.style.visibility = arguments[0]"
    page.execute_script(hide, "hidden")
    old, middle, new = wiped(100), wiped(50), wiped(0)
    page.execute_script(hide, "")
    height, width = old.shape[:2]
    # Away from line, labels and the numbers that straddle it.
    rows = slice(height // 6, -height // 6)
    left, right = slice(60, width // 2 - 60), slice(width // 2 + 60, width - 60)
    assert np.abs(old - new)[rows, left].max() > 60, "nothing to tell apart"
    assert np.abs(middle - old)[rows, left].max() < 12
    assert np.abs(middle - new)[rows, right].max() < 12


def test_both_turn_together(page: Any) -> None:
    page.execute_script("document.querySelector(\"input[name='show'][value='defects']\").click()")
    page.execute_script("document.querySelector(\"input[name='way'][value='beside']\").click()")
    before = picture(page, "#old-half")
    page.find_element("id", "new-model").send_keys("\ue014\ue014")  # arrow right, twice
    after = picture(page, "#old-half")
    assert np.abs(after - before).max() > 60
    keep(page, "compare-beside")


def test_side_by_side_each_has_its_half(page: Any) -> None:
    page.execute_script("document.querySelector(\"input[name='way'][value='beside']\").click()")
    still(page)
    boxes = [page.find_element("id", f"{side}-model").rect for side in ("old", "new")]
    assert boxes[0]["x"] + boxes[0]["width"] <= boxes[1]["x"] + 1
    assert abs(boxes[0]["width"] - boxes[1]["width"]) <= 2


def test_what_is_unchanged_is_folded_away(page: Any) -> None:
    shown = "#list tbody tr:not([hidden])"
    few = len(page.find_elements("css selector", shown))
    page.find_element("id", "folded").click()
    all_of = len(page.find_elements("css selector", shown))
    page.find_element("id", "folded").click()
    assert 0 < few < all_of == len(page.find_elements("css selector", "#list tbody tr"))


def test_it_fits_a_narrow_window(page: Any) -> None:
    resize(page, 500, 900)
    still(page)
    assert page.execute_script("return document.documentElement.scrollWidth <= innerWidth")


def test_the_page_needs_the_reports_of_both(root: Path) -> None:
    with pytest.raises(InputError, match=r"no report\.html"):
        comparison_html(cagecheck.compare(prediction_of(THREE), root / "after"))


def test_the_same_input_gives_the_same_page(root: Path) -> None:
    found = cagecheck.compare(root / "before", root / "after")
    assert comparison_html(found) == (root / "changes" / "compare.html").read_text("utf-8")
