"""The nearest points, against SciPy's k-d tree."""

import itertools

import numpy as np
import pytest
from scipy.spatial import cKDTree

from cagecheck.arrays.morton import coherent_order
from cagecheck.arrays.near_points import (
    RUN,
    nearest_of,
    nearest_point,
    nearest_points,
    room_for_search,
    tree_over,
)

RNG = np.random.default_rng(11)


def cloud(kind, n):
    if kind == "ball":
        out = RNG.normal(size=(n, 3))
        return out / np.linalg.norm(out, axis=1)[:, None]
    if kind == "line":
        return np.outer(np.linspace(0, 1, n), [1.0, 0.2, 0.0])
    if kind == "one place":
        return np.tile([[0.25, 0.5, 0.125]], (n, 1))
    return RNG.uniform(size=(n, 3)) * [1.0, 1e-3, 10.0]


@pytest.mark.parametrize("kind", ["ball", "line", "one place", "slab"])
@pytest.mark.parametrize("n", [1, 2, RUN, RUN + 1, 37, 5000])
@pytest.mark.parametrize("ordered", [True, False])
def test_distances_are_those_of_a_k_d_tree(kind, n, ordered):
    points = cloud(kind, n)
    if ordered:
        points = np.ascontiguousarray(points[coherent_order(points)])
    asked = np.concatenate([points[:20], RNG.normal(size=(30, 3)), [[1e3, 0, 0]]])
    k = min(5, n)
    tree, room = tree_over(points), room_for_search()
    guess = int(RNG.integers(n))
    expected = cKDTree(points).query(asked, k=k)[0].reshape(len(asked), k)
    square, index = np.empty(k), np.empty(k, np.int64)
    for place, wanted in zip(asked, expected, strict=True):
        nearest_points(tree, *place, square, index, *room)
        np.testing.assert_array_equal(np.sqrt(square), wanted)
        np.testing.assert_allclose(np.linalg.norm(points[index] - place, axis=1), wanted)
        assert len(set(index)) == k
        least, guess = nearest_point(tree, *place, guess, *room)
        assert np.sqrt(least) == wanted[0]
        np.testing.assert_allclose(np.linalg.norm(points[guess] - place), wanted[0])
    distance, _ = nearest_of(tree, asked, 5)
    np.testing.assert_array_equal(distance, expected)


def test_more_neighbours_than_points_leaves_the_rest_open():
    tree = tree_over(np.zeros((2, 3)))
    square, index = np.empty(4), np.empty(4, np.int64)
    nearest_points(tree, 1.0, 0.0, 0.0, square, index, *room_for_search())
    assert square.tolist() == [1.0, 1.0, np.inf, np.inf]
    assert sorted(index.tolist()) == [-1, -1, 0, 1]


def test_boxes_hold_their_points_and_runs_cover_all():
    points = cloud("ball", 3000)
    tree = tree_over(points)
    leaves = np.flatnonzero(tree.child == 0)
    runs = sorted((int(tree.begin[n]), int(tree.end[n])) for n in leaves)
    assert runs[0][0] == 0 and runs[-1][1] == len(points)
    assert all(a[1] == b[0] for a, b in itertools.pairwise(runs))
    for row in range(len(tree.box)):
        mine = points[tree.begin[row] : tree.end[row]]
        np.testing.assert_array_equal(tree.box[row], [*mine.min(axis=0), *mine.max(axis=0)])
