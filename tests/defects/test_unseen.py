"""What no ray records, against plain loops and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.defects.unseen import HITS_LOOKED_AT, LEAST_COSINE, SEEN_SPACINGS, sample_high
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from tests.predicting.test_against_oracle import predicted, scene
from tests.scenes.shapes import as_low, box, halves, surface


def test_points_are_spread_evenly_over_triangles_of_any_size():
    """Areas from 1 to 10^6; a point's share of area falls in the triangle it stands for."""
    rng = np.random.default_rng(5)
    corners = rng.normal(size=(60, 3, 3)) * 10 ** rng.uniform(0, 3, (60, 1, 1))
    high = surface(corners.reshape(-1, 3), np.arange(180).reshape(-1, 3))
    area = trimesh.triangles.area(corners)
    count = 50_000
    points = sample_high(high, count, seed=1)
    assert points.area.sum() == pytest.approx(area.sum())
    # One point in every equal share of the area, so a triangle is off by less than two.
    wanted = count * area / area.sum()
    assert (np.abs(np.bincount(points.face, minlength=60) - wanted) < 2).all()
    weights = trimesh.triangles.points_to_barycentric(corners[points.face], points.position)
    assert weights.min() > -1e-9 and np.allclose(weights.sum(axis=1), 1)
    # Uniform over a triangle a weight has mean 1/3 and mean square 1/6 (a Dirichlet law of ones).
    assert np.allclose(weights.mean(axis=0), 1 / 3, atol=0.005)
    assert np.allclose((weights**2).mean(axis=0), 1 / 6, atol=0.005)
    assert np.array_equal(points.position, sample_high(high, count, seed=1).position)
    assert not np.array_equal(points.position, sample_high(high, count, seed=2).position)


def test_a_surface_without_area_has_no_points():
    flat = surface(np.zeros((3, 3)), [[0, 1, 2]])
    assert len(sample_high(flat, 100).face) == 0


@pytest.mark.parametrize("thickness", [0.2, 0.02, 0.002, 0.0002])
def test_both_sides_of_a_thin_wall_are_seen(thickness):
    """Far thinner than the samples are apart, so that hits of both sides lie among each other."""
    positions, quads = box((-0.5, -0.5, -thickness / 2), (0.5, 0.5, thickness / 2))
    fine = trimesh.Trimesh(positions, halves(quads), process=False)
    for _ in range(3):
        fine = fine.subdivide()
    result = predict(
        as_low(positions, quads), surface(fine.vertices, fine.faces),
        settings=Settings(offset=0.01, depth=0.4 * thickness, samples=8000, unseen_points=8000),
    )  # fmt: skip
    assert not result.unseen.lost.any() and result.clean


@settings(max_examples=10, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6))
def test_seen_is_what_a_hit_lies_near_on_its_own_side(seed):
    """Every high-poly point against every recorded hit."""
    model, bake = scene(seed)
    result = predicted(model, bake, seed, unseen_points=400)
    unseen, rays, points = result.unseen, result.rays, result.points
    corners = model.high[model.high_triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    hit = np.flatnonzero(result.findings.recorded >= 0)
    face = result.layers.face[result.findings.recorded[hit]]
    place = rays.origin[hit] + result.findings.hit_distance[hit, None] * rays.direction[hit]
    lean = np.abs(np.einsum("ij,ij->i", normal[face], rays.direction[hit]))
    reach = SEEN_SPACINGS * points.spacing[hit] / np.maximum(lean, LEAST_COSINE)
    away = np.linalg.norm(unseen.points.position[:, None] - place[None], axis=2)
    same_side = normal[unseen.points.face] @ normal[face].T > 0
    near = ((away <= reach[None]) & same_side).any(axis=1)
    assert np.allclose(unseen.gap, away.min(axis=1, initial=np.inf))
    assert not (unseen.seen & ~near).any(), "seen by what is near"
    # Of many hits around a point only the nearest are looked at, so that the far reach of a slanted
    # one may be overlooked where nearer ones do not reach. More are where another side is among
    # them; of those looked at none is overlooked.
    asked = np.ones(len(away), bool)
    for count in HITS_LOOKED_AT:
        next_away = np.sort(away, axis=1)[:, count : count + 1]
        looked_at = away < (next_away if next_away.size else np.inf)
        reached = (looked_at & (away <= reach[None]) & same_side).any(axis=1)
        assert unseen.seen[asked & reached].all()
        asked &= (looked_at & ~same_side).any(axis=1)
    kept = model.paired.any(axis=0)[model.high_part]
    assert kept[unseen.points.face].all()
