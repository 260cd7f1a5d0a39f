"""The numbers in causes and cures, where they can be worked out by hand."""

from __future__ import annotations

import re

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from tests.scenes.shapes import as_low, combined, grid, halves, plane_low, surface

NUMBER = re.compile(r"\d+\.\d+(?:e-?\d+)?|\d+")


def tilted(own, jacket):
    """Two planes at height a + b x, (a, b) of each; the low part is paired with the first."""
    sheets = [grid(1, 1.2, lambda x, y, h=h: h[0] + h[1] * x) for h in (own, jacket)]
    positions, quads = combined(*sheets)
    return surface(positions, halves(quads), [0, 1, 0, 1], ("own", "jacket"))


def region_of(high, name, **settings):
    chosen = dict(samples=20_000, unseen_points=0, depth=0.05, reach=1.0) | settings
    result = predict(
        plane_low(4), high, paired=np.array([[True, False]]), settings=Settings(**chosen)
    )
    (region,) = [r for r in result.regions if r.name == name]
    return region, result


def said(text):
    return [float(x) for x in NUMBER.findall(text)]


def test_overshoot_says_the_offsets_that_would_do():
    """Own surface from 0 to 0.1 high, the jacket from 0.2 to 0.4: 0.1 to 0.2 suits all."""
    high = tilted((0.05, 0.1), (0.3, 0.2))
    region, _ = region_of(high, Defect.OVERSHOOT_OTHER.title, offset=0.6)
    assert region.other_part == "jacket" and "jacket" in region.cause
    low, top = said(region.cure)
    assert (low, top) == pytest.approx((0.1, 0.2), abs=0.002)
    again = predict(
        plane_low(4), high, paired=np.array([[True, False]]),
        settings=Settings(offset=(low + top) / 2, depth=0.05, samples=20_000, unseen_points=0),
    )  # fmt: skip
    assert not [r for r in again.regions if r.name.startswith(("overshoot", "miss"))]


def test_overshoot_says_when_no_single_offset_does():
    """Own surface from 0 to 0.3, the jacket 0.1 above it everywhere, so from 0.1 to 0.4."""
    region, _ = region_of(
        tilted((0.15, 0.3), (0.25, 0.3)), Defect.OVERSHOOT_OTHER.title, offset=0.6
    )
    assert "no single" in region.cure
    assert said(region.cure) == pytest.approx([0.3, 0.1], abs=0.004)


def test_overshoot_says_when_surfaces_touch():
    """The jacket lies on the own surface: whoever starts above records one of two."""
    region, result = region_of(
        tilted((0.1, 0.0), (0.1, 0.0)), Defect.OVERSHOOT_OTHER.title, offset=0.6
    )
    assert (result.targets.t_next == result.targets.t)[region.samples].all()
    assert "no offset" in region.cure and "between" not in region.cure


def test_tight_and_deep_say_how_much():
    high = tilted((0.25, 0.1), (5.0, 0.0))
    region, _ = region_of(high, Defect.MISS_TIGHT.title, offset=0.1)
    # The surface rises to 0.3; where it is highest the rays start 0.2 lower.
    assert said(region.cause) == pytest.approx([0.3, 0.2], abs=0.002)
    assert said(region.cure) == pytest.approx([0.3], abs=0.002)
    region, _ = region_of(tilted((-0.12, 0.04), (5.0, 0.0)), Defect.MISS_DEEP.title, offset=0.1)
    assert said(region.cause) == pytest.approx([0.14, 0.05], abs=0.002)
    assert said(region.cure) == pytest.approx([0.14], abs=0.002)


def test_tight_beneath_a_jacket_says_that_one_value_will_not_do():
    """Own surface from 0.15 to 0.35, the jacket 0.1 above it: its lowest place is at 0.25."""
    region, _ = region_of(
        tilted((0.25, 0.2), (0.35, 0.2)), Defect.MISS_TIGHT.title, offset=0.1, depth=0.5
    )
    assert region.other_part == "jacket"
    assert said(region.cure) == pytest.approx([0.35, 0.25], abs=0.003)


@pytest.mark.parametrize("turn", [0.0, 0.7])
def test_doubled_faces_are_told_from_a_fold(turn):
    """A patch of the plane lies there twice, the copy turned inside out."""
    positions, quads = grid(20, 1.2)
    triangles = halves(quads)
    patch = (np.abs(positions[triangles].mean(axis=1)[:, :2]) < 0.2).all(axis=1)
    # A copy begins at another corner, as after merging two files.
    copy = np.roll(triangles[patch][:, ::-1], 1, axis=1)
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    low, low_quads = grid(2)
    result = predict(
        as_low(low @ spin.T, low_quads),
        surface(positions @ spin.T, np.concatenate([triangles, copy])),
        settings=Settings(offset=0.1, depth=0.1, samples=4000, unseen_points=0),
    )
    regions = [r for r in result.regions if r.name == Defect.OVERSHOOT_OWN.title]
    assert regions and "doubled" in regions[0].cause and "delete" in regions[0].cure
