"""Points on the low poly and the rays they get through a cage."""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.errors import InputError
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.rays import (
    PointKind,
    cage_from_mesh,
    cage_from_offset,
    cage_from_push,
    coherent_order,
    rays_through,
    sample_points,
    spacing_for_count,
)
from cagecheck.rays.cage import touching_distance
from tests.scenes.shapes import as_low, box, plane_low, prism


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000), count=st.integers(1, 20_000))
def test_areas_add_up_and_points_lie_inside(seed, count):
    low = as_low(*box((0, 0, 0), (1, 2, 3)))
    points = sample_points(low, spacing_for_count(low, count), seed=seed)
    assert points.area.sum() == pytest.approx(22.0, rel=1e-12)
    assert points.barycentric.min() >= -1e-12
    assert np.allclose(points.barycentric.sum(axis=1), 1)
    assert set(np.unique(points.triangle)) == set(range(len(low.triangles)))
    assert np.all(points.area[points.kind != PointKind.INTERIOR] == 0)


def test_count_is_about_what_was_asked_for():
    low = as_low(*box((0, 0, 0), (1, 2, 3)))
    points = sample_points(low, spacing_for_count(low, 50_000), edges=False)
    assert 50_000 <= len(points) <= 50_000 * 1.01


def test_quasi_random_points_integrate_better_than_random_ones():
    """Basu and Owen 2015: discrepancy falls like 1/N times a logarithm, not like 1/sqrt(N)."""
    low = plane_low()
    exact = 1 / 12  # the mean of x^2 over [-1/2, 1/2]
    errors = []
    for seed in range(8):
        points = sample_points(low, spacing_for_count(low, 4096), seed=seed, edges=False)
        x = points.positions(low)[:, 0]
        errors.append(abs(np.average(x**2, weights=points.area) - exact))
    random_error = np.sqrt((1 / 80 - 1 / 144) / 4096)
    assert np.mean(errors) < 0.2 * random_error


def test_seed_moves_the_points_and_repeats():
    low = plane_low()
    first, again = (sample_points(low, 0.03, seed=1) for _ in range(2))
    other = sample_points(low, 0.03, seed=2)
    assert np.array_equal(first.barycentric, again.barycentric)
    assert not np.array_equal(first.barycentric, other.barycentric)


def test_every_welded_edge_and_vertex_is_watched_once():
    low = as_low(*box((0, 0, 0), (1, 1, 1)))
    points = sample_points(low, 10.0)
    assert (points.kind == PointKind.VERTEX).sum() == 8
    assert (points.kind == PointKind.EDGE).sum() == 12 + 6  # box edges and face diagonals


def test_slivers_get_points_along_their_length():
    low = as_low([[0, 0, 0], [1, 0, 0], [1, 1e-4, 0]], [[0, 1, 2]])
    points = sample_points(low, 0.01)
    assert (points.kind == PointKind.INTERIOR).sum() >= 50
    assert np.diff(np.sort(points.positions(low)[:, 0])).max() < 0.02


def test_morton_order_keeps_neighbours_near():
    rng = np.random.default_rng(0)
    p = rng.uniform(size=(20_000, 3))
    step = np.linalg.norm(np.diff(p[coherent_order(p)], axis=0), axis=1)
    assert np.median(step) < 0.1 * np.median(np.linalg.norm(np.diff(p, axis=0), axis=1))


def test_rays_of_a_uniform_cage_on_a_prism():
    """Mid-face of an n-gon prism the pushed face lies offset * cos(pi / n) out (plane geometry)."""
    n, offset = 6, 0.25
    positions, quads = prism(n)
    low = as_low(positions, quads)
    points = sample_points(low, 0.05)
    rays = rays_through(low, cage_from_offset(low, offset), points)
    assert np.allclose(np.linalg.norm(rays.direction, axis=1), 1)
    middle = np.argmin(
        np.linalg.norm(rays.origin - low.positions[low.triangles[0]][[0, 1]].mean(0), axis=1)
    )
    near = np.abs(rays.start - offset * np.cos(np.pi / n)).min()
    assert near < 1e-3 and rays.start.max() <= offset + 1e-12
    assert rays.start[middle] < offset


def test_cage_mesh_gives_the_same_rays_as_the_offset_it_was_made_with():
    low = as_low(*box((0, 0, 0), (1, 1, 1)))
    points = sample_points(low, 0.1)
    cage = cage_from_offset(low, 0.2)
    mesh = low.mesh.with_positions(cage.positions)
    a, b = rays_through(low, cage, points), rays_through(low, cage_from_mesh(low, mesh), points)
    assert np.allclose(a.direction, b.direction) and np.allclose(a.start, b.start)
    c = rays_through(low, cage_from_push(low, np.full(8, 0.2)), points)
    assert np.allclose(a.start, c.start)


def test_rays_along_normals_keep_their_direction_under_an_uneven_cage():
    low = plane_low(2)
    push = np.linspace(0, 0.3, low.mesh.vertex_count)
    cage = cage_from_push(low, push)
    points = sample_points(low, 0.1)
    along = rays_through(low, cage, points, "normals")
    assert np.allclose(along.direction, [0, 0, 1])
    assert np.allclose(along.start, rays_through(low, cage, points).start)


@pytest.mark.parametrize("scale", [2.0**-30, 1.0, 2.0**30])
def test_what_counts_as_touching_goes_with_the_size_of_the_low_poly(scale):
    """It is a matter of rounding, which is relative: a few units in the last place."""
    low = plane_low(size=2 * scale)
    assert 2 * np.spacing(scale) < touching_distance(low) < 16 * np.spacing(scale)


def test_cage_inside_the_low_poly_starts_below_it():
    low = plane_low()
    rays = rays_through(low, cage_from_push(low, np.full(4, -0.1)), sample_points(low, 0.2))
    assert np.allclose(rays.direction, [0, 0, 1]) and np.allclose(rays.start, -0.1)


def test_cages_that_do_not_fit_say_so():
    low = plane_low()
    ball = trimesh.creation.icosphere(1)
    with pytest.raises(InputError, match="42 vertices"):
        cage_from_mesh(low, mesh_from_polygons(ball.vertices, ball.faces))
    other = mesh_from_polygons(low.positions, [[1, 2, 3, 0]])
    with pytest.raises(InputError, match="other vertices"):
        cage_from_mesh(low, other)
    with pytest.raises(InputError, match="3 vertices"):
        cage_from_push(low, np.zeros(3))
    with pytest.raises(InputError, match="not numbers"):
        cage_from_push(low, np.array([0, 0, np.nan, 0]))
