"""Which surface belongs to a point, and ways along the low poly."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh

from cagecheck.defects.kinds import Defect
from cagecheck.defects.surface_distance import DENSE_FACTOR, detour_ratio, surface_graph
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from tests.scenes.shapes import as_low, box, combined, grid, halves, prism, surface


def fingers(gap=0.08, cuts=5):
    """A palm with two fingers side by side, and the same shape finely cut and wrinkled."""
    palm = trimesh.creation.box(bounds=[[-1, -1, -0.3], [1, 0, 0.3]])
    left = trimesh.creation.box(bounds=[[-0.9, -0.05, -0.3], [-gap / 2, 2, 0.3]])
    right = trimesh.creation.box(bounds=[[gap / 2, -0.05, -0.3], [0.9, 2, 0.3]])
    hand = trimesh.boolean.union([palm, left, right], engine="manifold")
    fine = hand
    for _ in range(cuts):
        fine = fine.subdivide()
    wrinkled = fine.vertices + 0.004 * np.sin(40 * fine.vertices[:, [1, 2, 0]])
    return as_low(hand.vertices, hand.faces), surface(wrinkled, fine.faces)


@pytest.mark.parametrize(("coarse", "at_most"), [(2, 1.12), (4, 1.12)])
def test_ways_along_the_surface_against_exact_geodesics(coarse, at_most):
    """libigl's exact geodesic (Mitchell, Mount, Papadimitriou 1987) bounds ours from below."""
    ball = trimesh.creation.icosphere(coarse)
    r = 1 + 0.3 * np.sin(3 * ball.vertices[:, 0]) * np.cos(2 * ball.vertices[:, 1])
    low = as_low(ball.vertices * r[:, None], ball.faces)
    graph = surface_graph(low)
    faces = low.triangles.astype(np.int64)
    rng = np.random.default_rng(2)
    source = int(rng.integers(len(low.positions)))
    goals = rng.choice(len(low.positions), 60, replace=False)
    exact = igl.exact_geodesic(
        low.positions, faces, np.array([source]), np.zeros(0, np.int64), goals,
        np.zeros(0, np.int64),
    )  # fmt: skip
    home = np.array([np.flatnonzero((faces == v).any(axis=1))[0] for v in [source, *goals]])
    p = np.repeat(low.positions[[source]], len(goals), axis=0)
    q = low.positions[goals]
    ratio = detour_ratio(
        graph, np.full(len(goals), home[0], np.int32), p, home[1:].astype(np.int32), q, 20.0
    )
    chord = np.linalg.norm(p - q, axis=1)
    apart = ~np.array([np.intersect1d(faces[home[0]], faces[h]).size > 0 for h in home[1:]])
    walked, true = (ratio * chord)[apart], np.asarray(exact)[apart]
    # Where triangles are small against the way, it is measured from their centre.
    slack = graph.size[home[0]] if (chord > DENSE_FACTOR * graph.size[home[0]]).any() else 0.0
    assert (walked >= true * (1 - 1e-9) - slack).all()
    assert (walked <= true * at_most + slack).all() and apart.sum() > 40


def test_pairs_beyond_the_limit_are_infinitely_far():
    """Two sheets without any connection: no way leads across."""
    bottom, quads = grid(4, 1.0)
    top = bottom + [0, 0, 0.1]
    low = as_low(*combined((bottom, quads), (top, quads)))
    graph = surface_graph(low)
    p, q = np.array([[0.01, 0.02, 0.0]]), np.array([[0.01, 0.02, 0.1]])
    first, last = np.array([10], np.int32), np.array([42], np.int32)
    assert np.isinf(detour_ratio(graph, first, p, last, q, 50.0)).all()
    assert detour_ratio(graph, first, p, first, p + 0.001, 2.0).tolist() == [1.0]


@pytest.mark.parametrize("offset", [0.02, 0.1, 0.3])
def test_every_point_of_two_fingers_finds_its_own_surface(offset):
    low, high = fingers()
    settings = Settings(offset=offset, depth=0.012, samples=60_000, unseen_points=0)
    result = predict(low, high, settings=settings)
    counted = result.points.area > 0
    assert result.targets.found[counted].all()
    # The surface lies within the wrinkles, 0.004 a side, along rays of any slant up to 80 degrees.
    assert np.abs(result.targets.t[counted]).max() < 0.004 * np.sqrt(3) / np.cos(np.radians(80))
    over = result.findings.has(Defect.OVERSHOOT_OWN)
    assert np.array_equal(over[counted], (result.targets.t_next <= result.rays.start)[counted])
    assert over.any() == (offset == 0.3)


def test_a_stacked_fold_of_one_part_is_not_the_sheet_below():
    """A sheet folded over itself: both layers face up, far apart along the sheet."""
    n, length, height = 24, 2.0, 0.15
    u = np.linspace(0, 1, n + 1)
    radius = height / 2
    flat = length
    total = 2 * flat + np.pi * radius
    s = u * total
    x = np.where(s < flat, s, np.where(s > flat + np.pi * radius, 2 * flat + np.pi * radius - s,
                 flat + radius * np.sin((s - flat) / radius)))  # fmt: skip
    z = np.where(s < flat, 0, np.where(s > flat + np.pi * radius, height,
                 radius - radius * np.cos((s - flat) / radius)))  # fmt: skip
    row = np.stack([x, np.zeros_like(x), z], axis=1)
    strip = np.concatenate([row, row + [0, 1, 0]])
    k = np.arange(n)
    # The lower sheet faces up; folded over, the upper one faces down. A second skin faces up.
    quads = np.stack([k, k + 1, n + 2 + k, n + 1 + k], axis=1)
    skin = strip + [0, 0, 0.02]
    low = as_low(*combined((strip, quads), (skin, quads[:, ::-1])))
    high = surface(*combined((strip, halves(quads)), (skin, halves(quads[:, ::-1]))))
    settings = Settings(offset=0.005, depth=0.005, reach=0.4, samples=8000, unseen_points=0)
    result = predict(low, high, settings=settings)
    inner = (result.points.area > 0) & (result.rays.origin[:, 0] < 1.5)
    inner &= (result.rays.origin[:, 1] > 0.1) & (result.rays.origin[:, 1] < 0.9)
    assert result.targets.found[inner].mean() > 0.999
    assert np.abs(result.targets.t[inner]).max() < 1e-9


def test_floating_box_belongs_to_the_plate_under_it():
    plate, quads = grid(6, 2.0)
    lid = box((-0.2, -0.2, 0.05), (0.2, 0.2, 0.1))
    low = as_low(plate, quads)
    high = surface(*combined((plate, halves(quads)), (lid[0], halves(lid[1]))))
    settings = Settings(offset=0.12, depth=0.05, samples=8000, unseen_points=0)
    result = predict(low, high, settings=settings)
    under = (np.abs(result.rays.origin[:, :2]) < 0.199).all(axis=1)
    away = (np.abs(result.rays.origin[:, :2]) > 0.201).any(axis=1)
    assert np.allclose(result.targets.t[under], 0.1) and np.allclose(result.targets.t[away], 0.0)
    assert result.clean


def groove(width, depth, cuts=10, rows=8):
    """A flat strip with a V-shaped groove along y, finely cut: a low poly that follows a seam."""
    share = np.linspace(0, 1, cuts + 1)
    left = np.stack([-width / 2 * (1 - share), -depth * share], axis=1)
    right = (left * [-1, 1])[::-1][1:]
    profile = np.concatenate([[[-1, 0], [-0.6, 0]], left, right, [[0.6, 0], [1, 0]]])
    y = np.linspace(0, 1, rows + 1)
    x, z = (np.repeat(profile[:, k], rows + 1) for k in (0, 1))
    i, j = np.meshgrid(np.arange(len(profile) - 1), np.arange(rows), indexing="ij")
    a = (i * (rows + 1) + j).ravel()
    positions = np.stack([x, np.tile(y, len(profile)), z], axis=1)
    return positions, np.stack([a, a + rows + 1, a + rows + 2, a + 1], axis=1)


@pytest.mark.parametrize(("width", "depth"), [(0.4, 0.3), (0.6, 0.5)])
def test_a_groove_that_the_high_poly_bridges_records_the_lid(width, depth):
    """From deep in the groove the lid is nearest to the other wall, two to three times farther
    along the groove than through it: the detour alone does not tell, the samples around do."""
    low = as_low(*groove(width, depth))
    lid, quads = grid(4, 3.0)
    high = surface(lid + [0, 0.5, 0], halves(quads))
    settings = Settings(offset=0.05, depth=0.05, reach=1.5, samples=4000, unseen_points=0)
    result = predict(low, high, settings=settings)
    assert result.targets.doubtful.sum() > 100
    assert result.targets.found.all()
    up = -result.rays.origin[:, 2] / result.rays.direction[:, 2]
    assert np.allclose(result.targets.t, up, atol=1e-9)


def test_the_far_wall_is_no_target_where_pieces_run_into_each_other():
    """A bar through a drum, one part: beside the seam the high poly is nearer to the other piece.

    Samples there have no surface of their own, and must not be sent through to the far wall, which
    they see from within.
    """
    drum, bar = prism(32, 1.0, 2.0), box((0, -0.3, -0.3), (3, 0.3, 0.3))
    larger = prism(256, 1.03, 2.0), box((0, -0.33, -0.33), (3, 0.33, 0.33))
    low = as_low(*combined(drum, bar))
    positions, quads = combined(*larger)
    high = surface(positions, halves(quads))
    found = predict(
        low, high, settings=Settings(offset=0.1, depth=2.0, samples=20_000, unseen_points=0)
    ).targets
    assert found.found.mean() > 0.9 and found.front[found.found].mean() > 0.999
    assert np.abs(found.t[found.found]).max() < 0.2
