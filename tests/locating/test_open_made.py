"""`locate` on bakes of an open mesh whose high poly was made from it, against the truth by descent.

`scripts/locate_trials.py --meshes` has every fault, on three meshes; here is one for every run.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import binary_dilation

from cagecheck.locating.compare import Fault
from cagecheck.locating.fault_regions import TITLES
from cagecheck.locating.locate import LocateSettings, Location, locate
from tests.scenes.locating import Plan, Scenery, baked_maps
from tests.scenes.locating_open import open_scenery, truly_wrong


@pytest.fixture(scope="module")
def hand() -> tuple[Scenery, np.ndarray]:
    scenery, place = open_scenery("hand", 9)
    return scenery, truly_wrong(scenery, place, 1001)


def found_in(scenery: Scenery, faults: tuple[str, ...]) -> tuple[Location, Plan]:
    maps, plan = baked_maps(scenery, faults, 2)
    settings = LocateSettings(offset=scenery.offset, depth=scenery.depth)
    return locate(maps, scenery.low, scenery.scene, paired=scenery.paired, settings=settings), plan


@pytest.mark.long
def test_what_a_clean_bake_gets_wrong_is_found_and_nothing_else(
    hand: tuple[Scenery, np.ndarray],
) -> None:
    scenery, wrong = hand
    result, _ = found_in(scenery, ())
    (found,) = result.maps
    assert not found.conventions and found.fault is not None
    assert wrong.sum() > 100, "fingers lie near each other: the offset catches some"
    near = binary_dilation(wrong, iterations=3)
    for region in result.regions:
        x, y = result.texels.x[region.samples], result.texels.y[region.samples]
        assert near[y, x].any(), (region.name, region.texels)
    # A wrong surface that shades like the right one is no fault of the map.
    assert (found.fault[wrong] != Fault.CLEAN).mean() > 0.8


@pytest.mark.long
def test_a_convention_and_a_defect_are_named_and_placed(hand: tuple[Scenery, np.ndarray]) -> None:
    scenery, wrong = hand
    result, plan = found_in(scenery, ("object-space", "recorded too deep"))
    (found,) = result.maps
    assert [c.code for c in found.conventions] == ["object-space"] and found.fault is not None
    _, mask = plan.planted["recorded too deep"]
    kinds = found.fault[mask]
    assert (kinds != Fault.CLEAN).mean() > 0.8
    assert TITLES[Fault(int(np.bincount(kinds[kinds != Fault.CLEAN]).argmax()))] == (
        "recorded too deep"
    )
    others = (found.fault != Fault.CLEAN) & ~binary_dilation(wrong | mask, iterations=12)
    assert others.sum() < 30, "specks at most"
