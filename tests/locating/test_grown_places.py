"""Places of faults grow over what is visibly wrong beside them, and over nothing else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import convolve1d, label

from cagecheck.locating.compare import Evidence, Fault, TileView, _empty_view
from cagecheck.locating.grown_places import LEAST_PLACE, VISIBLE_DEGREES, grow_places
from cagecheck.locating.locate import LocateSettings, locate
from cagecheck.locating.patterns import Patterns
from cagecheck.locating.read_maps import BakedMap
from tests.locating.test_moved_high import rule
from tests.locating.test_whole_map_causes import bumpy, unit
from tests.scenes.locating import DEPTH, OFFSET, PAIRED, _values, baked_maps, make_scenery

SIZE = 96
CLEAN = np.uint8(Fault.CLEAN)


def leaned(vectors: np.ndarray, degrees: np.ndarray) -> np.ndarray:
    """Turn every vector by so many degrees (H, W), towards an axis that lies across it."""
    across = np.cross(vectors, np.array([0.0, 1.0, 0.0]))
    across = np.cross(unit(across), vectors)
    a = np.radians(degrees)[..., None]
    return (np.cos(a) * vectors + np.sin(a) * unit(across)).astype(np.float32)


def viewed(shown: np.ndarray, expected: np.ndarray, fault: np.ndarray) -> TileView:
    cosine = np.clip(np.einsum("...i,...i->...", shown, expected), -1, 1)
    return replace(
        _empty_view(1001, SIZE, rule()), shown=shown, expected=expected, fault=fault,
        triangle=np.zeros((SIZE, SIZE), np.int32), angle=np.degrees(np.arccos(cosine)),
    )  # fmt: skip


def grown(view: TileView, evidence: np.ndarray | None = None) -> Patterns:
    none = np.zeros((SIZE, SIZE), np.uint8)
    patterns = Patterns(
        view.fault.copy(), np.zeros((SIZE, SIZE, 2), np.float32),
        none if evidence is None else evidence.copy(),
    )  # fmt: skip
    grow_places(view, patterns, 1.5)
    return patterns


def away() -> np.ndarray:
    """(S, S) texels from the middle."""
    y, x = np.mgrid[:SIZE, :SIZE]
    return np.hypot(y - SIZE // 2, x - SIZE // 2)


def faults(where: np.ndarray, kind: Fault = Fault.UNEXPLAINED) -> np.ndarray:
    return np.where(where, kind, Fault.CLEAN).astype(np.uint8)


@pytest.mark.parametrize("kind", [Fault.UNEXPLAINED, Fault.MISSED])
def test_a_place_takes_in_its_visibly_wrong_rim(kind: Fault) -> None:
    expected = bumpy(8, 24.0, SIZE)
    wrong = away() < 14
    view = viewed(leaned(expected, np.where(wrong, 9.0, 0.0)), expected, faults(away() < 9, kind))
    found = grown(view)
    assert np.array_equal(found.fault == kind, wrong)
    assert (found.fault[~wrong] == CLEAN).all()


def test_what_is_not_visible_stays_clean() -> None:
    expected = bumpy(8, 24.0, SIZE)
    lean = np.where(away() < 9, 9.0, np.where(away() < 14, 0.9 * VISIBLE_DEGREES, 0.0))
    view = viewed(leaned(expected, lean), expected, faults(away() < 9))
    assert np.array_equal(grown(view).fault, view.fault)


def test_what_a_filter_explains_stays_clean() -> None:
    """All over a softened picture texels differ visibly; only the place itself is wrong."""
    expected = bumpy(9, 5.0, SIZE)
    soft = expected.astype(np.float64)
    for axis in (0, 1):
        soft = convolve1d(soft, np.array([1, 2, 1]) / 4, axis=axis, mode="nearest")
    soft = unit(soft).astype(np.float32)
    place = away() < 9
    view = viewed(leaned(soft, np.where(place, 40.0, 0.0)), expected, faults(place))
    visible = (view.angle > VISIBLE_DEGREES) & ~place & (away() < 16)
    assert visible.mean() > 0.01
    assert np.array_equal(grown(view).fault, view.fault)


def test_a_speck_does_not_grow() -> None:
    expected = bumpy(8, 24.0, SIZE)
    core = away() < 3.5
    assert core.sum() < LEAST_PLACE
    view = viewed(leaned(expected, np.where(away() < 14, 9.0, 0.0)), expected, faults(core))
    assert np.array_equal(grown(view).fault, view.fault)


def test_wrong_texels_apart_from_a_place_stay_their_own() -> None:
    """A ring that touches nothing, and the far end of a line that is longer than places grow."""
    expected = bumpy(8, 24.0, SIZE)
    core, ring = away() < 9, (away() > 12) & (away() < 15)
    view = viewed(leaned(expected, np.where(core | ring, 9.0, 0.0)), expected, faults(core))
    assert np.array_equal(grown(view).fault, view.fault)
    line = np.zeros((SIZE, SIZE), bool)
    line[SIZE // 2, SIZE // 2 :] = True
    view = viewed(leaned(expected, np.where(core | line, 9.0, 0.0)), expected, faults(core))
    more = (grown(view).fault != CLEAN) & ~core
    # From the core's rim eight texels on.
    assert np.array_equal(np.flatnonzero(more.any(axis=0)), np.arange(8) + SIZE // 2 + 9)


def test_the_rim_is_of_the_place_beside_it() -> None:
    """Each of two places gives its rim its own kind and evidence."""
    expected = bumpy(8, 24.0, SIZE)
    x = np.arange(SIZE)[None, :].repeat(SIZE, 0)
    left, right = (x > 10) & (x < 20), (x > 70) & (x < 80)
    wrong = ((x > 6) & (x < 24)) | ((x > 66) & (x < 84))
    fault = np.where(left, Fault.UNEXPLAINED, np.where(right, Fault.MISSED, Fault.CLEAN))
    evidence = np.where(left, int(Evidence.PAINTED), 0).astype(np.uint8)
    view = viewed(leaned(expected, np.where(wrong, 9.0, 0.0)), expected, fault.astype(np.uint8))
    found = grown(view, evidence)
    assert np.array_equal(found.fault == Fault.UNEXPLAINED, (x > 6) & (x < 24))
    assert np.array_equal(found.fault == Fault.MISSED, (x > 66) & (x < 84))
    assert np.array_equal(found.evidence == Evidence.PAINTED, (x > 6) & (x < 24))


@pytest.mark.long
def test_a_turned_island_is_told_to_its_last_bend() -> None:
    """Eight degrees over a whole island: at its bends filters might be as far off."""
    scenery = make_scenery(31)
    _, plan = baked_maps(scenery, (), 7)
    names, _ = label(plan.bake[1001].hit)
    island = names == np.bincount(names[names > 0]).argmax()
    c, s = np.cos(np.radians(8.0)), np.sin(np.radians(8.0))
    turn = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    plan.vectors[1001][island] = plan.vectors[1001][island] @ turn.T
    maps = [BakedMap(Path("turned_normal.1001.png"), 1001, _values(plan, 1001, (), 0), None)]
    settings = LocateSettings(offset=OFFSET, depth=DEPTH)
    result = locate(maps, scenery.low, scenery.scene, paired=PAIRED, settings=settings)
    assert [cause.code for cause in result.causes] == ["frame-turned"]
    told = np.zeros_like(island)
    for region in result.regions:
        told[result.texels.y[region.samples], result.texels.x[region.samples]] = True
    assert not (told & ~island).any()
    # A rotation leaves the vectors along its axis where they were.
    visible = island & (turned_by(plan.bake[1001].tangent, turn) > 5.5)
    assert (told & visible).sum() >= 0.995 * visible.sum()


def turned_by(vectors: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Degrees (H, W) between vectors and what a rotation makes of them."""
    cosine = np.einsum("...i,...i->...", vectors, vectors @ turn.T)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
