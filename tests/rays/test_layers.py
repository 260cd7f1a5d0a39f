"""The layer table against fresh casts, closed forms and other engines."""

import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.meshes.mesh import Surface
from cagecheck.rays import NO_LAYER, Layers, Scene
from tests.rays.restarted import RestartCaster
from tests.scenes.shapes import edge_gap, plane_high, surface

pytestmark = pytest.mark.usefixtures("engine")


def tangled_scene(seed, triangles=400):
    """Random triangles of many sizes in a unit cube."""
    rng = np.random.default_rng(seed)
    centre = rng.uniform(-1, 1, (triangles, 1, 3))
    size = 10 ** rng.uniform(-2, 0, (triangles, 1, 1))
    corners = centre + size * rng.normal(size=(triangles, 3, 3))
    return surface(corners.reshape(-1, 3), np.arange(3 * triangles).reshape(-1, 3))


def random_rays(seed, n):
    rng = np.random.default_rng([seed, 9])
    direction = rng.normal(size=(n, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    return rng.uniform(-1, 1, (n, 3)), direction


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), d=st.floats(0.0, 1.0), depth=st.floats(0.05, 1.0))
def test_table_answers_like_a_fresh_cast_from_the_cage(seed, d, depth):
    """The defining identity: what is read off the table is what a cast from the cage hits."""
    high = tangled_scene(seed)
    scene = Scene(high)
    origin, direction = random_rays(seed, 300)
    table = scene.cast(origin, direction, 1.0, 1.0)
    recorded = table.recorded(d, depth)

    # An independent cast: from the cage inwards, first hit, by trimesh's own ray interface.
    mesh = trimesh.Trimesh(high.positions, high.triangles, process=False)
    caster = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh)
    start = origin + d * direction
    face = caster.intersects_first(start, -direction)
    normal = np.cross(*(np.diff(high.positions[high.triangles[face]], axis=1).swapaxes(0, 1)))
    height = np.einsum("ij,ij->i", normal, high.positions[high.triangles[face, 0]] - origin)
    t = height / np.einsum("ij,ij->i", normal, direction)
    hit = (face >= 0) & (t >= -depth)
    expected = np.where(hit, face, -1)
    found = np.where(recorded == NO_LAYER, -1, table.face[recorded])
    # Both engines are float32; a ray within rounding of an edge or of the start may differ.
    differ = np.flatnonzero(expected != found)
    assert len(differ) <= 2
    for i in differ:
        rows = slice(table.first[i], table.first[i + 1])
        assert _near_border(high, table, rows, origin[i], direction[i], t[i], d, depth)


def _near_border(high, table, rows, origin, direction, t, d, depth, rounding=1e-5):
    """Tell whether the ray comes within rounding of a triangle's edge or of the interval's end."""
    ends = np.abs(np.concatenate([table.t[rows], [t]])[:, None] - [d, -depth]).min() < rounding
    return bool(ends or edge_gap(high, origin, direction) < rounding)


def test_identity_on_a_smooth_scene_for_many_offsets():
    """On a closed surface with shared edges, no ray may differ at all."""
    ball = trimesh.creation.icosphere(4)
    inner = 0.9 * ball.vertices
    high = surface(
        np.concatenate([ball.vertices, inner]),
        np.concatenate([ball.faces, ball.faces[:, ::-1] + len(inner)]),
    )
    scene = Scene(high)
    direction = random_rays(1, 20_000)[1]
    origin = 0.95 * direction
    table = scene.cast(origin, direction, 0.2, 0.2)
    for d in np.random.default_rng(4).uniform(-0.1, 0.2, 10):
        recorded = table.recorded(d)
        fresh = scene.cast(origin + d * direction, direction, 0.2 + d, 0.0)
        again = fresh.recorded(0.0)
        assert np.array_equal(recorded == NO_LAYER, again == NO_LAYER)
        hit = recorded != NO_LAYER
        assert np.allclose(table.t[recorded[hit]], fresh.t[again[hit]] + d, atol=1e-9)


@pytest.mark.parametrize("scale", [1e-4, 1.0, 1e4, 1e8])
@pytest.mark.parametrize("shift", [0.0, 1e3])
def test_no_leaks_at_vertices_and_edges_at_any_scale(scale, shift):
    ball = trimesh.creation.icosphere(4)
    offset = np.array([shift, -2 * shift, 0.5 * shift]) * scale
    scene = Scene(surface(ball.vertices * scale + offset, ball.faces))
    rng = np.random.default_rng(3)
    corner = ball.vertices[rng.integers(0, len(ball.vertices), 20_000)]
    edge = ball.edges_unique[rng.integers(0, len(ball.edges_unique), 20_000)]
    w = rng.uniform(size=(20_000, 1))
    middle = w * ball.vertices[edge[:, 0]] + (1 - w) * ball.vertices[edge[:, 1]]
    direction = np.concatenate([corner, middle])
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    origin = np.zeros_like(direction) + offset
    table = scene.cast(origin, direction, 0.0, 2 * scale)
    count = np.diff(table.first)
    assert (count == 1).all(), "a closed surface is crossed exactly once from inside"
    assert table.front.all()


def test_two_shells_a_ten_millionth_apart_stay_two():
    high = plane_high([0.0, 1e-7])
    table = Scene(high).cast(np.array([[0.1, 0.2, 0.3]]), np.array([[0.0, 0, 1]]), 1.0, 1.0)
    assert np.diff(table.first)[0] == 2
    assert table.t[1] - table.t[0] == pytest.approx(1e-7, rel=1e-6)


def test_coincident_opposite_faces_are_both_kept():
    high = plane_high([0.0, 0.0], up=[True, False])
    table = Scene(high).cast(np.array([[0.1, 0.2, 0.3]]), np.array([[0.0, 0, 1]]), 1.0, 1.0)
    assert sorted(table.front.tolist()) == [False, True]


def test_more_layers_than_the_buffers_first_hold():
    heights = np.linspace(0, 1, 300)
    table = Scene(plane_high(list(heights), n=1)).cast(
        np.array([[0.1, 0.2, -0.5]]), np.array([[0.0, 0, 1]]), 0.0, 2.0
    )
    assert np.allclose(table.t, heights + 0.5, atol=1e-12)


def test_threads_and_blocks_do_not_change_the_answer(monkeypatch):
    monkeypatch.setattr("cagecheck.rays.scene.BLOCK", 2000)
    high = tangled_scene(5, 2000)
    origin, direction = random_rays(5, 2 * 2000 + 1000)
    one = Scene(high, threads=1).cast(origin, direction, 1.0, 1.0)
    two = Scene(high, threads=2).cast(origin, direction, 1.0, 1.0)
    for name in ("first", "t", "face", "front"):
        assert np.array_equal(getattr(one, name), getattr(two, name))


def test_against_embreex_own_classes_and_libigl():
    """Two other engines on the same rays: restarted embreex, and libigl's ray_mesh_intersect."""
    bumpy = trimesh.creation.icosphere(4)
    r = 1 + 0.1 * np.sin(7 * bumpy.vertices[:, 0]) * np.cos(5 * bumpy.vertices[:, 2])
    high = surface(bumpy.vertices * r[:, None], bumpy.faces)
    scene = Scene(high)
    origin, direction = random_rays(8, 3000)
    table = scene.cast(origin, direction, 3.0, 3.0)
    full = np.full(len(origin), 3.0)
    count, t, face, front = RestartCaster(
        scene.surface.positions, scene.triangles, scene.centre, scene.scale
    ).block(origin, direction, full, full)
    assert np.array_equal(count, np.diff(table.first))
    assert np.array_equal(face, table.face) and np.array_equal(front, table.front)
    assert np.allclose(t, table.t, atol=1e-9)
    for i in range(0, 3000, 30):
        begin = origin[i] - 3 * direction[i]
        hits = igl.ray_mesh_intersect(begin, direction[i], high.positions, high.triangles)
        theirs = sorted(h[1] for h in hits if h[1] <= 6)
        mine = table.t[table.first[i] : table.first[i + 1]] + 3
        assert np.allclose(theirs, mine, atol=2e-5)


def test_recorded_by_hand():
    table = Layers(
        first=np.array([0, 3, 3, 4]),
        t=np.array([-0.5, 0.1, 0.4, 0.2]),
        face=np.arange(4, dtype=np.int32),
        front=np.ones(4, bool),
        depth=np.ones(3),
        reach=np.ones(3),
    )
    assert table.recorded(0.3).tolist() == [1, -1, 3]
    assert table.recorded(0.4).tolist() == [2, -1, 3]
    assert table.recorded(0.0, 0.4).tolist() == [-1, -1, -1]
    assert table.recorded(np.array([-0.5, 0, 0.1])).tolist() == [0, -1, -1]
    kept = table.where(np.array([True, False, True, True]))
    assert kept.recorded(0.3).tolist() == [0, -1, 2]
    assert table.take(np.array([2, 0])).recorded(1.0).tolist() == [0, 3]


def test_empty_ray_list():
    table = Scene(plane_high([0.0])).cast(np.zeros((0, 3)), np.zeros((0, 3)), 1.0, 1.0)
    assert len(table) == 0 and len(table.recorded(1.0)) == 0


def test_float32_and_float64_surfaces_agree():
    high = tangled_scene(11)
    single = Surface(
        high.positions.astype(np.float32), high.triangles, high.triangle_part, high.part_names
    )
    double = Surface(
        single.positions.astype(np.float64), high.triangles, high.triangle_part, high.part_names
    )
    origin, direction = random_rays(11, 500)
    a = Scene(single).cast(origin, direction, 1.0, 1.0)
    b = Scene(double).cast(origin, direction, 1.0, 1.0)
    assert np.array_equal(a.face, b.face) and np.array_equal(a.t, b.t)
