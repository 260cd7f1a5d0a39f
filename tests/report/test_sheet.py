"""Pages without a model: escaped, without script, and accessible."""

from __future__ import annotations

from pathlib import Path

import pytest

from cagecheck.report.colour_bar import write_colour_bar
from cagecheck.report.content import Column
from cagecheck.report.sheet import Cell, Picture, Sheet, SheetRow, SheetTable, sheet_html
from tests.browser import BROWSER, DRIVER, browser, prefer, requests_made, resize, troubles
from tests.paths import NODE

AXE = NODE / "node_modules" / "axe-core" / "axe.min.js"


def a_sheet(folder: Path) -> Sheet:
    write_colour_bar("depth", "0", "1", folder / "bar.png")
    rows = (
        SheetRow(("<b>arm</b>", Cell("passed", "good"), "12"), (204, 102, 119)),
        SheetRow(("hand", Cell("failed", "bad", (("page", "a/report.html"),)), "3")),
    )
    columns = (Column("part"), Column("verdict"), Column("texels", True))
    return Sheet(
        heading="batch",
        title="a & b",
        clean=False,
        verdict="One <failed>.",
        facts=(("assets", "2"),),
        tables=(SheetTable("Asset by asset", columns, rows, "A note."),),
        pictures=(Picture((folder / "bar.png").read_bytes(), "depth", "A colour bar."),),
        limits="What it holds for.",
        files=("results.json",),
    )


def test_what_stands_in_cells_is_no_markup(tmp_path: Path) -> None:
    text = sheet_html(a_sheet(tmp_path))
    assert "<script" not in text and "<b>" not in text and "<failed>" not in text
    assert "&lt;b&gt;arm&lt;/b&gt;" in text and "a &amp; b" in text
    assert '<a href="a/report.html">page</a>' in text and 'alt="A colour bar."' in text
    assert text == sheet_html(a_sheet(tmp_path))


@pytest.mark.skipif(not (BROWSER and DRIVER), reason="needs Debian's chromium and chromium-driver")
@pytest.mark.skipif(not AXE.is_file(), reason="axe-core needs `npm ci` in tests/node")
def test_axe_finds_nothing(tmp_path: Path) -> None:
    from tests.report.test_page_browser import axe_findings

    path = tmp_path / "sheet.html"
    path.write_text(sheet_html(a_sheet(tmp_path)), encoding="utf-8")
    with browser() as driver:
        # The page allows no script; the check needs one.
        driver.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
        for scheme, width in (("light", 390), ("dark", 1400)):
            prefer(driver, scheme)
            resize(driver, width, 844)
            driver.get(path.as_uri())
            driver.execute_script(
                "const s = document.createElement('script');"
                "s.textContent = arguments[0]; document.head.append(s);",
                AXE.read_text(encoding="utf-8"),
            )
            passes, violations = axe_findings(driver)
            assert passes > 20 and violations == []
            wide = "return document.documentElement.scrollWidth > innerWidth"
            assert not driver.execute_script(wide)
        assert requests_made(driver) == [] and troubles(driver) == []
