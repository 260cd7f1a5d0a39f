"""The report page of `locate`: what it says, and the page in headless Chromium.

Set CAGECHECK_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from PIL import Image

from cagecheck.locating.compare import Fault
from cagecheck.locating.fault_heat import fault_heat
from cagecheck.locating.fault_regions import TITLES
from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.locating.page import page_of_location, ray_ends
from cagecheck.report.content import PageContent
from cagecheck.report.page import page_html, write_page
from cagecheck.report.tile_pictures import least_of_blocks, worst_region_of_blocks
from tests.browser import BROWSER, DRIVER, prefer, requests_made, resize, troubles
from tests.report.test_page import page_data, unpacked
from tests.report.test_page_browser import (
    canvas,
    check,
    chosen,
    differing,
    keep,
    opened_page,
    pick_row,
    settle,
)
from tests.scenes.locating import DEPTH, OFFSET, PAIRED, Plan, baked_maps, make_scenery

FAULTS = ("green-flipped", "missed", "recorded another part", "noise", "skew")


@pytest.fixture(scope="module")
def planted() -> tuple[Location, Plan]:
    scenery = make_scenery(11)
    maps, plan = baked_maps(scenery, FAULTS, 1)
    settings = LocateSettings(offset=OFFSET, depth=DEPTH)
    found = locate(maps, scenery.low, scenery.scene, paired=PAIRED, settings=settings)
    return found, plan


@pytest.fixture(scope="module")
def location(planted: tuple[Location, Plan]) -> Location:
    return planted[0]


@pytest.fixture(scope="module")
def content(location: Location) -> PageContent:
    return page_of_location(location, heat_vertices=40_000)


def region_of(location: Location, fault: Fault) -> int:
    return next(r.number for r in location.regions if r.name == TITLES[fault])


# What it says -----------------------------------------------------------------------------------


def test_conventions_offset_and_regions_are_said(content: PageContent, location: Location) -> None:
    text = page_html(content, high_triangles=0)
    assert "1 convention differs: green flipped." in content.verdict
    assert "all maps: green points down" in text and "Flip the green channel" in text
    facts = dict(content.facts)
    assert location.offset is not None
    assert f"between {location.offset.least:.4g} and" in facts["offset of the bake"]
    assert "% of" in facts["offset of the bake"], "how sure it is"
    assert text.count('class="pick"') == len(location.regions)
    readings = next(t for t in content.tables if t.title == "How the maps were read")
    assert [row.cells[0] for row in readings.rows] == [m.source.path.name for m in location.maps]
    agreement = readings.columns.index(next(c for c in readings.columns if c.title == "agreement"))
    assert all(float(row.cells[agreement].split()[0]) > 80 for row in readings.rows)


def test_the_heat_map_shows_the_planted_patch(planted: tuple[Location, Plan]) -> None:
    """Texels of the planted patch lie under heat-map vertices of their fault, others are clean."""
    location, plan = planted
    laid = fault_heat(location, most_vertices=60_000)
    number = region_of(location, Fault.MISSED)
    members = laid.members[number - 1]
    assert len(members) > 10
    assert set(laid.heat.fields["fault"][members]) <= {int(Fault.MISSED)}
    places = location.texels.positions[location.regions[number - 1].samples]
    for corner in (places.min(axis=0), places.max(axis=0)):
        assert np.abs(laid.heat.positions[members] - corner).min() < 0.1
    tile, mask = plan.planted["missed"]
    record = next(m.record for m in location.maps if m.record and m.record.tile == tile)
    assert record.size == mask.shape[0]
    listed = sum(r.area for r in location.regions if r.name == TITLES[Fault.MISSED])
    # Specks are in the picture and in no region.
    assert listed <= laid.area[Fault.MISSED] * 1.001 < 1.05 * listed
    assert laid.area.sum() == pytest.approx(location.low.area.sum(), rel=1e-6)


def test_the_heat_map_holds_the_visible_error_that_ranks_places(location: Location) -> None:
    """By region its mean over the place is the region's own; clean ground is within rounding."""
    fields = fault_heat(location, most_vertices=400_000).heat.fields
    error, fault = fields["visible_error"], fields["fault"]
    assert "angle_degrees" not in fields
    for region in location.regions:
        mine = error[fields["region"] == region.number]
        wanted = location.texels.error[region.samples]
        assert np.isclose(np.median(mine), np.median(wanted), rtol=0.15), region.name
    clean = error[fault == Fault.CLEAN]
    assert np.nanquantile(clean, 0.99) < 3 and np.nanmax(error) > 20


def test_rays_end_where_the_map_says(location: Location) -> None:
    """Through another part: on the shell, a known distance above the ball. Missed: at the depth."""
    region = location.regions[region_of(location, Fault.OTHER_PART) - 1]
    begin, end = ray_ends(location, region.samples)
    shell = location.texels.target[region.samples] + location.texels.gap[region.samples]
    place = location.texels.positions[region.samples]
    assert np.allclose(np.linalg.norm(end - place, axis=1), np.abs(shell), atol=1e-6)
    assert np.linalg.norm(begin - place, axis=1).max() <= OFFSET * 1.001
    missed = location.regions[region_of(location, Fault.MISSED) - 1].samples
    _, end = ray_ends(location, missed)
    fall = np.linalg.norm(end - location.texels.positions[missed], axis=1)
    assert np.allclose(fall, DEPTH, atol=1e-6)


def test_pictures_show_the_map_and_its_faults(content: PageContent, location: Location) -> None:
    for picture, found in zip(content.tiles, location.maps, strict=True):
        assert picture.photo is not None and found.record is not None and found.fault is not None
        photo = np.asarray(Image.open(io.BytesIO(picture.photo))).astype(int)
        assert np.abs(photo - found.source.values[..., :3]).mean() < 4, "JPEG of the map as it is"
        kinds = set(np.unique(found.fault[found.record.covered])) - {Fault.CLEAN}
        assert kinds <= set(np.unique(picture.main))
        number = region_of(location, Fault.MISSED)
        if location.regions[number - 1].tile == picture.tile:
            assert np.sum(picture.region == number) == pytest.approx(
                len(location.regions[number - 1].samples), rel=0.05
            )


def test_shrinking_keeps_the_worst() -> None:
    picture = np.full((5, 5), 7, np.uint8)
    picture[4, 4], picture[0, 1] = 2, 3
    small = least_of_blocks(picture, 2)
    assert small.shape == (3, 3) and small[2, 2] == 2 and small[0, 0] == 3 and small[1, 1] == 7
    regions = np.zeros((4, 4), np.int32)
    regions[0, 0], regions[0, 1], regions[3, 3] = 9, 4, 5
    assert worst_region_of_blocks(regions, 2).tolist() == [[4, 0], [0, 5]]


def test_maps_that_fit_nothing_give_a_page_all_the_same(location: Location) -> None:
    lost = tuple(replace(m, record=None, fault=None, padding=None) for m in location.maps)
    empty = location.texels
    none = np.zeros(0, np.int64)
    texels = replace(
        empty,
        points=empty.points.take(none),
        **{
            name: getattr(empty, name)[none]
            for name in ("positions", "tile", "x", "y", "fault", "measure", "gap", "target",
                         "angle", "other", "patch", "weight")
        },
    )  # fmt: skip
    text = page_html(
        page_of_location(replace(location, maps=lost, texels=texels, regions=[], offset=None)),
        high_triangles=0,
    )
    assert "fits no tile" in text and "too few texels can tell" in text
    assert len(unpacked(text)["heat_triangle"]) > 0
    assert page_data(text)["regions"] == []


# In the browser ---------------------------------------------------------------------------------


def in_browser(test: Callable[..., None]) -> Callable[..., None]:
    """Mark a test as long, and as one that needs a browser."""
    missing = not (BROWSER and DRIVER)
    needed = pytest.mark.skipif(missing, reason="needs Debian's chromium and chromium-driver")
    return pytest.mark.long(needed(test))  # type: ignore[no-any-return]


@pytest.fixture(scope="module")
def driver(content: PageContent, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    path = tmp_path_factory.mktemp("page") / "report.html"
    write_page(content, path, high_triangles=8_000)
    with opened_page(path) as opened:
        yield opened


@pytest.fixture
def page(driver: Any) -> Any:
    resize(driver, 1280, 900)
    prefer(driver, "light")
    driver.execute_script("document.getElementById('whole').click(); scrollTo(0, 0);")
    settle(driver)
    return driver


def pins(page: Any) -> set[int]:
    return {
        int(p.get_attribute("data-number"))
        for p in page.find_elements("css selector", ".pin:not([hidden])")
    }


@in_browser
def test_opens_quietly_and_numbers_what_shows(page: Any, location: Location) -> None:
    assert requests_made(page) == [] and troubles(page) == []
    assert len(np.unique(canvas(page).reshape(-1, 3), axis=0)) > 50
    assert pins(page) <= {r.number for r in location.regions} and pins(page)
    keep(page, "locate-1280")


@in_browser
def test_numbers_go_behind_the_model_with_the_camera(page: Any, location: Location) -> None:
    """A region's number shows from in front of it and not from behind the ball."""
    from selenium.webdriver import Keys

    number = region_of(location, Fault.MISSED)
    region = location.regions[number - 1]
    # On the ball's side (y is up), so that half a turn brings it behind the ball.
    assert region.part == "ball_low" and abs(region.centroid[1]) < 0.5
    pick_row(page, number)
    page.find_element("css selector", "body").send_keys(Keys.ESCAPE)
    model = page.find_element("id", "model")
    # Away from the surface: half a turn would else end inside the ball.
    for _ in range(14):
        model.send_keys("-")
    settle(page)
    assert chosen(page) == 0 and number in pins(page)
    for _ in range(21):  # 21 steps of 0.15 radians: half a turn
        model.send_keys(Keys.ARROW_LEFT)
    settle(page)
    assert number not in pins(page)


@in_browser
def test_a_click_on_a_number_chooses_its_region(page: Any) -> None:
    from selenium.webdriver import ActionChains

    number = min(pins(page))
    pin = page.find_element("css selector", f".pin[data-number='{number}']")
    ActionChains(page, duration=0).move_to_element(pin).click().perform()
    settle(page)
    assert chosen(page) == number
    assert page.find_element("css selector", ".pin.chosen").text == str(number)


@in_browser
def test_choosing_goes_both_ways(page: Any, location: Location) -> None:
    number = region_of(location, Fault.OTHER_PART)
    before = canvas(page)
    pick_row(page, number)
    assert differing(canvas(page), before) > 0.1
    region = location.regions[number - 1]
    card = page.find_element("id", "card").text
    assert region.cause in card and region.cure in card
    figure = page.find_element("css selector", "#tiles figure.has")
    assert figure.get_attribute("data-tile") == str(region.tile)
    assert len(figure.find_elements("css selector", ".lit")) == 2
    for svg in figure.find_elements("css selector", "svg"):
        assert svg.find_elements("css selector", ".lit path"), "outlined on both pictures"
    with_rays = canvas(page)
    check(page, "layer-rays", False)
    assert differing(canvas(page), with_rays) > 0.0003
    check(page, "layer-rays", True)
    page.find_element("id", "whole").click()
    settle(page)
    # And back: a click on the plain map where the region lies.
    page.execute_script(
        """
        const [number, tile] = arguments;
        const svg = document.querySelector(`#tiles figure[data-tile="${tile}"] svg.plain`);
        const data = JSON.parse(document.getElementById("facts-data").textContent);
        const uv = data.regions.find((r) => r.number === number).uv;
        const box = svg.getBoundingClientRect();
        svg.dispatchEvent(new MouseEvent("click", {
          clientX: box.left + uv[0] * box.width, clientY: box.top + (1 - uv[1]) * box.height,
        }));
        """,
        number,
        region.tile,
    )
    settle(page)
    assert chosen(page) == number


@in_browser
def test_the_switch_shows_one_map_or_both(page: Any) -> None:
    def shown() -> list[bool]:
        figure = page.find_element("css selector", "#tiles figure")
        return [svg.is_displayed() for svg in figure.find_elements("css selector", ".pair > svg")]

    assert shown() == [True, True]
    marked, plain = (tile_picture(page, name) for name in ("marked", "plain"))
    assert np.abs(plain[..., 2] - plain[..., 0]).mean() > 30, "a normal map is blue"
    assert np.abs(marked[..., 2] - marked[..., 0]).mean() < 30, "under its faults it is grey"
    for value, expected in (("marked", [True, False]), ("plain", [False, True])):
        page.find_element("css selector", f"input[value='{value}']").click()
        assert shown() == expected
        assert len(np.unique(tile_picture(page, value).reshape(-1, 3), axis=0)) > 100
    page.find_element("css selector", "input[value='both']").click()
    assert shown() == [True, True]


def tile_picture(page: Any, name: str) -> np.ndarray:
    settle(page)
    svg = page.find_element("css selector", f"#tiles figure svg.{name}")
    return np.asarray(Image.open(io.BytesIO(svg.screenshot_as_png)).convert("RGB")).astype(int)


@in_browser
@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (390, "dark"), (1280, "dark")])
def test_fits_narrow_and_dark(page: Any, location: Location, width: int, scheme: str) -> None:
    resize(page, width, 844)
    prefer(page, scheme)
    pick_row(page, region_of(location, Fault.MISSED))
    assert page.execute_script("return document.documentElement.scrollWidth") <= width
    assert len(np.unique(canvas(page).reshape(-1, 3), axis=0)) > 20
    keep(page, f"locate-{scheme}-{width}")


@in_browser
def test_paper_has_the_model_and_every_cause(page: Any) -> None:
    page.execute_script("dispatchEvent(new Event('beforeprint'))")
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        drawn = np.asarray(
            Image.open(io.BytesIO(page.find_element("id", "model").screenshot_as_png)).convert(
                "RGB"
            )
        )
        assert len(np.unique(drawn.reshape(-1, 3), axis=0)) > 50
        causes = page.find_elements("css selector", "#list .paper")
        assert causes and all(c.is_displayed() and c.text for c in causes)
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        page.execute_script("dispatchEvent(new Event('afterprint'))")


@in_browser
def test_no_complaint_at_the_end(page: Any) -> None:
    assert troubles(page) == [] and requests_made(page) == []
