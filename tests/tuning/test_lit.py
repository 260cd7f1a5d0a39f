"""The page of a tuning shows the bake before and after, lit."""

from __future__ import annotations

import imagecodecs
import numpy as np

from cagecheck.predicting.settings import Settings
from cagecheck.report.lit import LitSide
from cagecheck.report.page import page_html
from cagecheck.tuning.page import page_of_tuning
from cagecheck.tuning.tune import TuneSettings, tune
from tests.scenes.maps import plate, sheet


def texels(side: LitSide) -> np.ndarray:
    assert side.files is not None
    return imagecodecs.webp_decode(side.files[1001]).astype(int)


def test_before_and_after_stand_beside_the_ideal() -> None:
    """A cage under the sheet's tops misses them; the tuned one records what it should."""
    high = sheet(lambda x, y: 0.03 * np.sin(9 * x) * np.cos(8 * y), n=65, margin=0.3)
    settings = Settings(offset=0.005, depth=0.1, reach=0.3, samples=2000, map_size=64)
    result = tune(plate(), high, settings=settings, tuning=TuneSettings(checks=1, mends=1))
    content = page_of_tuning(result, [])
    assert content.lit is not None
    sides = {side.key: side for side in content.lit.sides}
    assert list(sides) == ["before", "baked", "ideal", "high"]
    assert (content.lit.left, content.lit.right) == ("before", "baked")
    before, after, ideal = (texels(sides[key]) for key in ("before", "baked", "ideal"))

    def wrong(shown: np.ndarray) -> float:
        return float((np.abs(shown - ideal).max(axis=2) > 8).mean())

    assert wrong(before) > 0.2 and wrong(after) < 0.02
    page = page_html(content)
    assert "distances before" in page and "tuned distances" in page
