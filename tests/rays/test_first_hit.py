"""First hits, which bakes of maps use, against the layer table and other engines."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.rays import NO_LAYER, Scene
from cagecheck.rays.first_hit import DOUBTFUL, MISSED
from cagecheck.rays.tree_caster import TreeCaster
from tests.rays.test_layers import random_rays, tangled_scene
from tests.scenes.shapes import edge_gap, plane_high, surface

pytestmark = pytest.mark.usefixtures("engine")

UP = np.array([[0.0, 0.0, 1.0]])


def recorded_by_table(scene, origin, direction, start, depth):
    table = scene.cast(origin, direction, depth, np.maximum(start, 0.0))
    row = table.recorded(start)
    hit = row != NO_LAYER
    face, t = np.full(len(row), MISSED), np.full(len(row), np.nan)
    face[hit], t[hit] = table.face[row[hit]], table.t[row[hit]]
    return face, t


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), depth=st.floats(0.0, 1.0))
def test_first_hits_are_what_the_table_records(seed, depth):
    scene = Scene(tangled_scene(seed))
    origin, direction = random_rays(seed, 500)
    # Starts on both sides of the low poly, some of them exactly on a crossing.
    start = np.random.default_rng([seed, 3]).uniform(-depth, 1.0, 500)
    table = scene.cast(origin, direction, depth, 1.0)
    some = np.flatnonzero(np.diff(table.first))[::3]
    start[some] = table.t[table.first[some]]
    face, t = recorded_by_table(scene, origin, direction, start, depth)
    hits = scene.first_hits(origin, direction, start, depth)
    assert np.array_equal(hits.face, face)
    assert np.array_equal(hits.t, t, equal_nan=True)


def test_on_shared_edges_the_distance_is_the_same():
    """Rays through vertices and edges may name either face there, at the same place."""
    ball = trimesh.creation.icosphere(4)
    high = surface(ball.vertices, ball.faces)
    scene = Scene(high)
    middle = ball.vertices[ball.edges_unique].mean(axis=1)
    outward = np.concatenate([ball.vertices, middle])
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    start = np.full(len(outward), 1.5)
    hits = scene.first_hits(0 * outward, outward, start, 0.0)
    expected = np.linalg.norm(np.concatenate([ball.vertices, middle]), axis=1)
    assert (hits.face >= 0).all(), "no ray slips through a closed surface"
    assert np.allclose(hits.t, expected, atol=1e-6)
    face, _ = recorded_by_table(scene, 0 * outward, outward, start, 0.0)
    for i in np.flatnonzero(face != hits.face):
        assert edge_gap(high, 0 * outward[i], outward[i]) < 1e-6


def test_a_ray_starts_below_what_lies_above_its_start():
    scene = Scene(plane_high([0.0, 0.3, 0.6]))
    origin = np.array([[0.1, 0.2, 0.0]])
    for start, expected in (
        (1.0, 0.6),
        (0.6, 0.6),  # a face exactly at the start is recorded
        (0.6 - 1e-9, 0.3),  # float32 cannot tell this start from the face
        (0.1, 0.0),
        (-0.1, np.nan),
    ):
        hits = scene.first_hits(origin, UP, np.array([start]), 0.5)
        assert hits.t[0] == pytest.approx(expected, abs=1e-12, nan_ok=True)
        assert (hits.face[0] == MISSED) == np.isnan(expected)


def test_a_face_a_hair_below_the_start_is_never_jumped_over():
    """The start is rounded to float32; what lies between the two starts must not be lost."""
    scene = Scene(plane_high([0.0, 0.3], n=1, size=3.0))
    rng = np.random.default_rng(4)
    origin = np.column_stack([rng.uniform(-0.5, 0.5, (5000, 2)), rng.uniform(-0.3, 0.0, 5000)])
    slant = np.column_stack([rng.uniform(-0.5, 0.5, (5000, 2)), np.ones(5000)])
    direction = slant / np.linalg.norm(slant, axis=1, keepdims=True)
    top = (0.3 - origin[:, 2]) / direction[:, 2]
    hits = scene.first_hits(origin, direction, top + 1e-12, 0.0)
    assert np.allclose(hits.t, top, atol=1e-12)


def test_depth_ends_the_ray():
    scene = Scene(plane_high([-0.5]))
    origin, start = np.array([[0.1, 0.2, 0.0]]), np.array([0.2])
    assert scene.first_hits(origin, UP, start, 0.5).t[0] == -0.5
    assert scene.first_hits(origin, UP, start, 0.5 - 1e-9).face[0] == MISSED
    assert scene.first_hits(origin, UP, start, 0.4).face[0] == MISSED


def test_the_open_border_is_hit():
    """A ray that runs exactly along the rim of an open sheet counts as meeting it."""
    scene = Scene(plane_high([0.0], size=1.5))
    rim = np.array([[0.75, y, 0.0] for y in np.linspace(-0.7, 0.7, 50)])
    hits = scene.first_hits(rim, np.repeat(UP, 50, axis=0), np.full(50, 0.1), 0.1)
    assert (hits.face >= 0).all() and np.allclose(hits.t, 0)


def test_threads_and_blocks_do_not_change_the_answer(monkeypatch):
    monkeypatch.setattr("cagecheck.rays.scene.BLOCK", 2000)
    high = tangled_scene(5, 2000)
    origin, direction = random_rays(5, 2 * 2000 + 1003)
    start = np.full(len(origin), 0.7)
    one = Scene(high, threads=1).first_hits(origin, direction, start, 1.0)
    two = Scene(high, threads=2).first_hits(origin, direction, start, 1.0)
    assert np.array_equal(one.face, two.face) and np.array_equal(one.t, two.t, equal_nan=True)
    assert not (one.face == DOUBTFUL).any()


def test_the_slower_engine_answers_the_same():
    high = tangled_scene(7)
    fast, slow = Scene(high), Scene(high)
    slow._caster = TreeCaster(slow.surface.positions, slow.triangles, slow.centre, slow.scale)
    origin, direction = random_rays(7, 2000)
    start = np.full(2000, 0.6)
    ours = fast.first_hits(origin, direction, start, 0.5)
    theirs = slow.first_hits(origin, direction, start, 0.5)
    for i in np.flatnonzero(ours.face != theirs.face):
        assert edge_gap(high, origin[i], direction[i]) < 1e-5
    same = ours.face == theirs.face
    assert same.mean() > 0.99
    assert np.allclose(ours.t[same], theirs.t[same], atol=1e-9, equal_nan=True)


def test_no_rays():
    hits = Scene(plane_high([0.0])).first_hits(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), 1.0)
    assert len(hits.face) == len(hits.t) == 0
