"""Small sums of the prisms that watched places lie in, against linear algebra by numpy."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.rays.cage import cage_from_push
from cagecheck.tuning.peaks import CELLS, _nearest_per_cell
from cagecheck.tuning.prisms import Located, _det, locate, prisms_of
from tests.scenes.shapes import as_low


def test_determinants() -> None:
    rng = np.random.default_rng(2)
    for matrix in rng.normal(size=(20, 3, 3)):
        rows = [tuple(map(float, row)) for row in matrix]
        assert _det(*rows) == pytest.approx(np.linalg.det(matrix), rel=1e-12)


def test_places_in_a_prism_are_where_their_rays_run() -> None:
    """Over a triangle whose cage flares out: place = corner mix + t * unit of the offset mix."""
    corner = np.array([[0, 0, 0], [2, 0, 0], [0, 3, 0]], float)
    low = as_low(corner, [[0, 1, 2]])
    push = np.array([0.5, 0.8, 0.3])
    cage = cage_from_push(low, push)
    prisms = prisms_of(low, cage, "cage")
    rng = np.random.default_rng(4)
    weight, t = rng.dirichlet(np.ones(3), 50), rng.uniform(-0.1, 0.4, 50)
    along = weight @ cage.displacement[0]
    along /= np.linalg.norm(along, axis=1)[:, None]
    order = low.triangles[0]
    place = weight @ low.positions[order] + t[:, None] * along
    found = locate(prisms, place, np.zeros(50, np.int32))
    assert np.allclose(found.barycentric, weight, atol=1e-9)
    assert np.allclose(found.t, t, atol=1e-9) and found.missed.max() < 1e-9
    assert np.allclose(found.start, weight @ push[order], atol=1e-9)


def test_of_the_places_in_one_cell_the_nearest_is_kept() -> None:
    """Cells cut a triangle's first two weights in eighths; cells that follow each other are two."""
    middle = (np.arange(CELLS) + 0.5) / CELLS
    # Two triangles, two neighbouring cells of each, three places in every cell.
    at = [(f, 0.5 / CELLS, middle[k]) for f in (0, 1) for k in (2, 3) for _ in range(3)]
    weight = np.array([[a, b, 1 - a - b] for _, a, b in at])
    triangle = np.array([f for f, *_ in at], np.int32)
    none = np.zeros(12)
    room = np.tile([0.3, 0.1, 0.2], 4)
    located = Located(triangle, weight, none, none, none)
    found = _nearest_per_cell(located, room, np.ones(12, bool))
    assert found.triangle.tolist() == [0, 0, 1, 1]
    assert np.array_equal(found.barycentric, weight[[1, 4, 7, 10]])
    # Without the nearest the next one stands for its cell.
    found = _nearest_per_cell(located, room + np.arange(12) * 1e-3, np.arange(12) % 3 != 1)
    assert np.array_equal(found.barycentric, weight[[2, 5, 8, 11]]) and len(found) == 4
