"""Groups of linked things, against SciPy's connected components."""

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.components import connected


@pytest.mark.parametrize("seed", range(20))
def test_groups_and_their_numbers_are_those_of_scipy(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 200))
    first, second = rng.integers(0, n, (2, int(rng.integers(0, 2 * n))))
    graph = coo_array((np.ones(len(first), np.int8), (first, second)), shape=(n, n))
    count, group = connected(n, first, second)
    expected, labels = connected_components(graph, directed=False)
    assert count == expected
    np.testing.assert_array_equal(group, labels)


def test_a_long_chain_from_either_end():
    chain = np.arange(100_000)
    assert connected(len(chain), chain[:-1], chain[1:])[0] == 1
    assert connected(len(chain), chain[:0:-1], chain[-2::-1])[0] == 1


def test_nothing_at_all():
    none = np.zeros(0, np.int64)
    assert connected(0, none, none)[0] == 0
    assert connected(3, none, none)[1].tolist() == [0, 1, 2]
