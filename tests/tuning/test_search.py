"""Samples whose rays hardly turned are not cast again; what is known of them is as if they were."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.defects.match import Matched
from cagecheck.rays.points import SurfacePoints, sample_points
from cagecheck.tuning.search import TURNED, Cast, Search
from tests.scenes.tuning import bumpy_pair
from tests.tuning.test_mend import search_of


def counted(search: Search, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Return a list that gets the number of rays of every cast from now on."""
    cast: list[int] = []
    match = search.matcher.match

    def counting(points, rays, *others, **more):  # type: ignore[no-untyped-def]
        cast.append(len(points))
        return match(points, rays, *others, **more)

    monkeypatch.setattr(type(search.matcher), "match", lambda self, *a, **k: counting(*a, **k))
    return cast


def agree(one: Matched, other: Matched) -> None:
    for name in ("first", "t", "face", "front", "depth", "reach"):
        assert np.array_equal(getattr(one.layers, name), getattr(other.layers, name)), name
    for name in ("layer", "t", "front", "t_next", "next_layer", "belongs", "doubtful"):
        mine, theirs = getattr(one.targets, name), getattr(other.targets, name)
        assert np.array_equal(mine, theirs, equal_nan=mine.dtype.kind == "f"), name
    assert np.array_equal(one.rays.start, other.rays.start)


def test_a_moved_vertex_has_its_surroundings_cast_again_and_nothing_else(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    search = search_of(*bumpy_pair(3, count=16))
    search.offsets = np.full(len(search.offsets), 0.05)
    agree(search.cast_samples(), search.cast(search.points))
    cast = counted(search, monkeypatch)
    agree(search.cast_samples(), search.cast(search.points))
    assert cast[0] == 0
    search.offsets = search.offsets.copy()
    search.offsets[40] = 0.07
    agree(search.cast_samples(), search.cast(search.points))
    assert 0 < cast[2] < cast[3] / 3
    more = sample_points(search.low, 0.2, seed=5)
    search.add(more)
    agree(search.cast_samples(), search.cast(search.points))


def test_offsets_that_hardly_move_change_starts_only(monkeypatch: pytest.MonkeyPatch) -> None:
    search = search_of(*bumpy_pair(3, count=16))
    search.offsets = np.full(len(search.offsets), 0.05)
    first = search.cast_samples()
    cast = counted(search, monkeypatch)
    search.offsets = search.offsets * (1 + 0.9 * TURNED)
    second = search.cast_samples()
    assert cast == [0]
    assert second.rays.start == pytest.approx(first.rays.start * (1 + 0.9 * TURNED))
    assert np.array_equal(second.targets.t, first.targets.t, equal_nan=True)
    # Changes do not add up unseen.
    search.offsets = search.offsets * (1 + 0.9 * TURNED)
    search.cast_samples()
    assert cast[1] == len(search.points)


def test_an_earlier_cast_is_as_if_cast_anew_through_the_cage_of_now(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """However little an offset changed, its surroundings are cast; elsewhere all stays."""
    search = search_of(*bumpy_pair(3, count=16))
    search.offsets = np.full(len(search.offsets), 0.05)
    points = sample_points(search.low, 0.02, seed=8)
    first = search.cast(points)
    search.offsets = search.offsets.copy()
    search.offsets[40] *= 1 + 0.01 * TURNED
    cast = counted(search, monkeypatch)
    agree(search.cast_again(first), search.cast(points))
    assert 0 < cast[0] < len(points) / 2


def test_some_points_of_an_earlier_cast_are_followed() -> None:
    search = search_of(*bumpy_pair(3, count=16))
    search.offsets = np.full(len(search.offsets), 0.05)
    points = sample_points(search.low, 0.02, seed=8)
    first, rows = search.cast(points), np.arange(5, len(points), 3)
    search.offsets = np.where(np.arange(len(search.offsets)) % 7 == 0, 0.08, search.offsets)
    followed = search.follow(points.take(rows), first.earlier(rows), least=0.0)
    fresh = search.cast(points.take(rows))
    agree(followed, fresh)
    for name in ("wrong", "clash", "short", "beyond"):
        assert np.array_equal(getattr(followed, name), getattr(fresh, name)), name


def test_the_earlier_check_is_gone_before_the_next_is_cast(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    search = search_of(*bumpy_pair(3, count=4, fine=24))
    kept = []
    cast = Search.cast

    def watched(self: Search, points: SurfacePoints) -> Cast:
        kept.append(self.last_check)
        return cast(self, points)

    monkeypatch.setattr(Search, "cast", watched)
    first = search.check_on(sample_points(search.low, 0.05, seed=1))
    assert search.check is first
    second = search.check_on(sample_points(search.low, 0.05, seed=2))
    assert search.check is second
    assert kept == [None, None]
