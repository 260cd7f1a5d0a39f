"""Mended clashes against closed forms and against another library's intersection tests."""

import ipctk
import numpy as np
import pytest
import trimesh

from cagecheck.chores.clash.find import find_clashes
from cagecheck.errors import InputError
from cagecheck.mending.mend import mend_clashes
from cagecheck.mending.settings import MendSettings
from cagecheck.meshes.edges import triangle_edges
from cagecheck.meshes.mesh import join_meshes, mesh_from_polygons

GAP = 0.01


def mesh_of(shape, name):
    return mesh_from_polygons(shape.vertices, shape.faces, part=name)


def sphere(at=(0, 0, 0), radius=1.0, cuts=4):
    shape = trimesh.creation.icosphere(subdivisions=cuts, radius=radius)
    shape.apply_translation(at)
    return mesh_of(shape, "ball")


def sheet(n, height, size=2.0, name="sheet", turned=False):
    """An open sheet of n x n quads with z = height(x, y)."""
    side = np.linspace(-size / 2, size / 2, n + 1)
    x, y = np.meshgrid(side, side)
    points = np.stack([x.ravel(), y.ravel(), height(x, y).ravel()], axis=1)
    corner = (np.arange(n)[:, None] * (n + 1) + np.arange(n)).ravel()
    quads = np.stack([corner, corner + 1, corner + n + 2, corner + n + 1], axis=1)
    return mesh_from_polygons(points, quads[:, ::-1] if turned else quads, part=name)


def tube(radius, bend, name="sleeve", around=48, along=50):
    """An open tube about the z axis, bent into a parabola: x moved by bend (z / 2)^2."""
    z = np.linspace(-2, 2, along + 1)
    a = np.linspace(0, 2 * np.pi, around, endpoint=False)
    z, a = np.meshgrid(z, a, indexing="ij")
    points = [radius * np.cos(a) + bend * (z / 2) ** 2, radius * np.sin(a), z]
    i = (np.arange(along)[:, None] * around + np.arange(around)).ravel()
    j = (np.arange(along)[:, None] * around + (np.arange(around) + 1) % around).ravel()
    quads = np.stack([i, j, j + around, i + around], 1)
    return mesh_from_polygons(np.stack(points, -1).reshape(-1, 3), quads, part=name)


def arm(bend, radius=0.5):
    shape = trimesh.creation.capsule(height=4.5, radius=radius, count=[32, 32])
    points = shape.vertices - [0, 0, shape.vertices[:, 2].mean()]
    points, faces = trimesh.remesh.subdivide_to_size(points, shape.faces, 0.2)
    points[:, 0] += bend * (points[:, 2] / 2) ** 2
    return mesh_from_polygons(points, faces, part="arm")


def flat(height):
    return lambda x, y: 0 * x + height


def triangles_of(mesh):
    from cagecheck.meshes.triangulate import triangulate

    return mesh.corner_vertex[triangulate(mesh).corners]


def intersects(*meshes):
    """Whether anything intersects in a scene, by the library ipctk."""
    base = np.cumsum([0] + [m.vertex_count for m in meshes])
    points = np.concatenate([m.positions for m in meshes])
    faces = np.concatenate([triangles_of(m) + b for m, b in zip(meshes, base, strict=False)])
    edges = triangle_edges(faces).ends
    scene = ipctk.CollisionMesh(points, edges.astype(np.int32), faces.astype(np.int32))
    return ipctk.has_intersections(scene, np.asfortranarray(points))


def settings(*outer, gap=GAP, **more):
    return MendSettings(outer=outer, gap=gap, **more)


def mended(*meshes, **options):
    (frame,) = mend_clashes([list(meshes)], **options).frames
    return frame


# --- closed forms ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "height", [pytest.param(height, marks=pytest.mark.long) for height in (0.9, 0.6)] + [0.3]
)
def test_a_cloth_over_a_ball_moves_by_the_depth_and_the_gap(height):
    """A plane at height h lies 1 - h deep in a unit ball: its middle must rise by 1 - h + gap."""
    cloth, ball = sheet(40, flat(height), 3.0, "cloth"), sphere()
    frame = mended(cloth, ball, settings=settings("cloth"))
    assert frame.depth_after == 0 and not frame.not_mended
    assert not find_clashes(frame.meshes).passing
    assert not intersects(*frame.meshes)
    move = frame.parts[0].move
    middle = np.argmin(np.linalg.norm(cloth.positions[:, :2], axis=1))
    # The cloth's faces are chords of the ball: they need a little more than their corners. The
    # ball's own faces lie at most 0.0016 within it (see tests/chores/test_clash.py).
    assert 1 - height + GAP * 0.9 - 0.0016 <= move[middle, 2] <= (1 - height + GAP) * 1.05
    assert np.abs(move[:, 2]).max() <= (1 - height + GAP) * 1.05
    # The cloth is softer to being lifted as a whole than to being bent: it hardly stretches.
    assert abs(frame.largest_stretch) < 0.03
    assert frame.meshes[1] is ball


def test_a_ball_that_leaves_its_shell_takes_the_shell_with_it():
    """A shell of radius 1.05 round a unit ball that is moved by 0.1: 0.05 sticks out."""
    shell, ball = trimesh.creation.icosphere(subdivisions=4, radius=1.05), sphere((0.1, 0, 0))
    frame = mended(mesh_of(shell, "shell"), ball, settings=MendSettings(gap=GAP))
    assert not frame.after and not intersects(*frame.meshes)
    assert frame.parts[0].cloth.name == "shell"  # told from what lies outside
    assert 0.05 + 0.9 * GAP <= frame.largest_move <= (0.05 + GAP) * 1.08


@pytest.mark.parametrize("turned", [False, True])
def test_two_sheets_that_cross(turned):
    """A bump of height 0.2 tops a flat sheet at 0.15, whichever way either faces: over the bump
    the sheet rises to 0.2 and the gap."""
    bump = sheet(60, lambda x, y: 0.2 * np.exp(-8 * (x**2 + y**2)), name="bump")
    over = sheet(30, flat(0.15), name="over", turned=turned)
    frame = mended(over, bump, settings=settings("over"))
    assert not frame.after and not intersects(*frame.meshes)
    move = frame.parts[0].move
    assert move[:, 2].max() == pytest.approx(0.05 + GAP, rel=0.1)
    assert np.abs(move[:, :2]).max() < 0.3 * move[:, 2].max()


@pytest.mark.long
def test_a_capsule_bent_through_its_tube():
    """A tube of radius 0.55 stays straight while the arm of radius 0.5 in it bends by 0.3: at the
    ends of the tube, at z = 2, its wall is 0.25 in the arm."""
    rest = [tube(0.55, 0), arm(0)]
    frame = mended(tube(0.55, 0), arm(0.3), settings=settings(), rest=rest)
    assert frame.before and not frame.after
    assert not intersects(*frame.meshes)
    assert frame.largest_move == pytest.approx(0.3 + 0.5 - 0.55 + GAP, rel=0.12)
    assert abs(frame.largest_stretch) < 0.25


def test_both_skins_of_a_thick_cloth_move_together():
    """A plate 0.05 thick over a ball: the ball reaches its lower skin and stays under its upper."""
    low, high = sheet(30, flat(0.97), 2.0), sheet(30, flat(1.02), 2.0)
    edge = trimesh.Trimesh(low.positions, triangles_of(low), process=False).outline()
    rim = np.concatenate([np.stack([e.points[:-1], e.points[1:]], 1) for e in edge.entities])
    count = low.vertex_count
    faces = np.concatenate([
        triangles_of(low)[:, ::-1], triangles_of(high) + count,
        np.stack([rim[:, 0], rim[:, 1], rim[:, 1] + count], 1),
        np.stack([rim[:, 0], rim[:, 1] + count, rim[:, 0] + count], 1),
    ])  # fmt: skip
    plate = mesh_from_polygons(np.concatenate([low.positions, high.positions]), faces, part="plate")
    frame = mended(plate, sphere(), settings=settings("plate"))
    assert not frame.after and not intersects(*frame.meshes)
    new = frame.meshes[0].positions
    thickness = np.linalg.norm(new[count:] - new[:count], axis=1)
    assert new[:count, 2].max() > 1.0
    assert np.abs(thickness - 0.05).max() < 0.005


def test_a_garment_layered_twice_is_mended_from_the_inside_out():
    """Shirt and coat are both in the ball; named from the inside out both come out, in order."""
    shirt, coat = sheet(30, flat(0.93), 3, "shirt"), sheet(31, flat(0.95), 3, "coat")
    frame = mended(coat, shirt, sphere(), settings=settings("shirt", "coat"))
    assert {clash.part for clash in frame.before} | {c.other for c in frame.before} == {
        "shirt", "coat", "ball",
    }  # fmt: skip
    assert not frame.after and not intersects(*frame.meshes)
    high = {part.cloth.name: part.after[:, 2].max() for part in frame.parts}
    assert 1 + 0.8 * GAP < high["shirt"] < high["coat"] - 0.5 * GAP


# --- what stays --------------------------------------------------------------------------------


def test_nothing_moves_where_nothing_clashes():
    scene = [sheet(20, flat(1.001), 3, "cloth"), sphere()]
    frame = mended(*scene, settings=settings("cloth"))
    assert frame.meshes == tuple(scene) and not frame.moved.any() and frame.largest_move == 0


def test_a_tangled_start_says_so_and_changes_nothing():
    """A pole of length 8 through the middle of a cloth: no way out but a hole."""
    pole = mesh_of(trimesh.creation.cylinder(0.3, 8, sections=48), "pole")
    cloth = sheet(30, flat(0.0), 3, "cloth")
    frame = mended(cloth, pole, settings=settings("cloth"))
    assert frame.meshes[0] is cloth and not frame.moved.any()
    (left,) = frame.not_mended
    assert (left.part, left.other, left.code) == ("cloth", "pole", "entangled")
    assert "entangled" in left.reason
    assert frame.after == frame.before


def test_no_room_between_two_parts_is_said_and_nothing_is_pushed_through():
    """A lid 0.02 above a cloth that must rise by 0.1: it would go through the lid."""
    cloth, lid = sheet(30, flat(0.9), 3, "cloth"), sheet(30, flat(0.92), 3, "lid")
    clear = sheet(20, flat(1.01), 3, "lid")
    frame = mended(cloth, sphere(), clear, settings=settings("cloth", inner=("ball",), gap=0.05))
    (left,) = frame.not_mended
    assert left.code == "other part" and left.other == "lid" and not frame.moved.any()
    both = mended(cloth, sphere(), lid, settings=settings("cloth", inner=("ball",)))
    assert not both.moved.any()


def test_pinned_places_and_borders_stay():
    cloth = sheet(40, flat(0.9), 3.0, "cloth")
    seam = mesh_from_polygons(cloth.positions[[0, 1, 41, 42]], [[0, 1, 3, 2]], part="seam")
    frame = mended(cloth, seam, sphere(), settings=settings("cloth", pin=("seam",), blend=2.0))
    assert not frame.after
    assert (frame.parts[0].move[[0, 1, 41, 42]] == 0).all()
    held = mended(cloth, sphere(), settings=settings("cloth", pin_borders=True, blend=2.0))
    border = np.abs(cloth.positions[:, :2]).max(axis=1) == 1.5
    assert not held.after and (held.parts[0].move[border] == 0).all()
    small = sheet(20, flat(0.9), 0.5, "cloth")
    inside = mended(small, sphere((0, 0, 0.0), 1), settings=settings("cloth", pin_borders=True))
    assert not inside.moved.any()  # wholly inside: may be meant, and its border is pinned


def test_far_places_stay_exactly():
    cloth = sheet(60, flat(0.98), 8.0, "cloth")
    frame = mended(cloth, sphere(), settings=settings("cloth", blend=0.3))
    far = np.linalg.norm(cloth.positions[:, :2], axis=1) > 2.5
    assert not frame.after and (frame.parts[0].move[far] == 0).all() and far.sum() > 1000


def test_parts_of_one_mesh_and_same_result_twice():
    scene = join_meshes([sheet(40, flat(0.9), 3.0, "cloth"), sphere()])
    first, second = (mended(scene, settings=settings("cloth")) for _ in range(2))
    assert not first.after
    assert np.array_equal(first.meshes[0].positions, second.meshes[0].positions)
    ball = scene.corner_vertex[scene.face_part[scene.corner_face] == 1]
    assert np.array_equal(first.meshes[0].positions[ball], scene.positions[ball])


@pytest.mark.parametrize("scale", [1e-3, 1e4])
def test_moves_scale_with_the_scene(scale):
    cloth, ball = sheet(40, flat(0.9), 3.0, "cloth"), sphere()
    small = mended(cloth, ball, settings=settings("cloth"))
    large = mended(
        *(m.with_positions(m.positions * scale) for m in (cloth, ball)),
        settings=settings("cloth", gap=GAP * scale),
    )
    assert large.largest_move == pytest.approx(small.largest_move * scale, rel=1e-4)


# --- input -------------------------------------------------------------------------------------


def test_what_cannot_be_used_is_said():
    cloth, ball = sheet(20, flat(0.9), 3, "cloth"), sphere()
    for message, options in (
        ("no part named coat", {"settings": settings("coat")}),
        ("both move and stay", {"settings": settings("cloth", pin=("cloth",))}),
        ("fits no mesh", {"rest": [sheet(7, flat(0), name="other")]}),
    ):
        with pytest.raises(InputError, match=message):
            mended(cloth, ball, **options)
    with pytest.raises(InputError, match="not the same mesh"):
        mend_clashes([[cloth, ball], [sheet(19, flat(0.9), 3, "cloth"), ball]])
    crossing = sheet(20, lambda x, y: x, 2, "slope")
    with pytest.raises(InputError, match=r"which of .* lies outside"):
        mended(sheet(20, flat(0), 2, "level"), crossing)


# --- several frames ----------------------------------------------------------------------------


@pytest.mark.long
@pytest.mark.parametrize("way", ["one", "smooth"])
def test_frames_are_mended_alike(way):
    """An arm that bends more and more in a straight sleeve."""
    scenes = [[tube(0.55, 0, around=32, along=24), arm(b)] for b in (0.0, 0.15, 0.3)]
    rest = [tube(0.55, 0, around=32, along=24), arm(0)]
    result = mend_clashes(scenes, settings(over_time=way), rest=rest)
    assert result.outer == ("sleeve",) and result.over_time == way
    assert all(not frame.after for frame in result.frames)
    assert result.frames[-1].before
    moves = [frame.parts[0].move for frame in result.frames]
    if way == "one":
        # The sleeve itself stands still here, so its directions are the same in all frames.
        assert result.flicker == 0 and all(np.allclose(m, moves[0]) for m in moves)
    else:
        middle = [np.linalg.norm(b - (a + c) / 2, axis=1).max()
                  for a, b, c in zip(moves, moves[1:], moves[2:], strict=False)]  # fmt: skip
        assert result.flicker == pytest.approx(max(middle))
        assert result.flicker < 0.25 * result.frames[-1].largest_move


@pytest.mark.long
def test_one_displacement_is_the_least_of_the_frame_that_asks_for_most():
    """The least move out of the most bent arm leaves the sleeve clear of it in the other frames,
    too. No displacement that serves all frames costs less, so theirs has to be that one."""
    bends = (0.1, 0.2, 0.3)
    rest = [tube(0.55, 0), arm(0)]
    scenes = [[tube(0.55, 0), arm(b)] for b in bends]
    alone = mended(*scenes[-1], settings=settings("sleeve"), rest=rest)
    for scene in scenes:
        moved = scene[0].with_positions(alone.meshes[0].positions)
        assert not find_clashes([moved, scene[1]]).passing
    together = mend_clashes(scenes, settings("sleeve", over_time="one"), rest=rest)
    assert together.left == 0
    for frame in together.frames:
        # Both end within 2 % of their least cost, which lengths follow by half of that.
        assert frame.largest_move == pytest.approx(alone.largest_move, rel=0.01)
        assert frame.largest_stretch == pytest.approx(alone.largest_stretch, rel=0.02)
        apart = frame.parts[0].move - alone.parts[0].move
        assert np.sqrt((apart**2).mean()) < 0.05 * np.sqrt((alone.parts[0].move ** 2).mean())
