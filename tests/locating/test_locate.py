"""Planted faults are found, named and placed; a clean bake is clean.

The scenes of `scripts/locate_trials.py`, with a seed that nothing was tuned on. Every convention
and every defect occurs at least once, mostly in pairs.
"""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.locating import compare
from cagecheck.locating.compare import Fault
from cagecheck.locating.fault_regions import TITLES
from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.rays.cage import cage_from_offset
from tests.scenes.locating import (
    CONVENTIONS,
    DEFECTS,
    DEPTH,
    OFFSET,
    PAIRED,
    Plan,
    Scenery,
    baked_maps,
    make_scenery,
)

TRIALS = (
    ("green-flipped", "missed"),
    ("channels-swapped", "noise"),
    ("v-flipped", "recorded another fold"),
    ("object-space", "recorded too deep"),
    ("srgb", "skew"),
    ("rescaled", "recorded another part"),
    ("banding", "seam mismatch"),
    ("rotated", "padding too thin"),
    ("wrong-tile", "triangulation"),
    ("tangent-basis", "missed"),
)


@pytest.fixture(scope="module")
def scenery() -> Scenery:
    return make_scenery(31)


def found_in(scenery: Scenery, faults: tuple[str, ...]) -> tuple[Location, Plan]:
    maps, plan = baked_maps(scenery, faults, 7)
    settings = LocateSettings(offset=OFFSET, depth=DEPTH)
    return locate(maps, scenery.low, scenery.scene, paired=PAIRED, settings=settings), plan


def codes_of(result: Location) -> set[str]:
    return {c.code for m in result.maps for c in m.conventions}


def test_the_trials_cover_every_fault() -> None:
    assert {f for trial in TRIALS for f in trial} == set(CONVENTIONS + DEFECTS)


def test_a_clean_bake_is_clean_and_tells_its_offset(scenery: Scenery) -> None:
    result, _ = found_in(scenery, ())
    assert result.clean, (codes_of(result), [r.name for r in result.regions])
    assert result.offset is not None
    assert result.offset.least <= OFFSET <= result.offset.most
    assert result.offset.most < 3 * OFFSET
    assert result.offset.agree > 0.99


@pytest.mark.long
@pytest.mark.parametrize("faults", TRIALS, ids=" + ".join)
def test_planted_faults_are_named_and_placed(scenery: Scenery, faults: tuple[str, ...]) -> None:
    result, plan = found_in(scenery, faults)
    assert codes_of(result) == set(faults) & set(CONVENTIONS)
    wanted = set(faults) & set(DEFECTS)
    assert wanted <= {r.name for r in result.regions}
    for fault, (tile, mask) in plan.planted.items():
        if fault == "padding too thin":
            continue
        texels = result.texels
        here = (texels.tile == tile) & mask[texels.y, texels.x]
        assert here.sum() > 0.2 * mask.sum()
        number = int(np.bincount(texels.fault[here]).argmax())
        assert TITLES[Fault(number)] == fault
        region = next(r for r in result.regions if r.name == fault)
        assert region.tile == tile and region.cause and region.cure


@pytest.mark.long
def test_a_bake_with_another_offset_is_recognised(scenery: Scenery) -> None:
    # The map is right; the assumed offset is not. The estimate must move to the real one.
    maps, _ = baked_maps(scenery, (), 7)
    settings = LocateSettings(offset=2.5 * OFFSET, depth=DEPTH)
    result = locate(maps[:1], scenery.low, scenery.scene, paired=PAIRED, settings=settings)
    assert result.offset is not None
    assert result.offset.least <= OFFSET <= result.offset.most < 2.5 * OFFSET
    assert not codes_of(result) and not result.regions


@pytest.mark.long
def test_texels_that_are_not_asked_for_all_layers_lose_no_finding(
    scenery: Scenery, monkeypatch: pytest.MonkeyPatch
) -> None:
    faults = ("recorded another part", "recorded too deep")
    whole, _ = found_in(scenery, faults)
    monkeypatch.setattr(compare, "MOST_VOTERS", 5000)
    some, _ = found_in(scenery, faults)
    assert [r.to_dict() for r in some.regions] == [r.to_dict() for r in whole.regions]
    assert some.offset is not None and whole.offset is not None
    assert 100 < some.offset.voters < whole.offset.voters / 4
    assert some.offset.least <= OFFSET <= some.offset.most


@pytest.mark.long
def test_a_far_too_large_offset_hides_nothing(scenery: Scenery) -> None:
    maps, plan = baked_maps(scenery, ("missed", "green-flipped"), 7)
    settings = LocateSettings(offset=30 * OFFSET, depth=DEPTH)
    result = locate(maps, scenery.low, scenery.scene, paired=PAIRED, settings=settings)
    assert codes_of(result) == {"green-flipped"}
    assert "missed" in {r.name for r in result.regions}
    assert result.offset is not None and result.offset.most < 10 * OFFSET
    assert plan.planted


@pytest.mark.long
def test_a_given_cage_counts_in_shares(scenery: Scenery) -> None:
    maps, _ = baked_maps(scenery, (), 7)
    result = locate(
        maps[:1],
        scenery.low,
        scenery.scene,
        cage=lambda low: cage_from_offset(low, OFFSET),
        paired=PAIRED,
        settings=LocateSettings(depth=DEPTH),
    )
    assert result.offset is not None and result.offset.unit.startswith("share")
    assert result.offset.least <= 1 <= result.offset.most
    assert [n.code for n in result.notices if n.code == "no-map"] == ["no-map"]
