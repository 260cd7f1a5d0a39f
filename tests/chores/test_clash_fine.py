"""Pieces of finely cut triangles, against cutting each piece by itself."""

import numpy as np
import pytest

from cagecheck.arrays.rows import distinct_points
from cagecheck.chores.clash.deepest import in_four
from cagecheck.chores.clash.fine import FINEST, MOST_CUTS, MOST_PIECES, cut_finely


def one_by_one(triangles):
    """Cut whatever is too long, piece by piece, until nothing is or there are too many."""
    done, origins, origin, room = [], [], np.arange(len(triangles)), MOST_PIECES
    for _ in range(MOST_CUTS):
        edges = np.linalg.norm(triangles - np.roll(triangles, -1, axis=1), axis=2).max(axis=1)
        large = edges > FINEST
        if 4 * int(large.sum()) > room:
            break
        done.append(triangles[~large])
        origins.append(origin[~large])
        triangles, origin = in_four(triangles[large]), np.repeat(origin[large], 4)
        room -= len(done[-1])
    return np.concatenate([*done, triangles]), np.concatenate([*origins, origin])


@pytest.mark.parametrize(("count", "size"), [(300, 0.01), (40, 0.2), (3000, 0.05), (0, 1.0)])
def test_pieces_are_those_of_cutting_each_by_itself(count, size):
    rng = np.random.default_rng(count)
    place = rng.uniform(-0.5, 0.5, (count, 1, 3))
    triangles = place + rng.uniform(0.1, 1, (count, 1, 1)) * rng.normal(0, size, (count, 3, 3))
    fine = cut_finely(triangles)
    pieces, _ = one_by_one(triangles)
    assert np.array_equal(fine.places[fine.corners], pieces)


def test_neighbours_share_the_places_of_their_edge():
    """Two triangles of n times n pieces have (n + 1)^2 places together: the square's lattice."""
    a, b, c, d = (
        np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]) * 0.9 * 8 * FINEST / 2**0.5
    )
    fine = cut_finely(np.array([[a, b, c], [a, c, d]]))
    assert len(fine.corners) == 2 * 64 and len(fine.places) == 81
    assert set(fine.owner.tolist()) == {0, 1}
    corners = np.unique(fine.corners[:64])
    assert np.array_equal(np.unique(fine.at[fine.owner == 0]), corners)


def test_equal_points_are_one_and_others_are_not():
    rng = np.random.default_rng(3)
    points = rng.integers(-3, 4, (500, 3)) * 0.1
    first, number = distinct_points(points)
    assert (np.diff(first) > 0).all() and np.array_equal(points[first][number], points)
    assert len(first) == len(np.unique(points, axis=0)) < 343
