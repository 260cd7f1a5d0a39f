"""Watched places are looked at through and just beside, so that no rim of a step is missed."""

from __future__ import annotations

import numpy as np

from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.rays.cage import cage_from_push, rays_through
from cagecheck.rays.scene import Scene
from cagecheck.tuning.peaks import BESIDE, BESIDE_POINTS, Peaks, with_beside
from cagecheck.tuning.prisms import points_at, prisms_of
from tests.scenes.tuning import bumpy_pair, sheet
from tests.tuning.test_mend import search_of
from tests.tuning.test_moves import FLAT, STEP, STEP_FROM, scene


def test_points_beside_lie_at_their_distance_towards_and_away_from_the_corners() -> None:
    low = prepare_low(sheet(2, lambda x, y: 0.3 * x))
    rng = np.random.default_rng(1)
    inner = 0.1 + 0.7 * rng.dirichlet([2.0, 2.0, 2.0], 20)
    triangle = rng.integers(0, len(low.triangles), 20).astype(np.int32)
    distance = 1e-3
    points = points_at(triangle, inner)
    beside = with_beside(low, points, distance)
    assert len(beside) == BESIDE_POINTS * len(points) and not beside.area.any()
    place = beside.positions(low).reshape(BESIDE_POINTS, 20, 3)
    assert np.abs(place[0] - points.positions(low)).max() < 1e-15
    moved = place[1:] - place[0]
    assert np.abs(np.linalg.norm(moved, axis=2) - distance).max() < 1e-12
    corners = low.positions[low.triangles[triangle]]
    for corner in range(3):
        way = corners[:, corner] - place[0]
        way /= np.linalg.norm(way, axis=1)[:, None]
        assert np.abs(moved[2 * corner] - distance * way).max() < 1e-12
        assert np.abs(moved[2 * corner + 1] + distance * way).max() < 1e-12


def test_points_beside_stay_within_their_triangle() -> None:
    low = prepare_low(sheet(1, lambda x, y: 0 * x))
    edge = np.array([[1.0, 0.0, 0.0], [0.5, 0.5, 0.0], [0.0, 1e-9, 1 - 1e-9]])
    for distance in (1e-6, 10.0):
        w = with_beside(low, points_at(np.zeros(3, np.int32), edge), distance).barycentric
        assert (w >= 0).all() and np.abs(w.sum(axis=1) - 1).max() < 1e-12


def test_the_rim_of_a_step_is_met_beside_where_a_ray_through_it_may_slip_by() -> None:
    """Rays straight up through the rim at x = 0.5: the wall below it runs along them."""
    low, high, _ = scene(("a", "b"))
    y = np.random.default_rng(5).uniform(0.05, 0.95, 200)
    # Plate a is the unit square in two triangles; the first has the corners (0, 0), (1, 0), (1, 1).
    first = low.positions[low.triangles[0]]
    y = np.where(y < 0.5, y, y - 0.5) * 0.9 + 0.01
    place = np.stack([np.full(200, STEP_FROM), y, np.zeros(200)], axis=1)
    w = np.linalg.solve(np.vstack([first[:, :2].T, np.ones(3)]), [*place[:, :2].T, np.ones(200)]).T
    assert (w >= 0).all()
    casting = Scene(high)
    points = with_beside(low, points_at(np.zeros(200, np.int32), w), BESIDE * casting.scale)
    cage = cage_from_push(low, np.full(low.mesh.vertex_count, 0.15))
    rays = rays_through(low, cage, points, "cage")
    layers = casting.cast(rays.origin, rays.direction, 0.2, 0.5)
    top = np.full(len(points), -np.inf)
    np.maximum.at(top, layers.ray, layers.t)
    met = np.abs(top - STEP) < 1e-9
    assert (met | (np.abs(top - FLAT) < 1e-9)).all()
    assert met.reshape(BESIDE_POINTS, -1).any(axis=0).all()


def test_places_near_a_cage_that_changed_in_part_are_those_found_anew() -> None:
    """What is kept of the last cage and what is found for the rest are all that there is."""
    low, high = bumpy_pair(5, count=12)
    search = search_of(low, high)
    search.offsets = np.full(low.position_count, 0.04)

    def near(peaks: Peaks) -> list[tuple[float, ...]]:
        points = peaks.points(prisms_of(low, search.cage()), 0.02)
        return sorted(zip(points.triangle, *points.barycentric.round(12).T, strict=True))

    kept = Peaks(search.matcher)
    before = near(kept)
    search.offsets = search.offsets.copy()
    search.offsets[:9] += 0.01
    after = near(kept)
    assert after == near(Peaks(search.matcher)) != before
    assert set(after) & set(before)
    assert near(kept) == after
