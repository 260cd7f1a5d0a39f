"""Clashes against closed forms, and against other libraries on the same meshes."""

import gc
import json
import weakref
from itertools import pairwise

import igl
import manifold3d
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from typer.testing import CliRunner

from cagecheck.chores.clash.deepest import FINEST, RELATIVE_TOLERANCE
from cagecheck.chores.clash.find import find_clashes, split_parts
from cagecheck.chores.clash.heat import clash_map, write_clash_map
from cagecheck.chores.clash.places import find_places
from cagecheck.chores.clash.sides import triangle_sides
from cagecheck.chores.clash.solids import Solid, crossing_segments, meeting_triangles
from cagecheck.cli import app
from cagecheck.errors import InputError
from cagecheck.formats.read import read_mesh
from cagecheck.formats.write_mesh import write_mesh
from cagecheck.meshes.meeting import segment_pierces
from cagecheck.meshes.mesh import join_meshes, mesh_from_polygons

runner = CliRunner()


def mesh_of(shape, name):
    return mesh_from_polygons(shape.vertices, shape.faces, part=name)


def sphere(at=(0, 0, 0), radius=1.0, cuts=4):
    shape = trimesh.creation.icosphere(subdivisions=cuts, radius=radius)
    shape.apply_translation(at)
    return shape


def box(size=(1, 1, 1), at=(0, 0, 0)):
    shape = trimesh.creation.box(extents=size)
    shape.apply_translation(at)
    return shape


def grid(n, height, size=2.0):
    """An open sheet of n x n quads over [-size/2, size/2]^2 with z = height(x, y)."""
    x, y = np.meshgrid(
        np.linspace(-size / 2, size / 2, n + 1), np.linspace(-size / 2, size / 2, n + 1)
    )
    points = np.stack([x.ravel(), y.ravel(), height(x, y).ravel()], axis=1)
    corner = (np.arange(n)[:, None] * (n + 1) + np.arange(n)).ravel()
    quads = np.stack([corner, corner + 1, corner + n + 2, corner + n + 1], axis=1)
    return trimesh.Trimesh(
        points, np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]), process=False
    )


def clashes_of(one, other, **options):
    return find_clashes([mesh_of(one, "one"), mesh_of(other, "other")], **options)


# --- closed forms ------------------------------------------------------------------------------


@pytest.mark.parametrize("apart", [0.6, 1.2, 1.8, 1.97])
@pytest.mark.parametrize("at", [(0, 0, 0), (12345.0, -777.0, 31.0)])
def test_two_spheres_make_a_lens(apart, at):
    """Unit spheres with centres d apart: the point of one nearest to the other's centre lies
    |d - 1| from it, so depth is 1 - |d - 1| (2 - d from d = 1 on). They cross in a circle of
    radius sqrt(1 - d^2 / 4): Weisstein, "Sphere-Sphere Intersection", MathWorld (from memory)."""
    direction = np.array([0.6, 0.64, 0.48])
    found = clashes_of(sphere(at), sphere(at + apart * direction))
    (hit,) = found.found
    # An icosphere of 5,120 triangles lies at most 1 - cos of half its widest triangle within the
    # sphere: under 0.0016 at this fineness, twice over for two spheres.
    sag = 0.0032
    assert hit.kind == "through"
    expected = 1 - abs(apart - 1)
    assert expected - sag <= hit.depth + hit.tolerance
    assert hit.depth <= expected + 1e-9 + sag
    assert hit.tolerance <= max(RELATIVE_TOLERANCE * hit.depth, FINEST * found.frame.size) + 1e-9
    circle = 2 * np.pi * np.sqrt(1 - apart**2 / 4)
    assert hit.length == pytest.approx(circle, rel=0.05 if apart > 1.9 else 0.01)
    line = np.dot(hit.point - np.array(at), direction)
    assert min(abs(line - x) for x in (1, -1, apart - 1, apart + 1)) < 0.01


@pytest.mark.parametrize("shift", [(0, 0, 0), (0.2, 0, 0), (0.2, -0.3, 0.1)])
def test_box_in_box_lies_inside(shift):
    """The deepest point of the small box is its face farthest from every side: distance to the
    nearest side of the large box, largest over the small box."""
    found = clashes_of(box((2, 2, 2)), box((1, 1, 1), shift))
    (hit,) = found.found
    assert (hit.kind, hit.part, hit.other, hit.length) == ("inside", "other", "one", 0)
    assert not found.passing
    s = np.abs(shift)
    grid_points = np.stack(np.meshgrid(*[np.linspace(-0.5, 0.5, 101)] * 3, indexing="ij"), -1)
    on_surface = grid_points[(np.abs(grid_points).max(-1) == 0.5)] + s
    expected = (1 - np.abs(on_surface)).min(axis=1).max()
    assert hit.depth <= expected + 0.01  # the grid's own step
    assert hit.depth + hit.tolerance >= expected - 1e-9


@pytest.mark.parametrize("over", [0.5, 0.25, 1e-3])
def test_boxes_that_overlap_with_flush_sides(over):
    """[0,1]^3 and the same moved by 1 - over: sides lie in one plane; depth is the overlap, as
    long as it is less than half the width."""
    found = clashes_of(box(), box(at=(1 - over, 0, 0)))
    (hit,) = found.found
    assert hit.depth == pytest.approx(over, rel=RELATIVE_TOLERANCE)


@pytest.mark.parametrize("at", [(1, 0, 0), (1, 1, 0), (1, 1, 1), (1, 0.5, 0.2), (1 + 1e-9, 0, 0)])
def test_boxes_that_touch_do_not_clash(at):
    assert clashes_of(box(), box(at=at)).found == ()


@pytest.mark.parametrize("height", [0.0, 0.3, -0.8])
def test_a_flat_cloth_through_a_ball(height):
    """A plane at height h cuts a unit sphere in a circle; its deepest point is the middle, at
    1 - |h| from the surface. The cloth is two large triangles, with no corner inside."""
    cloth = grid(1, lambda x, y: 0 * x + height, size=6.0)
    found = clashes_of(cloth, sphere(cuts=5))
    (hit,) = found.found
    assert (hit.part, hit.other, hit.kind) == ("one", "other", "through")
    assert found.open_parts == ("one",)
    assert hit.depth == pytest.approx(1 - abs(height), rel=0.012)
    assert hit.length == pytest.approx(2 * np.pi * np.sqrt(1 - height**2), rel=0.01)
    assert np.allclose(hit.point, [0, 0, height], atol=0.1)


@pytest.mark.parametrize("rise", [0.02, 0.1])
def test_a_bump_through_an_open_sheet(rise):
    """Two open sheets: a bump of height 0.2 over z = 0, and a flat sheet that it tops by `rise`."""
    bump = grid(60, lambda x, y: 0.2 * np.exp(-8 * (x**2 + y**2)))
    flat = grid(7, lambda x, y: 0 * x + 0.2 - rise)
    found = clashes_of(bump, flat)
    (hit,) = found.found
    assert hit.kind == "sheets" and hit.tolerance is None
    assert hit.depth == pytest.approx(rise, rel=1e-6)
    assert np.allclose(hit.point, [0, 0, 0.2], atol=1e-6)
    assert set(found.open_parts) == {"one", "other"}


def test_sheets_that_cut_nothing_off_have_no_depth():
    one = grid(4, lambda x, y: 0 * x)
    two = grid(4, lambda x, y: 0 * x, size=0.8)
    two.apply_transform(trimesh.transformations.rotation_matrix(1.2, [1, 0.1, 0]))
    two.apply_translation([0.05, 0.03, 0.01])
    wide = clashes_of(one, two).found
    assert len(wide) == 1 and wide[0].depth is not None  # the small one is cut in two
    spike = trimesh.Trimesh(
        [(0, 0, 0.3), (0.1, 0, -0.1), (0.3, 0.2, 0.1)], [[0, 1, 2]], process=False
    )
    plate = trimesh.Trimesh([(-3, -3, 0), (3, -3, 0), (0.03, 0.08, 0)], [[0, 1, 2]], process=False)
    (hit,) = clashes_of(plate, spike).found
    assert hit.kind == "sheets" and hit.length > 0


def test_two_places_are_told_apart():
    plate = box((6, 2, 0.5))
    balls = [sphere((-2, 0, 0.5), 0.4, 3), sphere((1.5, 0, 0.55), 0.4, 3)]
    shape = trimesh.util.concatenate(balls)
    found = clashes_of(plate, shape)
    assert len(found.found) == 2
    deep = [0.15, 0.1]
    for hit, expected, x in zip(found.found, deep, (-2, 1.5), strict=True):
        assert hit.depth == pytest.approx(expected, rel=0.02)
        assert hit.point[0] == pytest.approx(x, abs=0.1)


# --- contacts: surfaces that meet along edges, or lie in one another for a stretch ----------------


def sheet(us, vs, u=(1, 0, 0), v=(0, 1, 0)):
    """An open sheet of quads, cut in triangles, over u and v."""
    a, b = np.meshgrid(np.asarray(us, float), np.asarray(vs, float), indexing="ij")
    points = a.reshape(-1, 1) * np.array(u, float) + b.reshape(-1, 1) * np.array(v, float)
    first = (np.arange(len(us) - 1)[:, None] * len(vs) + np.arange(len(vs) - 1)).ravel()
    quads = np.stack([first, first + len(vs), first + len(vs) + 1, first + 1], axis=1)
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    return trimesh.Trimesh(points, faces, process=False)


def lifted(shape, height):
    """The same with z = height(x, y)."""
    points = shape.vertices.copy()
    points[:, 2] = height(points[:, 0], points[:, 1])
    return trimesh.Trimesh(points, shape.faces, process=False)


def moved(shape, by):
    return trimesh.Trimesh(shape.vertices + np.array(by), shape.faces, process=False)


WHOLE, ODD = np.arange(-3, 4), 0.9 * np.arange(-2, 3)
UP = (0, 0, 1)
FLAT = sheet(WHOLE, WHOLE)
LYING = sheet(ODD, [-2, -0.5, 0.5, 2])
TURN = trimesh.transformations.random_rotation_matrix(np.array([0.3, 0.6, 0.1]))[:3, :3]
PLACINGS = {
    "exact": lambda p: p,
    "turned": lambda p: p @ TURN.T,
    "turned, float32": lambda p: (p @ TURN.T + 3).astype(np.float32).astype(float),
}
# Name: sheet, what it meets, depth and length of the one crossing (None for only touching).
MEETINGS = {
    "edge row in the plane": (sheet(ODD, [-1, 0, 1], v=UP), FLAT, 1.0, 3.6),
    "edge row on edge row": (sheet(WHOLE[1:-1], [-1, 0, 1], v=UP), FLAT, 1.0, 4.0),
    "edge row in the plane, slanted": (sheet(ODD, [-1, 0, 1], v=(0, 1, 1)), FLAT, 1.0, 3.6),
    "edge far longer than what it cuts": (
        sheet([-10, 10], [-1, 0, 1], v=UP), sheet([-0.5, 0.5], [-0.5, 0.5]), 0.5, 1.0),
    "lies in it for a stretch, then leaves behind": (
        lifted(LYING, lambda x, y: np.where(np.abs(y) > 1, np.sign(y), 0)), FLAT, 1.0, 3.6),
    "at so gentle a slope that faces stay in the margin": (
        lifted(sheet(ODD, np.linspace(-1, 1, 81)), lambda x, y: 1e-4 * y), FLAT, 1e-4, 3.6),
    "stands on it": (sheet(ODD, [0, 1], v=UP), FLAT, None, None),
    "a fold that touches": (lifted(sheet(ODD, [-1, 0, 1]), lambda x, y: abs(y)), FLAT, None, None),
    "lies in it for a stretch, leaves to the same side": (
        lifted(LYING, lambda x, y: np.where(np.abs(y) > 1, 1, 0)), FLAT, None, None),
    "layers": (sheet(ODD, 0.8 * ODD), FLAT, None, None),
    "seam": (sheet(WHOLE, WHOLE + 6), FLAT, None, None),
    "seam with a crease": (moved(sheet(WHOLE, range(4), v=UP), (0, 3, 0)), FLAT, None, None),
    "seam, one side finer": (
        moved(sheet(np.arange(-6, 7) / 2, range(4), v=UP), (0, 3, 0)), FLAT, None, None),
    "passes along the border": (
        moved(sheet(WHOLE, [-1, 0, 1], v=UP), (0, 3, 0)), FLAT, None, None),
}  # fmt: skip


@pytest.mark.parametrize("swap", [False, True])
@pytest.mark.parametrize("placing", PLACINGS)
@pytest.mark.parametrize("name", MEETINGS)
def test_open_sheets_that_meet_in_edges(name, placing, swap):
    """Crossings and touches that no two triangles tell; whole numbers, turned, and rounded."""
    one, other, depth, length = MEETINGS[name]
    pair = [
        trimesh.Trimesh(PLACINGS[placing](np.asarray(s.vertices)), s.faces, process=False)
        for s in (one, other)
    ]
    found = clashes_of(*(pair[::-1] if swap else pair)).found
    if depth is None:
        assert found == ()
        return
    (hit,) = found
    assert hit.kind == "sheets"
    assert hit.depth == pytest.approx(depth, rel=1e-2 if depth < 0.01 else 1e-5)
    if depth > 0.01:
        assert hit.length == pytest.approx(length, rel=1e-4)
    else:  # the line follows edges beside an area of contact: no shorter than straight
        assert length * (1 - 1e-4) <= hit.length <= 1.5 * length


def signs_of_difference(a, b, rows, columns):
    """Signs that the difference of two relief sheets takes over common cells, exactly.

    a, b : whole heights (N, N) at lattice points; the cells of a are cut from (i, j) to
    (i + 1, j + 1), those of b the other way. Over a quarter of a cell both are flat, so that the
    corners and the middle of every cell tell.
    """
    signs = set()
    for i in rows:
        for j in columns:
            for x, y in ((i, j), (i + 1, j), (i, j + 1), (i + 1, j + 1)):
                signs.add(int(np.sign(a[x, y] - b[x, y])))
            middle_a, middle_b = a[i, j] + a[i + 1, j + 1], b[i + 1, j] + b[i, j + 1]
            signs.add(int(np.sign(middle_a - middle_b)))
    return signs


def relief_pair(seed):
    """Two relief sheets on whole numbers, and the signs of their difference."""
    rng = np.random.default_rng(seed)
    n = 5
    odds = rng.choice([0.03, 0.1, 0.3])
    a = rng.choice([-1, 0, 1], (n, n), p=[odds, 1 - 2 * odds, odds])
    b = rng.choice([0, 1], (n, n), p=[0.8, 0.2]) * rng.integers(0, 2)
    if rng.random() < 0.3:
        a = np.abs(a) + b
    # b covers part of a, so that borders lie in surfaces, too.
    low, high = rng.integers(0, 2, 2), rng.integers(3, n, 2)
    window = np.s_[low[0] : high[0] + 1, low[1] : high[1] + 1]
    x, y = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    # Whole shears keep whole numbers, and turn the planes out of the axes.
    k = rng.integers(-2, 3, 3)
    shear = np.array([[1, 0, 0], [k[0], 1, 0], [0, 0, 1]]) @ [[1, 0, k[1]], [0, 1, k[2]], [0, 0, 1]]
    share_turned = rng.choice([0, 0.3])  # faces of files look both ways

    def surface(height, part, cut):
        points = np.stack([x[part], y[part], height[part]], axis=2)
        number = np.arange(points.shape[0] * points.shape[1]).reshape(points.shape[:2])
        corner = [number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]]
        faces = np.concatenate([np.stack([corner[k].ravel() for k in ks], axis=1) for ks in cut])
        turned = rng.random(len(faces)) < share_turned
        faces[turned] = faces[turned][:, ::-1]
        return trimesh.Trimesh(points.reshape(-1, 3) @ shear.T, faces, process=False)

    one = surface(a, np.s_[:, :], ([0, 1, 2], [0, 2, 3]))
    other = surface(b, window, ([0, 1, 3], [1, 2, 3]))
    return one, other, signs_of_difference(a, b, range(low[0], high[0]), range(low[1], high[1]))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.integers(0, 2**32 - 1))
def test_relief_sheets_on_whole_numbers(seed):
    """Two sheets z = a(x, y) and z = b(x, y) on whole numbers, many of them equal. One is partly
    above and partly below the other within their common part, or they do not cross (intermediate
    value theorem: on the way from above to below it passes through, and only there it can)."""
    one, other, signs = relief_pair(seed)
    assert bool(clashes_of(one, other).found) == ({-1, 1} <= signs)


@pytest.mark.parametrize("seed", range(20))
def test_the_deepest_point_of_open_sheets_lies_on_the_face_named(seed):
    """The point is of `part`, on its `face`; `other_face` is as far from it as the depth says."""
    rng = np.random.default_rng(seed)
    bump = grid(30, lambda x, y: 0.3 * np.exp(-6 * (x**2 + y**2)))
    flat = grid(9, lambda x, y: 0.2 + 0.02 * np.sin(3 * x + seed), size=2.5)
    pair = [bump, flat] if rng.random() < 0.5 else [flat, bump]
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
    for shape in pair:
        shape.apply_transform(turn)
    for hit in clashes_of(*pair).found:
        for number, face, away in (
            (hit.mesh, hit.face, 0.0), (hit.other_mesh, hit.other_face, hit.depth),
        ):  # fmt: skip
            corners = np.ascontiguousarray(pair[number].triangles[face], float)
            squared, *_ = igl.point_mesh_squared_distance(
                hit.point[None], corners, np.array([[0, 1, 2]])
            )
            assert np.sqrt(squared[0]) == pytest.approx(away, abs=1e-9)


@pytest.mark.parametrize("out", [-0.1, -0.001, -1e-9, 0.0, 1e-9, 0.001, 0.1])
def test_a_plug_whose_face_is_flush_with_its_hole(out):
    """A cube of 2 in the top of a cube of 4, `out` above it or below: it comes out, or lies inside;
    its deepest point is the middle of its lower face, 2 - out from the surface, 1 at the most to
    the sides: (0, 0, out) is min(2 - out, 2 + out, 2) away from the large cube's faces."""
    found = clashes_of(box((4, 4, 4)), box((2, 2, 2), (0, 0, 1 + out)))
    (hit,) = found.found
    assert hit.kind == ("through" if out >= 0.001 else "inside")
    assert bool(found.passing) == (out >= 0.001)
    assert hit.depth == pytest.approx(2 - abs(out), rel=RELATIVE_TOLERANCE)
    assert hit.length == pytest.approx(8 if out >= 0.001 else 0)


@pytest.mark.parametrize("into", [0.0, 1e-9, 0.001, 0.01])
def test_a_bar_flush_at_both_ends(into):
    """A bar through a cube from face to face: one place, inside, half its width deep."""
    (hit,) = clashes_of(box((4, 4, 4)), box((2, 2, 4 - 2 * into))).found
    assert (hit.kind, hit.part, hit.length) == ("inside", "other", 0)
    assert hit.depth == pytest.approx(1.0, rel=RELATIVE_TOLERANCE)


def test_a_plug_that_fills_its_hole_only_touches():
    """Sides and floor of the hole are those of the plug; a thousandth deeper it passes through."""
    hole = box((2, 2, 2), (0, 0, 1))
    solid = manifold3d.Manifold(manifold3d.Mesh(*(np.asarray(k, t) for k, t in (
        (box((4, 4, 4)).vertices, np.float32), (box().faces, np.uint32))))) - manifold3d.Manifold(
        manifold3d.Mesh(np.asarray(hole.vertices, np.float32), np.asarray(hole.faces, np.uint32))
    )  # fmt: skip
    made = solid.to_mesh()
    body = trimesh.Trimesh(made.vert_properties[:, :3], made.tri_verts, process=False)
    assert clashes_of(body, hole).found == ()
    (hit,) = clashes_of(body, moved(hole, (0, 0, -0.001))).found
    assert hit.kind == "through" and hit.depth == pytest.approx(0.001, rel=0.02)


@pytest.mark.parametrize("aside", [0.05, 0.15])
def test_a_ball_in_a_shell(aside):
    """A ball of radius 0.7 in a shell from 0.8 to 1, `aside` from its middle: it reaches to
    0.7 + aside, which is aside - 0.1 into the shell or not at all. (Faces lie within the spheres by
    0.0016 of the radius at most, see the lens above.)"""
    inner = sphere(radius=0.8)
    inner.invert()
    shell = trimesh.util.concatenate([sphere(), inner])
    found = clashes_of(shell, sphere((aside, 0, 0), 0.7)).found
    if aside < 0.1:
        assert found == ()
        return
    (hit,) = found
    assert hit.kind == "through" and hit.depth == pytest.approx(aside - 0.1, abs=0.003)


@pytest.mark.parametrize("offset", [0.15, 0.25])
def test_a_capsule_through_an_open_tube(offset):
    """An open tube of radius 0.5 about a longer capsule of radius 0.3 whose axis is `offset` aside:
    the tube passes the axis at 0.5 - offset, so 0.3 - that lies inside the capsule, or nothing."""
    turns = np.linspace(0, 2 * np.pi, 97)
    tube = sheet(turns, np.linspace(-1, 1, 21))
    angle, height = tube.vertices[:, 0].copy(), tube.vertices[:, 1].copy()
    points = np.stack([0.5 * np.cos(angle), 0.5 * np.sin(angle), height], axis=1)
    points[angle == turns[-1]] = np.stack([0.5 + 0 * height, 0 * height, height], axis=1)[
        angle == turns[-1]
    ]
    tube = trimesh.Trimesh(points, tube.faces, process=False)
    capsule = trimesh.creation.capsule(height=3, radius=0.3, count=[48, 48])
    capsule.apply_translation([offset, 0, -1.5 - capsule.bounds.mean(axis=0)[2]])
    capsule.apply_translation([0, 0, -capsule.bounds.mean(axis=0)[2]])
    found = clashes_of(tube, capsule)
    assert found.open_parts == ("one",)
    if offset < 0.2:
        assert found.found == ()
        return
    (hit,) = found.found
    assert (hit.part, hit.kind) == ("one", "through")
    assert hit.depth == pytest.approx(0.3 - (0.5 - offset), abs=0.002)


def solid_of(triangles, count):
    points = np.random.default_rng(0).random((count, 3))
    return Solid(points, triangles, 0, 0, np.arange(len(triangles), dtype=np.int32), "x")


def joined_by_definition(one, other, pairs, inside_one, inside_other):
    """Places as the module defines them, by a plain search: {(kind, number): first of its place}.

    one, other : lists of corner sets; inside_* : sets of vertices.
    """
    nodes = [("pair", p) for p in range(len(pairs))]
    nodes += [("one", v) for v in inside_one] + [("other", v) for v in inside_other]

    def linked(x, y):
        (kind, a), (sort, b) = x, y
        if kind == sort == "pair":
            (t, u), (s, w) = pairs[a], pairs[b]
            return (u == w and one[t] & one[s]) or (t == s and other[u] & other[w])
        if kind == "pair":
            t, u = pairs[a]
            return b in (one[t] if sort == "one" else other[u])
        return kind == sort and any({a, b} <= t for t in (one if kind == "one" else other))

    place = {}
    for first in nodes:
        waiting = [] if first in place else [first]
        while waiting:
            node = waiting.pop()
            if node not in place:
                place[node] = first
                waiting += [x for x in nodes if linked(node, x) or linked(x, node)]
    return place


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(0, 2**32 - 1))
def test_places_are_joined_as_defined(seed):
    """Random triangles, crossings and enclosed corners, however few of them there are."""
    rng = np.random.default_rng(seed)
    count, faces = 14, 9
    sides = [np.array([rng.permutation(count)[:3] for _ in range(faces)]) for _ in range(2)]
    solids = [solid_of(triangles, count) for triangles in sides]
    pairs = np.unique(rng.integers(0, faces, (rng.integers(0, 7), 2)), axis=0).reshape(-1, 2)
    inside = [rng.random(count) < rng.choice([0, 0.1, 0.3]) for _ in range(2)]
    found = find_places(*solids, pairs, inside[0][sides[0]], inside[1][sides[1]])
    used = [set(np.unique(s[i[s]]).tolist()) for s, i in zip(sides, inside, strict=True)]
    place = joined_by_definition(
        *([set(t) for t in s.tolist()] for s in sides), pairs.tolist(), *used
    )
    expected = {}
    for (kind, number), name in place.items():
        members = expected.setdefault(name, (set(), set(), set()))
        if kind == "pair":
            members[0].add(number)
            members[1].add(int(pairs[number, 0]))
            members[2].add(int(pairs[number, 1]))
        else:
            side = ("one", "other").index(kind)
            members[1 + side].update(np.flatnonzero((sides[side] == number).any(axis=1)).tolist())
    got = [
        tuple(
            set(member[number == k].tolist())
            for member, number in (
                (np.arange(len(pairs)), found.of_pair),
                (found.one.triangle, found.one.place),
                (found.other.triangle, found.other.place),
            )
        )
        for k in range(found.count)
    ]

    def in_order(places):
        return sorted([sorted(members) for members in place] for place in places)

    assert in_order(got) == in_order(expected.values())


# --- other libraries ---------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_meeting_triangles_against_libigl(seed):
    """Our pairs against libigl's test (Guigue and Devillers 2003) of all pairs."""
    rng = np.random.default_rng(seed)
    shapes = [
        trimesh.Trimesh((rng.random((60, 1, 3)) + 0.6 * rng.random((60, 3, 3))).reshape(-1, 3),
                        np.arange(180).reshape(-1, 3), process=False)
        for _ in range(2)
    ]  # fmt: skip
    one, other = split_parts([mesh_of(s, "x") for s in shapes])[0]
    pairs = {tuple(p) for p in meeting_triangles(one, other).tolist()}
    a, b = (s.positions[s.triangles] for s in (one, other))
    expected = {
        (i, j)
        for i in range(len(a))
        for j in range(len(b))
        if igl.tri_tri_intersection_test_3d(*(a[i, k : k + 1] for k in range(3)),
                                            *(b[j, k : k + 1] for k in range(3)))[0]
    }  # fmt: skip
    assert len(expected) > 30
    assert pairs == expected
    segments = crossing_segments(one, other, np.array(sorted(pairs)))
    for (i, j), segment in zip(sorted(pairs), segments, strict=True):
        for triangle in (a[i], b[j]):
            _, _, closest = igl.point_mesh_squared_distance(
                np.ascontiguousarray(segment), triangle, np.array([[0, 1, 2]])
            )
            assert np.allclose(closest, segment, atol=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_random_solids_against_manifold_and_signed_distance(seed):
    """A clash exists where the solids' common volume (manifold3d's boolean) is not empty, and no
    point of either surface lies deeper in the other (libigl's signed distance) than is said."""
    rng = np.random.default_rng(seed)
    shapes = []
    for _ in range(2):
        shape = trimesh.convex.convex_hull(rng.normal(size=(14, 3)))
        shape.apply_scale(rng.uniform(0.3, 1, 3))
        shape.apply_translation(rng.uniform(-0.8, 0.8, 3))
        shapes.append(shape)
    solids = [
        manifold3d.Manifold(
            manifold3d.Mesh(np.asarray(s.vertices, np.float32), np.asarray(s.faces, np.uint32))
        )
        for s in shapes
    ]
    volume = (solids[0] ^ solids[1]).volume()
    found = clashes_of(*shapes).found
    if volume > 1e-4:
        assert found
    if not found:
        assert volume < 1e-4
        return
    deepest = max(hit.depth + hit.tolerance for hit in found)
    limit = 1e-6 * 10
    for inner, outer in (shapes, shapes[::-1]):
        points, _ = trimesh.sample.sample_surface(inner, 400, seed=seed % 1000)
        distance, *_ = igl.signed_distance(
            np.asarray(points, float), np.asarray(outer.vertices, float),
            np.asarray(outer.faces, np.int64), igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL,
        )  # fmt: skip
        assert -distance.min() <= deepest + limit
    hit = found[0]
    inner = shapes[hit.mesh]
    off, _, _ = igl.point_mesh_squared_distance(
        hit.point[None], np.asarray(inner.vertices, float), np.asarray(inner.faces, np.int64)
    )
    assert off[0] < 1e-12  # the deepest point lies on its part
    assert hit.depth > 0


def test_segment_pierces_against_rays():
    rng = np.random.default_rng(8)
    begin, end = rng.normal(size=(2, 500, 3))
    triangle = rng.normal(size=(500, 3, 3))
    ours = segment_pierces(begin, end, triangle)
    for k in range(500):
        weights = np.linalg.solve(
            np.vstack([np.column_stack([triangle[k].T, begin[k] - end[k]]), [1, 1, 1, 0]]),
            [*begin[k], 1],
        )
        assert ours[k] == bool((weights >= 0).all() and weights[3] <= 1)


# --- invariances and odd input -----------------------------------------------------------------


@pytest.mark.parametrize("scale", [1e-4, 1.0, 1e6])
def test_depth_scales_with_the_scene(scale):
    shapes = [sphere(cuts=3), sphere((1.5, 0.1, 0.2), 0.8, 3)]
    for shape in shapes:
        shape.apply_scale(scale)
    (hit,) = clashes_of(*shapes).found
    (one,) = clashes_of(sphere(cuts=3), sphere((1.5, 0.1, 0.2), 0.8, 3)).found
    assert hit.depth == pytest.approx(one.depth * scale, rel=0.01)
    assert hit.length == pytest.approx(one.length * scale, rel=1e-6)


def test_a_part_turned_inside_out_still_has_an_inside():
    turned = sphere((1.5, 0, 0), cuts=3)
    turned.invert()
    (hit,) = clashes_of(sphere(cuts=3), turned).found
    assert hit.depth == pytest.approx(0.5, abs=0.02)


def test_parts_of_one_body_that_meet_in_a_seam_do_not_clash():
    ball = sphere(cuts=3)
    upper = ball.triangles_center[:, 2] > 0
    halves = [trimesh.Trimesh(ball.vertices, ball.faces[m], process=False) for m in (upper, ~upper)]
    assert clashes_of(*halves).found == ()
    assert clashes_of(*halves).pairs == 1
    # A seam whose halves do not share their corners: one is cut finer.
    fine = trimesh.Trimesh(*trimesh.remesh.subdivide(halves[0].vertices, halves[0].faces))
    assert clashes_of(fine, halves[1]).found == ()


def test_split_vertices_leave_a_part_closed():
    ball = sphere(cuts=2)
    soup = trimesh.Trimesh(ball.triangles.reshape(-1, 3), np.arange(3 * len(ball.faces))
                           .reshape(-1, 3), process=False)  # fmt: skip
    parts, _ = split_parts([mesh_of(ball, "a"), mesh_of(soup, "b")])
    assert [part.is_closed for part in parts] == [True, True]
    flipped = mesh_from_polygons(ball.vertices, [ball.faces[0][::-1], *ball.faces[1:]])
    assert not split_parts([flipped])[0][0].is_closed


def test_pieces_of_one_part():
    both = trimesh.util.concatenate([sphere(cuts=2), sphere((1.6, 0, 0), cuts=2)])
    with pytest.raises(InputError, match="`pieces`"):
        find_clashes([mesh_of(both, "x")])
    (hit,) = find_clashes([mesh_of(both, "x")], pieces=True).found
    assert {hit.part, hit.other} == {"x piece 1", "x piece 2"}
    assert hit.depth == pytest.approx(0.4, abs=0.08)


def test_shallow_clashes_can_be_ignored():
    pair = sphere(cuts=3), sphere((1.9, 0, 0), cuts=3)
    assert len(clashes_of(*pair).found) == 1
    assert clashes_of(*pair, ignore=0.2).found == ()
    with pytest.raises(InputError, match="zero or more"):
        clashes_of(*pair, ignore=-1)


def test_faces_are_those_of_the_file():
    """Quads: the face number counts polygons, not triangles."""
    plate = mesh_from_polygons(
        [(0, 0, 0), (1, 0, 0), (2, 0, 0), (0, 1, 0), (1, 1, 0), (2, 1, 0)],
        [[0, 1, 4, 3], [1, 2, 5, 4]], part="plate",
    )  # fmt: skip
    ball = mesh_of(sphere((1.6, 0.5, 0), 0.2, 3), "ball")
    (hit,) = find_clashes([join_meshes([plate, ball])]).found
    assert (hit.part, hit.face) == ("plate", 1)


def test_same_input_same_result():
    pair = sphere(cuts=3), sphere((1.2, 0.3, 0), cuts=3)
    first, second = (clashes_of(*pair).to_dict() for _ in range(2))
    assert first == second


# --- heat map and command ----------------------------------------------------------------------


def test_heat_map_shows_depths_where_no_corner_lies_inside():
    cloth = grid(1, lambda x, y: 0 * x + 0.3, size=6.0)
    found = clashes_of(cloth, sphere(cuts=3))
    heat = clash_map(found, found.found[0].depth)
    depth, part = heat.fields["depth"], heat.fields["part"]
    assert depth[part == 0].max() == pytest.approx(0.7, abs=0.05)
    inside = depth > 0
    assert (heat.fields["clash"][inside] == 1).all()
    assert np.ptp(heat.colours[inside].astype(int), axis=0).max() > 50
    assert heat.positions.max() == pytest.approx(3.0)


def test_heat_map_shows_where_a_body_pokes_through_a_cloth():
    """A flat cloth at height 0.9 through a unit ball: the cap above it is what is seen, and its
    top sticks out by 0.1."""
    cloth = grid(20, lambda x, y: 0 * x + 0.9, size=3.0)
    found = clashes_of(cloth, sphere(cuts=4))
    heat = clash_map(found, found.found[0].depth)
    body = heat.fields["part"] == 1
    z = heat.positions[body][:, 2]
    depth = heat.fields["depth"][body]
    assert (depth[z < 0.89] == 0).all()
    cap = z > 0.905
    assert cap.any() and np.allclose(depth[cap], z[cap] - 0.9, atol=1e-4)


@pytest.fixture
def walk(tmp_path):
    """Three frames of a ball that moves towards a box and into it; the box as a file of its own."""
    box().export(tmp_path / "body.obj")
    for k, x in enumerate((2.0, 0.9, 0.7)):
        sphere((x, 0, 0), 0.5, 3).export(tmp_path / f"walk_{k}.obj")
    return tmp_path


def run(*arguments):
    result = runner.invoke(app, ["clash", *map(str, arguments)])
    assert "Traceback" not in result.output
    return result


def test_frames_are_checked_one_by_one(walk):
    frames = [walk / f"walk_{k}.obj" for k in range(3)]
    out = walk / "out"
    result = run(*frames, "--with", walk / "body.obj", "--json", "--out", out)
    assert result.exit_code == 1, result.output
    document = json.loads(result.output)
    depths = [max((c["depth"] for c in f["clashes"]), default=0) for f in document["frames"]]
    assert depths == pytest.approx([0, 0.1, 0.3], abs=0.01)
    assert all(a <= b for a, b in pairwise(depths))
    assert sorted(p.name for p in out.iterdir()) == [
        "clash.csv", "clash.html", "clash.json", "frame_0001.ply", "frame_0002.ply",
        "frame_0003.ply", "legend.png",
    ]  # fmt: skip
    heat = trimesh.load(out / "frame_0003.ply", process=False)
    assert heat.metadata["_ply_raw"]["vertex"]["data"]["depth"].max() == pytest.approx(
        depths[2], rel=0.05
    )
    assert Image.open(out / "legend.png").size[0] > 200
    page = (out / "clash.html").read_text()
    assert "2 of 3 frames have parts that pass through each other." in page
    # The deepest frame from both sides, and its one clash close.
    assert page.count("<img ") == 3 and "walk_2.obj + body.obj" not in page
    assert str(walk) not in page and "<script" not in page
    assert len((out / "clash.csv").read_text().splitlines()) == 1 + 2
    assert run(*frames, "--with", walk / "body.obj", "--out", out).exit_code == 2


@pytest.mark.long
def test_maps_of_all_frames_share_their_colours(walk):
    """Each file is what its frame's map is with the deepest clash of all, to the last byte."""
    body, out = read_mesh(walk / "body.obj"), walk / "out"
    frames = [walk / f"walk_{k}.obj" for k in (2, 1, 0)]
    run(*frames, "--with", walk / "body.obj", "--out", out)
    results = [find_clashes([read_mesh(path), body]) for path in frames]
    deepest = max(hit.depth for found in results for hit in found.found)
    assert results[1].found[0].depth < deepest / 2
    for number, found in enumerate(results, start=1):
        write_clash_map(found, deepest, walk / "one.ply")
        written = (out / f"frame_{number:04d}.ply").read_bytes()
        assert written == (walk / "one.ply").read_bytes()


@pytest.mark.long
def test_the_memory_of_frames_is_given_back(walk):
    """Parts and trees of a frame are gone when the next but one is looked at."""
    alive, most = weakref.WeakSet(), []
    whole = find_clashes

    def counted(*arguments, **options):
        gc.collect()
        most.append(len(alive))
        found = whole(*arguments, **options)
        alive.update(found.parts)
        return found

    frames = [walk / f"walk_{k % 3}.obj" for k in range(8)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("cagecheck.chores.clash.over_frames.find_clashes", counted)
        run(*frames, "--with", walk / "body.obj", "--out", walk / "out")
    assert len(most) == 8 and max(most) <= 4  # two frames of two parts


@pytest.mark.parametrize("seed", range(5))
def test_sides_of_triangles_against_the_winding_number(seed):
    """Every corner of a triangle that meets nothing is where its triangle is said to be: libigl's
    signed distance by winding numbers, point by point."""
    rng = np.random.default_rng(seed)
    cloth = grid(24, lambda x, y: 0.3 * np.sin(3 * x + seed) + 0.2 * y, size=3)
    cloth.faces = cloth.faces[rng.random(len(cloth.faces)) < 0.9]  # in many pieces
    ball = sphere(cuts=3)
    one, other = split_parts([mesh_of(cloth, "a"), mesh_of(ball, "b")])[0]
    sides = triangle_sides(one, other, meeting_triangles(one, other)[:, 0])
    distance, *_ = igl.signed_distance(
        one.positions, other.positions, other.triangles, igl.SIGNED_DISTANCE_TYPE_WINDING_NUMBER
    )
    corners = distance[one.triangles]
    assert set(sides.tolist()) == {-1, 0, 1}
    assert (corners[sides == 1] < 0).all() and (corners[sides == 0] > 0).all()


def test_depths_are_metric_too_where_the_file_has_a_unit(walk, tmp_path):
    """A unit of glTF is a metre (glTF 2.0, 3.4); one of OBJ is whatever it is."""
    for name in ("walk_2", "body"):
        write_mesh(read_mesh(walk / f"{name}.obj"), tmp_path / f"{name}.glb")
    out = tmp_path / "out"
    layers = run(*(tmp_path / f"{n}.glb" for n in ("walk_2", "body")), "--together", "--out", out)
    assert "passes 0.3 (30 cm) deep into" in layers.output.replace("\n", " ")
    assert "0.3 units (30 cm)" in (out / "clash.html").read_text(encoding="utf-8")
    mixed = run(tmp_path / "walk_2.glb", walk / "body.obj", "--together")
    assert "passes 0.3 deep into" in mixed.output


def test_layers_together_and_clean_frames(walk):
    clean = run(walk / "walk_0.obj", "--with", walk / "body.obj")
    assert clean.exit_code == 0 and "No parts pass through each other" in clean.output
    layers = run(walk / "walk_2.obj", walk / "body.obj", "--together")
    assert layers.exit_code == 1 and "There are parts that pass" in layers.output
    assert "passes 0.3 deep into" in layers.output
    assert run(walk / "body.obj").exit_code == 2
    assert run(walk / "none.obj").exit_code == 2
