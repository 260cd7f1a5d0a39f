"""Which faces show their backs, and which of low and high is inside out; truth by construction."""

from __future__ import annotations

from dataclasses import replace

import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.inspecting import inspect_pair
from cagecheck.inspecting.edges import polygon_edges
from cagecheck.inspecting.sheets import find_sheets
from cagecheck.inspecting.shells import judge_facing
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from tests.scenes.sound_lows import box, codes, flipped, grid, inspect, the


def mesh_of(mesh: trimesh.Trimesh, name: str = "solid"):
    return mesh_from_polygons(mesh.vertices, mesh.faces, part=name)


def cup() -> trimesh.Trimesh:
    """A ball without its top: open, with an inside."""
    ball = trimesh.creation.icosphere(subdivisions=3)
    return trimesh.Trimesh(ball.vertices, ball.faces[ball.triangles_center[:, 2] < 0.5])


def wave(n: int = 24, height: float = 0.05):
    """A patch that shows no inside."""
    mesh = grid(n)
    points = mesh.positions.copy()
    points[:, 2] = height * np.sin(9 * points[:, 0]) * np.cos(7 * points[:, 1])
    return replace(mesh, positions=points)


def facing_of(mesh):
    low = prepare_low(mesh)
    return low, judge_facing(low, polygon_edges(low))


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.sets(st.integers(0, 319), min_size=1, max_size=300), st.booleans())
def test_flipped_faces_of_a_ball_are_named(faces, open_below):
    """However many they are: the volume, or what the sides see, tells which side is out."""
    ball = trimesh.creation.icosphere(subdivisions=2)
    wound = ball.faces.copy()
    wound[list(faces)] = wound[list(faces)][:, ::-1]
    kept = np.arange(320) if not open_below else np.flatnonzero(ball.triangles_center[:, 2] > -0.5)
    _, facing = facing_of(mesh_from_polygons(ball.vertices, wound[kept]))
    truth = np.isin(kept, list(faces))
    if truth.all():
        assert facing.inwards.tolist() == [True]
    else:
        assert np.array_equal(facing.flipped, truth) and not facing.inwards.any()


def test_sheets_are_those_of_libigl():
    """libigl's bfs_orient turns the same faces, up to the side that it begins with."""
    rng = np.random.default_rng(4)
    torus = trimesh.creation.torus(1, 0.3)
    wound = torus.faces.copy()
    chosen = rng.random(len(wound)) < 0.4
    wound[chosen] = wound[chosen][:, ::-1]
    low = prepare_low(mesh_from_polygons(torus.vertices, wound))
    sheets = find_sheets(low, polygon_edges(low))
    oriented, patch = igl.bfs_orient(low.welded.astype(np.int64))
    same = (np.sort(oriented, 1) == np.sort(low.welded, 1)).all()
    turned = np.array([
        tuple(np.roll(a, -int(np.argmin(a)))) != tuple(np.roll(b, -int(np.argmin(b))))
        for a, b in zip(oriented, low.welded, strict=True)
    ])  # fmt: skip
    assert same and sheets.count == len(np.unique(patch)) == 1 and sheets.closed.all()
    assert np.array_equal(sheets.turn < 0, turned) or np.array_equal(sheets.turn > 0, turned)


def test_a_moebius_band_has_one_side():
    steps, turns = 24, np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rim = []
    for side in (-0.3, 0.3):
        radius = 1 + side * np.cos(turns / 2)
        rim.append(np.stack([radius * np.cos(turns), radius * np.sin(turns),
                             side * np.sin(turns / 2)], 1))  # fmt: skip
    faces = []
    for k in range(steps):
        a, b = k, (k + 1) % steps
        near, far = (a, a + steps), (b, b + steps) if b else (b + steps, b)
        faces += [[near[0], far[0], far[1]], [near[0], far[1], near[1]]]
    _, facing = facing_of(mesh_from_polygons(np.concatenate(rim), faces))
    assert facing.sheets.count == 1 and not facing.sheets.two_sided.any()
    assert not facing.flipped.any() and not facing.inwards.any()


def test_flipped_faces_do_not_hide_an_inverted_shell():
    """Inside out but for three faces: those three are right, all others are told."""
    ball = trimesh.creation.icosphere(subdivisions=2)
    mesh = flipped(mesh_of(ball), [k for k in range(320) if k not in (5, 60, 200)])
    finding = the(inspect(mesh), "inconsistent-winding")
    assert finding.count == 9 and finding.measures["faces_to_flip"] == 317
    mesh = flipped(mesh_of(ball), [5, 60, 200])
    finding = the(inspect(mesh), "inconsistent-winding")
    assert finding.measures["faces_to_flip"] == 3 and "5, 60, 200" in finding.cure


def test_a_fin_does_not_hide_an_inverted_shell():
    ball = trimesh.creation.icosphere(subdivisions=2)
    a, b = ball.faces[0][:2]
    points = np.vstack([ball.vertices, 2 * ball.vertices[[a, b]].mean(axis=0)])
    faces = [*ball.faces[:, ::-1].tolist(), [a, b, len(ball.vertices)]]
    found = codes(inspect(mesh_from_polygons(points, faces)))
    assert found == ["non-manifold-edges", "inverted-shell", "uv-missing", "open-borders"]


def test_all_of_it_inside_out_is_said():
    whole = the(inspect(flipped(box())), "inverted-shell")
    assert "the low poly is inside out" in whole.text and "all faces" in whole.cure
    some = the(inspect(flipped(box("a")), box("b", at=(3, 0, 0), uv_at=(1.1, 0.1))),
               "inverted-shell")  # fmt: skip
    assert "the low poly is inside out" not in some.text
    assert "inside out" in the(inspect(flipped(mesh_of(cup()))), "inward-shell").text


def high_of(mesh, turn: bool) -> Surface:
    """The same shape as a high poly, slightly off."""
    low = prepare_low(mesh)
    triangles = low.triangles[:, ::-1].copy() if turn else low.triangles
    rng = np.random.default_rng(1)
    near = low.positions + 1e-3 * rng.normal(size=low.positions.shape)
    return Surface(near, triangles, low.triangle_part, low.part_names)


def open_cup():
    return mesh_of(cup())


def ball():
    return mesh_of(trimesh.creation.icosphere(subdivisions=3))


@pytest.mark.parametrize(
    ("shape", "low_turned", "high_turned", "expected"),
    [
        (ball, False, False, {}),
        (ball, True, False, {"inverted-shell": None}),
        (ball, False, True, {"high-inverted": None}),
        (open_cup, False, False, {}),
        (open_cup, True, False, {"facing-apart": "low"}),
        (open_cup, False, True, {"facing-apart": "high"}),
        (wave, False, False, {}),
        (wave, True, False, {"facing-apart": "unknown"}),
        (wave, False, True, {"facing-apart": "unknown"}),
    ],
)
def test_which_of_low_and_high_is_inside_out(shape, low_turned, high_turned, expected):
    mesh = shape()
    low = prepare_low(flipped(mesh) if low_turned else mesh)
    found = inspect_pair(low, high_of(mesh, high_turned))
    about = {"inverted-shell", "inward-shell", "high-inverted", "facing-apart", "hollow-shell"}
    assert {c for c in codes(found) if c in about} == set(expected)
    if who := expected.get("facing-apart"):
        finding = the(found, "facing-apart")
        assert finding.measures["parts_low_inside_out"] == float(who == "low")
        assert finding.measures["parts_high_inside_out"] == float(who == "high")
        words = {"low": "low poly is", "high": "high poly is", "unknown": "neither shows which"}
        assert words[who] in finding.text


def test_a_double_sided_card_and_a_thin_plate_oppose_nothing():
    card = wave()
    quads = card.corner_vertex.reshape(-1, 4)
    both = mesh_from_polygons(card.positions, np.concatenate([quads, quads[:, ::-1]]).tolist())
    assert "facing-apart" not in codes(inspect_pair(prepare_low(both), high_of(both, False)))
    plate = mesh_of(trimesh.creation.box((1, 1, 0.02)).subdivide().subdivide().subdivide())
    assert "facing-apart" not in codes(inspect_pair(prepare_low(plate), high_of(plate, False)))


def test_a_double_sided_card_is_not_non_manifold():
    """Its inner edges have four faces, two fronts and their backs; a fin on one of them is told."""
    card = grid(3)
    quads = card.corner_vertex.reshape(-1, 4)
    both = [*quads.tolist(), *quads[:, ::-1].tolist()]
    found = codes(inspect(mesh_from_polygons(card.positions, both)))
    assert found == ["uv-missing", "double-sided-faces"]
    points = np.vstack([card.positions, [[0.5, 0.5, 1.0]]])
    a, b = int(quads[4][0]), int(quads[4][1])
    fin = mesh_from_polygons(points, [*both, [a, b, len(card.positions)]])
    assert the(inspect(fin), "non-manifold-edges").count == 1


def test_a_room_that_both_show_from_within_is_no_fault():
    mesh = flipped(open_cup())
    assert "inward-shell" in codes(inspect(mesh))
    found = codes(inspect_pair(prepare_low(mesh), high_of(mesh, False)))
    assert not {"inward-shell", "facing-apart"} & set(found)


@pytest.mark.parametrize("count", [0, 1, 40, 320])
def test_normals_that_point_behind_their_faces_are_named(count):
    """Truth by construction: the radial normals of a ball, some of them turned round."""
    ball = trimesh.creation.icosphere(subdivisions=2)
    mesh = mesh_of(ball)
    normal = mesh.positions[mesh.corner_vertex] / np.linalg.norm(
        mesh.positions[mesh.corner_vertex], axis=1, keepdims=True
    )
    turned = np.random.default_rng(3).choice(320, count, replace=False)
    normal.reshape(320, 3, 3)[turned] *= -1
    inspection = inspect(replace(mesh, corner_normal=normal))
    assert ("normals-turned" in codes(inspection)) == (count > 0)
    if count:
        assert the(inspection, "normals-turned").faces.tolist() == sorted(turned.tolist())


def test_high_parts_without_area_are_named():
    ball = trimesh.creation.icosphere(subdivisions=1)
    points = np.concatenate([ball.vertices, np.zeros((3, 3))]).astype(np.float32)
    corners = np.concatenate([ball.faces, [[42, 43, 44]] * 5]).astype(np.int32)
    part = np.array([0] * 80 + [1] * 5, np.int32)
    high = Surface(points, corners, part, ("ball", "dust"))
    found = inspect_pair(prepare_low(mesh_of(ball)), high)
    dust = the(found, "high-no-area")
    assert list(dust.by_part) == ["dust"] and dust.faces.tolist() == [80, 81, 82, 83, 84]
