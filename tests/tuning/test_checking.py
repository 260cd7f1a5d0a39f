"""Looks around wrong samples: how far they reach, and what a part's one number leaves alone."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.tuning.checking import NEIGHBOURHOOD, SCATTERED, _give_number, _neighbourhood
from cagecheck.tuning.mend import Group
from cagecheck.tuning.prisms import points_at
from tests.scenes.shapes import as_low, mesh_parts, plane_low, prepare_low


def search_on(low: LowPoly, **more: Any) -> Any:
    """What looks around ask of a search: rays that go through their points, all of them open."""
    return SimpleNamespace(
        low=low,
        settings=SimpleNamespace(seed=3),
        cast=lambda points: SimpleNamespace(points=points),
        open_samples=lambda cast: np.ones(len(cast.points), bool),
        **more,
    )


@pytest.mark.parametrize("spacing", [0.01, 0.04])
def test_points_around_wrong_ones_lie_within_a_neighbourhood(spacing: float) -> None:
    """One triangle with sides of 10, so that none of its borders is near."""
    low = as_low([[0, 0, 0], [10, 0, 0], [5, np.sqrt(75), 0]], [[0, 1, 2]])
    points = points_at(np.zeros(200, np.int32), np.full((200, 3), 1 / 3))
    wrong = np.arange(200) < 50
    near = _neighbourhood(search_on(low), [Group(points, wrong)], spacing)
    assert len(near.points) == 50 * SCATTERED and near.wrong.all()
    middle = low.positions.mean(axis=0)
    apart = np.linalg.norm(near.points.positions(low) - middle, axis=1)
    # Three numbers from -1 to 1 less their mean are at most 4/3, -2/3, -2/3: that moves a point by
    # 4/3 of an altitude, which is sqrt(3/4) of a side.
    most = 4 / 3 * np.sqrt(3 / 4) * NEIGHBOURHOOD * spacing
    assert 0.8 * most < apart.max() <= most and np.median(apart) < 0.7 * most


def test_a_part_gets_its_number_but_where_the_artist_kept_something() -> None:
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    quad = np.array([[0, 1, 2, 3]])
    low = prepare_low(mesh_parts((square, quad), (square + [5, 0, 0], quad), names=("a", "b")))
    kept = np.full(8, np.nan)
    kept[low.position_id[5]] = 0.3
    search = search_on(low, limits=SimpleNamespace(kept=kept), offsets=np.full(8, 0.1))
    _give_number(search, 1, 0.2)
    got = search.offsets[low.position_id]
    assert got.tolist() == [0.1, 0.1, 0.1, 0.1, 0.2, 0.1, 0.2, 0.2]


def test_nothing_wrong_has_no_neighbourhood() -> None:
    low = plane_low()
    points = points_at(np.zeros(4, np.int32), np.full((4, 3), 1 / 3))
    near = _neighbourhood(search_on(low), [Group(points, np.zeros(4, bool))], 0.1)
    assert len(near.points) == 0
