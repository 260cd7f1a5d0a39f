"""Needles of the low poly: found, and told apart from what a cage itself does wrong."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import cage_from_offset
from cagecheck.tuning.folds import cage_crossings, check_shell
from cagecheck.tuning.needles import (
    NEEDLE_HEIGHT,
    beside_needles,
    crossings_at_needles,
    needle_notice,
    needles,
)
from cagecheck.tuning.tune import tune
from cagecheck.tuning.write import tuning_document
from tests.scenes.tuning import surface_of

SIDES = 6


def pit(gap: float | None = None) -> LowPoly:
    """A pit of six sides; with a gap its deepest corner is doubled, that far up one of them."""
    angle = 2 * np.pi * np.arange(SIDES) / SIDES
    rim = np.stack([np.cos(angle), np.sin(angle), np.ones(SIDES)], axis=1)
    points = np.concatenate([[[0.0, 0, 0]], rim])
    faces = [[0, 1 + k, 1 + (k + 1) % SIDES] for k in range(SIDES)]
    if gap is not None:
        points = np.concatenate([points, [gap * points[faces[0]][1:].mean(axis=0)]])
        a, b, c = faces[0]
        new = len(points) - 1
        faces = [[new, b, c], [a, b, new], [a, new, c], *faces[1:]]
    return prepare_low(mesh_from_polygons(points, faces))


def crossing_count(low: LowPoly, offset: float) -> tuple[int, int]:
    cage = cage_from_offset(low, offset)
    assert cage.positions is not None
    found = cage_crossings(low, cage.positions)
    return len(found.triangle), crossings_at_needles(low, found)


@pytest.mark.parametrize(("gap", "count"), [(None, 0), (0.3, 0), (1e-3, 2), (1e-6, 2)])
def test_needles_are_triangles_of_next_to_no_height(gap: float | None, count: int) -> None:
    low = pit(gap)
    assert int(needles(low).sum()) == count
    # All triangles meet in the corner that was doubled.
    assert beside_needles(low).all() == (count > 0)
    corner = low.positions[low.triangles]
    edge = np.linalg.norm(corner - np.roll(corner, 1, axis=1), axis=2)
    height = 2 * low.area / edge.max(axis=1)
    assert ((height <= NEEDLE_HEIGHT * edge.max(axis=1)) == needles(low)).all()


def test_a_cage_crosses_itself_at_a_needle_at_distances_where_it_else_does_not() -> None:
    for offset in (1e-3, 1e-2, 0.1):
        assert crossing_count(pit(), offset) == (0, 0)
        every, at = crossing_count(pit(1e-6), offset)
        assert every == at > 0


def test_the_notice_says_which_share_is_the_low_polys_own() -> None:
    clean, low = pit(), pit(1e-6)
    for one in (clean, low):
        cage = cage_from_offset(one, 0.05)
        assert cage.positions is not None
        shell, crossings = check_shell(one, cage), cage_crossings(one, cage.positions)
        told = needle_notice(one, shell, crossings)
        if one is clean:
            assert told == ()
            continue
        (notice,) = told
        places, folds = len(crossings.triangle), int(shell.folded.sum())
        assert notice.code == "needles" and notice.count == 2
        assert notice.text.startswith("2 triangles of the low poly's 8 are needles, ")
        assert f"are {places} of the {places} place" in notice.text
        assert f"and {folds} of its {folds} fold" in notice.text


def test_tune_tells_of_needles() -> None:
    settings = Settings(samples=2_000, unseen_points=0, offset=0.05, depth=0.05)
    for low, expected in ((pit(), 0), (pit(1e-6), 1)):
        found = tune(low, surface_of(pit().mesh), settings=settings)
        assert [n.code for n in found.notices].count("needles") == expected
        written = tuning_document(found, [])
        assert written["cage_crossings_at_needles"] == written["cage_crossings"]
        assert (written["cage_crossings"] > 0) == (expected > 0)
