"""The lattice of the heat map shows, where no sample rounds to, the nearest sample."""

import numpy as np
import pytest

from cagecheck.arrays.types import Floats
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.rays.points import SurfacePoints
from cagecheck.report.heatmap import lay_lattice


def one_triangle() -> LowPoly:
    return prepare_low(mesh_from_polygons(np.eye(3), [[0, 1, 2]]))


def points_at(barycentric: Floats) -> SurfacePoints:
    n = len(barycentric)
    zeros = np.zeros(n, np.int32)
    return SurfacePoints(zeros, barycentric, np.ones(n), zeros.astype(np.uint8), np.ones(n))


@pytest.mark.parametrize("seed", range(8))
def test_empty_vertices_show_the_nearest_sample(seed: int) -> None:
    rng = np.random.default_rng(seed)
    # Bunched in a corner, so that most of the lattice has no sample of its own.
    barycentric = rng.dirichlet([8.0, 0.3 + seed, 0.3], 400)
    lattice = lay_lattice(one_triangle(), points_at(barycentric), np.arange(400))
    own = np.zeros(len(lattice.sample), bool)
    own[lattice.vertex_of_sample] = True
    assert (~own).sum() > 50
    # The triangle's corners are the unit vectors: a position is its barycentric coordinates.
    apart = np.linalg.norm(lattice.positions[~own, None] - barycentric[None], axis=2)
    shown = np.linalg.norm(lattice.positions[~own] - barycentric[lattice.sample[~own]], axis=1)
    np.testing.assert_allclose(shown, apart.min(axis=1), rtol=1e-12)
