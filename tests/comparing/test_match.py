"""Which places are the same, on discs whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.comparing.changes import Became, Change, Tolerance, tell_changes
from cagecheck.comparing.match import match_regions
from cagecheck.comparing.placed import PlacedRegion, place_ball, place_region

SPACING = 0.1
# Degrees of every sample below, times a texel each.
DEGREES = 10.0
PARTS = ("body", "sleeve")
NAME = "overshoot: other part"


def disc(
    number: int,
    middle: tuple[float, float],
    radius: float,
    *,
    part: str = "body",
    name: str = NAME,
    seed: int = 0,
    up: float = 1.0,
    height: float = 0.0,
    spacing: float = SPACING,
    degrees: float = DEGREES,
) -> PlacedRegion:
    """Return a disc in the plane z = height that faces up (or down), sampled by a jittered grid."""
    draw = np.random.default_rng(seed)
    steps = np.arange(-radius - spacing, radius + spacing, spacing)
    grid = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    grid = grid + draw.uniform(0, spacing, grid.shape)
    grid = grid[(grid**2).sum(axis=1) <= radius**2] + middle
    points = np.column_stack([grid, np.full(len(grid), height)])
    n = len(points)
    row = {
        "number": number, "name": name, "part": part, "tile": 1001, "harm": degrees * n,
        "texels": float(n), "texels_seen": float(n), "area": n * spacing**2, "area_seen": 0.0,
        "sample_count": n, "radius": radius, "centroid": [*middle, height],
    }  # fmt: skip
    normals = np.tile([0.0, 0.0, up], (n, 1))
    return place_region(row, points, normals, np.full(n, spacing))


def changes_of(
    old: list[PlacedRegion],
    new: list[PlacedRegion],
    parts: tuple[tuple[str, ...], tuple[str, ...]] = (PARTS, PARTS),
) -> list[Change]:
    return tell_changes(match_regions(old, new, *parts), old, new)


def told(changes: list[Change]) -> list[tuple[str, list[int], list[int]]]:
    return sorted(
        (c.became.value, sorted(r["number"] for r in c.old), sorted(r["number"] for r in c.new))
        for c in changes
    )


@pytest.mark.parametrize(
    ("old", "new", "became"),
    [
        ([disc(1, (0, 0), 1)], [], "mended"),
        ([], [disc(1, (0, 0), 1)], "new"),
        ([disc(1, (0, 0), 1)], [disc(1, (0, 0), 1, seed=1)], "unchanged"),
        ([disc(1, (0, 0), 1)], [disc(1, (0, 0), 2, seed=1)], "grown"),
        ([disc(1, (0, 0), 2)], [disc(1, (0, 0), 1, seed=1)], "shrunk"),
        # Beside each other, touching: no more than the rims lie on each other.
        ([disc(1, (0, 0), 1)], [disc(1, (2.2, 0), 1, seed=1)], "moved"),
        # Their middles 0.8 radii apart, so half of each lies on the other.
        ([disc(1, (0, 0), 1)], [disc(1, (0.8, 0), 1, seed=1)], "moved"),
        ([disc(1, (0, 0), 1)], [disc(1, (0.1, 0), 1, seed=1)], "unchanged"),
    ],
)  # fmt: skip
def test_one_place(old: list[PlacedRegion], new: list[PlacedRegion], became: str) -> None:
    (change,) = changes_of(old, new)
    assert change.became.value == became
    assert change.sure


def test_what_lies_far_away_is_another_place() -> None:
    changes = changes_of([disc(1, (0, 0), 1)], [disc(1, (9, 0), 1)])
    assert told(changes) == [("mended", [1], []), ("new", [], [1])]


def test_another_defect_is_another_place() -> None:
    changes = changes_of([disc(1, (0, 0), 1)], [disc(1, (0, 0), 1, name="skew")])
    assert told(changes) == [("mended", [1], []), ("new", [], [1])]


def test_a_place_that_falls_into_three_is_one_change() -> None:
    old = [disc(1, (0, 0), 2)]
    new = [disc(k, at, 0.8, seed=k) for k, at in ((1, (-1, 0)), (2, (1, 0)), (3, (0, 1.1)))]
    (change,) = changes_of(old, new)
    assert (change.became, len(change.old), len(change.new)) == (Became.SHRUNK, 1, 3)
    (back,) = changes_of(new, old)
    assert (back.became, len(back.old), len(back.new)) == (Became.GROWN, 3, 1)


def test_neighbours_that_touch_stay_apart() -> None:
    """Rims within reach of each other do not make two places one."""
    old = [disc(1, (0, 0), 1), disc(2, (2.05, 0), 1)]
    new = [disc(2, (0, 0), 1, seed=1), disc(1, (2.05, 0), 1, seed=2)]
    assert told(changes_of(old, new)) == [("unchanged", [1], [2]), ("unchanged", [2], [1])]


def test_the_two_sides_of_a_sheet_are_two_places() -> None:
    old = [disc(1, (0, 0), 1, height=0.02), disc(2, (0, 0), 1, up=-1)]
    new = [disc(1, (0, 0), 1, up=-1, seed=1)]
    assert told(changes_of(old, new)) == [("mended", [1], []), ("unchanged", [2], [1])]


def test_parts_close_to_each_other_are_told_apart_by_name() -> None:
    old = [disc(1, (0, 0), 1, part="body")]
    new = [disc(1, (0, 0), 1, part="sleeve", height=0.02)]
    assert told(changes_of(old, new)) == [("mended", [1], []), ("new", [], [1])]


def test_a_renamed_part_is_the_same_place() -> None:
    old, new = [disc(1, (0, 0), 1, part="arm")], [disc(1, (0, 0), 1, part="arm_low", seed=1)]
    changes = changes_of(old, new, (("arm", "body"), ("arm_low", "body")))
    assert told(changes) == [("unchanged", [1], [1])]


def test_another_sampling_density_changes_nothing() -> None:
    """Four times the samples, each a quarter of a texel."""
    old = [disc(1, (0, 0), 2)]
    new = [disc(1, (0, 0), 2, spacing=SPACING / 2, degrees=DEGREES / 4)]
    assert told(changes_of(old, new)) == [("unchanged", [1], [1])]


def test_a_speck_of_few_samples_is_not_told_from_chance() -> None:
    """Nine samples of one harm have a standard error of three of them: not above three errors."""
    few, more = disc(1, (0, 0), 0.12), disc(1, (0, 0), 0.4)
    assert few.counted < 9 < more.counted
    assert [c.worse for c in changes_of([], [few])] == [False]
    assert [c.worse for c in changes_of([], [more])] == [True]


def test_the_error_is_that_of_samples_at_random() -> None:
    """The sum over n samples at random, of harm h each, has variance n h^2 (Campbell's theorem)."""
    old, new = disc(1, (0, 0), 1.13), disc(1, (0, 0), 1.2)
    n, m = old.counted, new.counted
    (change,) = tell_changes(
        match_regions([old], [new], PARTS, PARTS), [old], [new], tolerance=Tolerance(2.0, 0.0)
    )
    assert change.within == pytest.approx(2 * DEGREES * np.sqrt(n + m))


def test_with_the_same_samples_only_what_differs_counts() -> None:
    old = disc(1, (0, 0), 2)
    worse = place_region(
        {**old.row, "harm": old.harm + 20 * DEGREES}, old.points, old.normals,
        np.full(len(old.points), SPACING),
        harms=old.harms + DEGREES * (np.arange(old.counted) < 20),
    )  # fmt: skip
    matches = match_regions([old], [worse], PARTS, PARTS)
    none = Tolerance(share=0.0)
    (chance,) = tell_changes(matches, [old], [worse], tolerance=none)
    (sure,) = tell_changes(matches, [old], [worse], same_samples=True, tolerance=none)
    assert chance.became is Became.UNCHANGED
    assert sure.became is Became.GROWN
    assert sure.within == pytest.approx(3 * DEGREES * np.sqrt(20))


def test_with_the_same_samples_two_are_enough_for_a_new_place() -> None:
    """The same rays tell otherwise now; elsewhere two samples are chance."""
    speck = disc(1, (0, 0), 0.12)
    two = place_region(
        {**speck.row, "harm": 2 * DEGREES, "sample_count": 2}, speck.points[:2], speck.normals[:2],
        np.full(2, SPACING),
    )  # fmt: skip
    one = place_region(
        {**speck.row, "harm": DEGREES, "sample_count": 1}, speck.points[:1], speck.normals[:1],
        np.full(1, SPACING),
    )  # fmt: skip
    for region, same, worse in ((two, True, True), (two, False, False), (one, True, False)):
        matches = match_regions([], [region], PARTS, PARTS)
        (change,) = tell_changes(matches, [], [region], same_samples=same)
        assert change.worse == worse


def test_regions_known_by_middle_and_radius_alone_are_matched() -> None:
    old, new = place_ball(disc(1, (0, 0), 1).row), place_ball(disc(1, (0.3, 0), 1, seed=1).row)
    assert told(changes_of([old], [new])) == [("unchanged", [1], [1])]
    far = place_ball(disc(1, (9, 0), 1).row)
    assert told(changes_of([old], [far])) == [("mended", [1], []), ("new", [], [1])]


@pytest.mark.parametrize("seed", range(5))
def test_swapping_old_and_new_swaps_the_words(seed: int) -> None:
    """Random discs of two defects on two parts: the changes of new and old are the mirror image."""
    draw = np.random.default_rng(seed)

    def some(first: int) -> list[PlacedRegion]:
        return [
            disc(
                k, tuple(draw.uniform(-4, 4, 2)), draw.uniform(0.2, 1.5), seed=first + k,
                part=PARTS[draw.integers(2)], name=("skew", NAME)[draw.integers(2)],
            )
            for k in range(1, 13)
        ]  # fmt: skip

    old, new = some(100), some(200)
    mirror = {"mended": "new", "new": "mended", "grown": "shrunk", "shrunk": "grown"}
    there, back = changes_of(old, new), changes_of(new, old)
    assert told(there) == sorted((mirror.get(w, w), b, a) for w, a, b in told(back))
    assert sorted((c.sure, c.within) for c in there) == sorted((c.sure, c.within) for c in back)
    # Every region stands in just one change.
    assert sorted(r["number"] for c in there for r in c.old) == list(range(1, 13))
    assert sorted(r["number"] for c in there for r in c.new) == list(range(1, 13))


def test_a_result_against_itself_is_unchanged() -> None:
    draw = np.random.default_rng(7)
    discs = [disc(k, tuple(draw.uniform(-3, 3, 2)), 0.7, seed=k) for k in range(1, 20)]
    assert {c.became for c in changes_of(discs, discs)} == {Became.UNCHANGED}
