"""Faces without area and doubled faces take no part; thin ones that are real do."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import trimesh

from cagecheck.inspecting import inspect_low
from cagecheck.maps.texels import texel_points
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh, mesh_from_polygons
from cagecheck.meshes.set_aside import EXTENT_ROUNDING, repeated_faces
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.points import sample_points
from cagecheck.tuning.folds import check_shell
from tests.scenes.sound_lows import grid


def ball(subdivisions: int = 3) -> Mesh:
    sphere = trimesh.creation.icosphere(subdivisions=subdivisions)
    return mesh_from_polygons(sphere.vertices, sphere.faces)


def dirty(mesh: Mesh, seed: int, count: int = 60) -> Mesh:
    """The mesh with faces that are lines, points, nearly lines, and copies, drawn among its own."""
    rng = np.random.default_rng(seed)
    faces = mesh.corner_vertex.reshape(-1, 3)
    points, more = [mesh.positions], []
    for k in rng.integers(0, len(faces), count):
        a, b, c = (int(v) for v in faces[k])
        kind = int(rng.integers(0, 6))
        new = sum(len(p) for p in points)
        if kind == 0:
            more.append([a, b, a])
        elif kind == 1:
            more.append([a, a, a])
        elif kind == 2:  # a corner in the middle of a side
            points.append(0.5 * mesh.positions[[a]] + 0.5 * mesh.positions[[b]])
            more.append([a, b, new])
        elif kind == 3:  # no line in float64, nothing in float32
            points.append(mesh.positions[[a]] + 1e-9 * rng.normal(size=(2, 3)))
            more.append([a, new, new + 1])
        elif kind == 4:
            more.append([b, c, a])
        else:  # a copy with vertices of its own
            points.append(mesh.positions[[a, b, c]])
            more.append([new, new + 1, new + 2])
    order = rng.permutation(len(faces) + len(more))
    polygons = [[*map(int, f)] for f in faces] + more
    return mesh_from_polygons(np.concatenate(points), [polygons[k] for k in order])


@pytest.mark.parametrize("seed", range(6))
def test_the_rest_is_as_if_they_were_not_there(seed):
    """What is left has the shape that trimesh counts for the clean ball: closed, same volume."""
    clean, low = prepare_low(ball()), prepare_low(dirty(ball(), seed))
    assert len(low.aside.flat) + len(low.aside.doubled) == 60
    assert len(low.triangles) == len(clean.triangles)
    left = trimesh.Trimesh(low.positions, low.triangles)
    assert left.is_watertight and left.is_winding_consistent
    assert left.volume == pytest.approx(trimesh.Trimesh(clean.positions, clean.triangles).volume)
    assert low.area.sum() == pytest.approx(clean.area.sum())
    # Normals of the same places are those of the clean ball, to the last bits of other sums.
    ours = low.ray_normals[low.position_id[: low.mesh.vertex_count]]
    theirs = clean.ray_normals[clean.position_id]
    used = np.unique(low.triangles)
    spot = {tuple(p): n for p, n in zip(clean.positions.tolist(), theirs, strict=True)}
    expected = np.array([spot[tuple(low.positions[v].tolist())] for v in used])
    assert np.allclose(ours[used], expected, atol=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_inspect_tells_them_and_nothing_else(seed):
    found = {f.check.code: f for f in inspect_low(prepare_low(dirty(ball(), seed))).findings}
    assert set(found) == {"zero-area-faces", "duplicate-faces", "uv-missing"}
    assert found["zero-area-faces"].count + found["duplicate-faces"].count == 60


@pytest.mark.parametrize("seed", range(3))
def test_they_do_not_hide_an_inverted_shell(seed):
    mesh = ball()
    inside_out = replace(mesh, corner_vertex=mesh.corner_vertex.reshape(-1, 3)[:, ::-1].ravel())
    codes = {f.check.code for f in inspect_low(prepare_low(dirty(inside_out, seed))).findings}
    assert codes == {"zero-area-faces", "duplicate-faces", "inverted-shell", "uv-missing"}


def test_they_are_said_once_with_count_and_place():
    low = prepare_low(dirty(ball(), 1))
    flat, doubled = low.notices
    assert (flat.code, flat.count) == ("zero-area-faces", len(low.aside.flat))
    assert (doubled.code, doubled.count) == ("doubled-faces", len(low.aside.doubled))
    assert "Parts: mesh." in flat.text and str(low.aside.flat[0]) in flat.text
    assert prepare_low(ball()).notices == ()


def exact_doubled_area2(corners) -> Fraction:
    """The squared cross product of two sides, in rational numbers."""
    a, b, c = ([Fraction(float(x)) for x in p] for p in corners)
    u, v = [y - x for x, y in zip(a, b, strict=True)], [y - x for x, y in zip(a, c, strict=True)]
    cross = [u[i - 2] * v[i - 1] - u[i - 1] * v[i - 2] for i in range(3)]
    return sum((x * x for x in cross), Fraction(0))


@pytest.mark.parametrize("seed", range(4))
def test_what_has_area_is_decided_as_in_rational_numbers(seed):
    """Around the limit, for triangles of every shape: height over the longest side, exactly."""
    rng = np.random.default_rng(seed)
    # One large triangle gives the part its diagonal; all others lie in its box.
    points, faces = [[0.0, 0, 0], [1, 0, 0], [0, 1, 1.0]], [[0, 1, 2]]
    for k in range(200):
        base = rng.uniform(0.2, 0.3, 3)
        length, height = 10.0 ** rng.uniform(-6, -1), 10.0 ** rng.uniform(-8.5, -5.5)
        u = rng.normal(size=3)
        u /= np.linalg.norm(u)
        v = np.cross(u, rng.normal(size=3))
        v /= np.linalg.norm(v)
        points += [base, base + length * u, base + 0.4 * length * u + height * v]
        faces.append([3 * k + 3, 3 * k + 4, 3 * k + 5])
    low = prepare_low(mesh_from_polygons(np.array(points), faces))
    diagonal = Fraction(float(np.sqrt(3)))
    for k, face in enumerate(faces[1:], 1):
        corners = np.array(points)[face]
        sides = [
            sum((Fraction(float(x)) - Fraction(float(y))) ** 2 for x, y in zip(p, q, strict=True))
            for p, q in zip(corners, np.roll(corners, 1, axis=0), strict=True)
        ]
        longest2 = max(sides)
        limit2 = max(Fraction(2) ** -44 * longest2, (Fraction(EXTENT_ROUNDING) * diagonal) ** 2)
        assert (k not in low.aside.flat) == (exact_doubled_area2(corners) > limit2 * longest2), k


@pytest.mark.parametrize("scale", [1e-4, 1.0, 1e6])
@pytest.mark.parametrize("shift", [0.0, 1e4])
def test_the_rule_moves_with_the_mesh(scale, shift):
    mesh = dirty(ball(2), 3)
    moved = mesh.with_positions((mesh.positions + shift) * scale)
    here, there = prepare_low(mesh), prepare_low(moved)
    # At a shift of 1e4 the planted 1e-9 is float64's own rounding: still no area.
    assert np.array_equal(here.aside.flat, there.aside.flat)
    assert np.array_equal(here.aside.doubled, there.aside.doubled)


def test_a_thin_triangle_stays():
    points = np.array([[0, 0, 0], [1, 0, 0], [0.5, 1e-5, 0], [0, 1, 0], [0.3, 1e-15, 0]])
    low = prepare_low(mesh_from_polygons(points, [[0, 1, 2], [0, 2, 3], [0, 1, 4]]))
    assert low.aside.flat.tolist() == [2] and low.cut.face.tolist() == [0, 1]
    assert set(sample_points(low, 0.1).triangle) == {0, 1}


def test_float32_files_far_from_the_origin():
    """At 10,000 float32 goes in steps of 0.00098: what is lower than one has no shape."""
    step = float(np.spacing(np.float32(1e4)))
    points = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0.5, step, 0], [0.5, 4 * step, 0]]) + 1e4
    assert np.array_equal(points, points.astype(np.float32))
    faces = [[0, 1, 2], [0, 1, 3], [0, 1, 4]]
    assert prepare_low(mesh_from_polygons(points, faces)).aside.flat.tolist() == [1]
    finer = np.vstack([points, points[:1] + 1e-7])  # a file with more digits can hold the shape
    assert prepare_low(mesh_from_polygons(finer, faces)).aside.flat.tolist() == []


def test_a_line_that_fills_a_gap_still_joins():
    """A box side cut in two against a neighbour in one piece, and the line between them."""
    box = trimesh.creation.box()
    faces = box.faces.tolist()
    a, b = faces[0][0], faces[0][1]
    middle = len(box.vertices)
    c = faces[0][2]
    points = np.vstack([box.vertices, 0.5 * (box.vertices[[a]] + box.vertices[[b]])])
    cut = [[a, middle, c], [middle, b, c], *faces[1:]]
    closed = prepare_low(mesh_from_polygons(points, [*cut, [middle, a, b]]))
    assert closed.aside.flat.tolist() == [len(cut)] and len(closed.triangles) == len(cut) + 1
    assert closed.area[-1] == 0 and (sample_points(closed, 0.2).triangle != len(cut)).all()
    codes = [f.check.code for f in inspect_low(closed).findings]
    assert codes == ["zero-area-faces", "uv-missing"]
    gap = [f.check.code for f in inspect_low(prepare_low(mesh_from_polygons(points, cut))).findings]
    assert "open-borders" in gap
    # Wound against its neighbours, or there twice, it closes nothing.
    for extra in ([[a, middle, b]], [[middle, a, b], [a, b, middle], [b, a, middle]]):
        low = prepare_low(mesh_from_polygons(points, cut + extra))
        assert len(low.triangles) == len(cut), extra


def test_a_quad_with_a_corner_on_its_side_keeps_its_area():
    points = np.array([[0, 0, 0], [0.5, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]])
    low = prepare_low(mesh_from_polygons(points, [[0, 1, 2, 3, 4]]))
    assert low.aside.flat.size == 0 and low.area.sum() == pytest.approx(1)


def test_folds_are_not_told_of_them():
    """A shell that folds nowhere, with lines and specks whose cage corners lie any way."""
    mesh = dirty(ball(2), 5)
    low = prepare_low(mesh)
    assert not check_shell(low, cage_from_offset(low, 0.2)).folded.any()


def test_the_back_of_a_card_stays():
    mesh = grid(2)
    quads = mesh.corner_vertex.reshape(-1, 4)
    both = np.concatenate([quads, quads[:, ::-1]]).tolist()
    low = prepare_low(mesh_from_polygons(mesh.positions, both))
    assert low.notices == () and len(low.triangles) == 16


def test_copies_are_told_by_their_places_in_order():
    rng = np.random.default_rng(0)
    rings = [[0, 1, 2, 3], [1, 2, 3, 0], [3, 2, 1, 0], [0, 2, 1, 3], [2, 1, 0, 3], [0, 1, 2]]
    order = rng.permutation(4)
    place = np.array([7, 3, 9, 5])[order]
    mesh = mesh_from_polygons(rng.random((4, 3)), rings)
    first, same_way = repeated_faces(mesh, place)
    assert first.tolist() == [0, 0, 0, 3, 0, 5]
    assert same_way.tolist() == [True, True, False, True, False, True]
    assert prepare_low(mesh).aside.doubled.tolist() == [1, 4]


@pytest.mark.parametrize("seed", range(3))
def test_maps_are_as_if_they_were_not_there(seed):
    """Lines and copies with UVs all over a sound layout: no overlap, no mirrored island."""
    mesh = grid(6)
    quads = mesh.corner_vertex.reshape(-1, 4)
    rng = np.random.default_rng(seed)
    more = []
    for k in rng.integers(0, len(quads), 20):
        a, b, c, d = (int(v) for v in quads[k])
        more.append([[a, b, a, b], [b, c, d, a], [a, a, a, c]][int(rng.integers(0, 3))])
    uv = np.concatenate([mesh.corner_uv, rng.uniform(0, 1, (4 * len(more), 2))])
    both = mesh_from_polygons(mesh.positions, [*quads.tolist(), *more], uv=uv)
    low = prepare_low(both)
    found = {f.check.code for f in inspect_low(low, map_size=256).findings}
    assert found == {"zero-area-faces", "duplicate-faces", "open-borders"}
    clean = prepare_low(mesh)
    ours, theirs = (texel_points(each, 64, 1001) for each in (low, clean))
    assert ours.overlaps == 0 and np.array_equal(ours.x, theirs.x)
    assert np.array_equal(ours.points.triangle, theirs.points.triangle)
