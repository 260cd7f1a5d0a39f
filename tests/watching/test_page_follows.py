"""The served page in headless Chromium: it follows rounds and keeps what a person chose.

Set CAGECHECK_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.browser import BROWSER, DRIVER, browser, prefer, requests_made, troubles
from tests.report.test_page_browser import chosen, settle, wait
from tests.watching.scene import Follower, following, low_text, put, write_scene

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(
        not (BROWSER and DRIVER), reason="needs Debian's chromium and chromium-driver"
    ),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("followed")


@pytest.fixture(scope="module")
def running(folder: Path) -> Iterator[Follower]:
    bake = write_scene(folder)
    with following(bake, folder / "out") as follower:
        follower.next("written")
        yield follower


@pytest.fixture(scope="module")
def driver(running: Follower) -> Iterator[Any]:
    with browser() as opened:
        prefer(opened, "light")
        opened.get(running.watch.address)
        shown(opened)
        yield opened


def shown(driver: Any) -> int:
    """Wait for a page to be ready; return its number."""
    return int(wait(lambda: ask(driver, "Number(document.documentElement.dataset.live || 0)")))


def newest(driver: Any, running: Follower) -> None:
    """Wait until the round is all done and the browser shows the last page of it."""
    running.next("written")
    assert running.watch._server is not None
    number = running.watch._server._news["page"]
    wait(lambda: shown(driver) == number)


def ask(driver: Any, script: str) -> Any:
    return driver.execute_script(f"return {script}")


def camera(driver: Any) -> list[float]:
    """Where the page keeps the camera when it is asked to."""
    return driver.execute_script(  # type: ignore[no-any-return]
        "dispatchEvent(new Event('keep-view'));"
        "const kept = JSON.parse(sessionStorage.getItem(`cagecheck view ${location.pathname}`));"
        "return [...kept.camera.eye, ...kept.camera.target]"
    )


def bar(driver: Any) -> str:
    return str(driver.execute_script("return document.getElementById('live').textContent"))


def keep(driver: Any, name: str) -> None:
    if folder := os.environ.get("CAGECHECK_PICTURES"):
        Path(folder).mkdir(parents=True, exist_ok=True)
        driver.save_screenshot(str(Path(folder, f"watch-{name}.png")))


def test_it_loads_itself_and_keeps_camera_region_filters_and_layers(
    driver: Any, running: Follower, folder: Path
) -> None:
    keep(driver, "before")
    click = "document.querySelector(arguments[0]).click()"
    driver.execute_script(click, "input[name='show'][value='defects']")
    driver.execute_script(click, "#layer-cage")
    driver.execute_script(
        "const s = document.getElementById('by-kind'); s.selectedIndex = 1;"
        "s.dispatchEvent(new Event('change'));"
        "document.querySelector('#list tbody tr:not([hidden]) .pick').click()"
    )
    driver.execute_script(click, "#list th button[data-key='part']")
    kind = ask(driver, "document.getElementById('by-kind').value")
    assert kind and chosen(driver)
    settle(driver)
    for key in ("ArrowLeft", "ArrowUp", "+"):
        driver.execute_script(
            "document.getElementById('model').dispatchEvent("
            "new KeyboardEvent('keydown', {key: arguments[0], bubbles: true}))", key,
        )  # fmt: skip
    before = camera(driver)
    name = ask(driver, "document.querySelector('#list tr.chosen').dataset.name")
    # A finer low poly in the same place: other samples, other regions' numbers, the same hill.
    put(folder / "low.obj", low_text(side=9))
    words = running.next("round").words
    newest(driver, running)
    assert words in bar(driver) and "low.obj saved: " in bar(driver)
    settle(driver)
    keep(driver, "after")
    assert camera(driver) == pytest.approx(before, abs=1e-6)
    assert ask(driver, "document.getElementById('by-kind').value") == kind
    assert ask(driver, "document.getElementById('layer-cage').checked")
    assert ask(driver, "document.querySelector('input[name=show]:checked').value") == "defects"
    assert ask(driver, "document.querySelector('#list th [data-sorted]').dataset.key") == "part"
    row = ask(driver, "{...document.querySelector('#list tr.chosen').dataset}")
    assert row["name"] == name and int(row["number"]) == chosen(driver)


def test_what_is_gone_is_said(driver: Any, running: Follower, folder: Path) -> None:
    assert chosen(driver)
    # The low poly follows the hill: nothing is missed any more.
    put(folder / "low.obj", low_text(lift=1.0, side=24))
    running.next("round")
    newest(driver, running)
    wait(lambda: "no longer there" in bar(driver))
    assert not chosen(driver)


def test_trouble_is_said_without_losing_the_page(
    driver: Any, running: Follower, folder: Path
) -> None:
    number = shown(driver)
    put(folder / "low.obj", "o plate\nv 0 0 0\nf 1 2 3\n")
    words = running.next("waiting").words
    wait(lambda: words in bar(driver))
    keep(driver, "waiting")
    assert ask(driver, "document.getElementById('live').dataset.state") == "waiting"
    assert shown(driver) == number, "the last result is still there"


def test_it_asks_its_own_server_and_nobody_else(driver: Any, running: Follower) -> None:
    asked = requests_made(driver)
    assert asked and all(address.startswith(running.watch.address) for address in asked)
    assert troubles(driver) == []


def test_it_says_when_the_watch_has_ended(driver: Any, running: Follower) -> None:
    running.end()
    running.watch.__exit__(None, None, None)
    wait(lambda: "has ended" in bar(driver))
    assert np.isfinite(camera(driver)).all(), "what it shows can still be looked at"


def test_before_the_first_result_it_waits(tmp_path: Path) -> None:
    bake = write_scene(tmp_path)
    text = bake.low.read_text()
    bake.low.unlink()
    with following(bake) as follower, browser() as opened:
        follower.next("waiting")
        opened.get(follower.watch.address)
        wait(lambda: "low.obj is not there" in bar(opened))
        bake.low.write_text(text)
        shown(opened)
        assert troubles(opened) == []
