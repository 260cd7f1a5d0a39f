"""A cage that folds more is not taken for one that misses a little less."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.defects.match import Matcher
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.predicting.predict import build_scene, place_points
from cagecheck.predicting.settings import Settings
from cagecheck.tuning import checking
from cagecheck.tuning.corridors import Limits
from cagecheck.tuning.search import Search
from tests.scenes.tuning import surface_of

SIDES = 6
SETTINGS = Settings(samples=2000, unseen_points=0, offset=0.1, depth=0.1, reach=3.0)


def pit_under_a_stud() -> Search:
    """A pit of six sides, a unit deep and wide, and a stud 0.3 high on a small part of one side."""
    angle = 2 * np.pi * np.arange(SIDES) / SIDES
    rim = np.stack([np.cos(angle), np.sin(angle), np.ones(SIDES)], axis=1)
    points = np.concatenate([[[0.0, 0, 0]], rim])
    faces = [[0, 1 + k, 1 + (k + 1) % SIDES] for k in range(SIDES)]
    low = prepare_low(mesh_from_polygons(points, faces))
    a, b, c = points[faces[0]]
    normal = np.cross(b - a, c - a)
    top = (a + b + c) / 3 + 0.3 * normal / np.linalg.norm(normal)
    foot = [(1 - 0.1) * (a + b + c) / 3 + 0.1 * corner for corner in (a, b, c)]
    stud = mesh_from_polygons(np.stack([*foot, top]), [[0, 1, 3], [1, 2, 3], [2, 0, 3]])
    scene = build_scene(surface_of(low.mesh, stud))
    limits = Limits(3.0, 1e-4, np.full(low.position_count, np.nan), np.zeros(0), np.zeros(0))
    matcher = Matcher(low, scene, np.ones((1, 2), bool))
    return Search(matcher, SETTINGS, 1e-5, limits, place_points(low, SETTINGS))


@pytest.mark.parametrize(("number", "taken"), [(2.0, False), (0.4, True)])
def test_one_number_that_folds_what_was_right_is_not_taken(
    number: float, taken: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    search = pit_under_a_stud()
    search.offsets = np.full(search.low.position_count, 0.1)
    check = search.cast(search.points)
    monkeypatch.setattr(checking, "_best_numbers", lambda *_: np.array([number]))
    parts = checking._numbers_where_better(search, check)
    assert bool(parts) == taken
    assert (search.offsets == (number if taken else 0.1)).all()
    search.offsets = np.full(search.low.position_count, number)
    # Either would miss less.
    assert search.cast(search.points).wrong.sum() < check.wrong.sum()
