"""Inside, outside and inside out, against libigl's winding number and closed forms."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh

from cagecheck.rays.scene import Scene
from cagecheck.rays.winding import FIRST_LINES, LINES, orientation, sphere_lines, surrounded
from tests.scenes.shapes import box, combined, grid, halves, surface


def ball(radius=1.0, centre=(0, 0, 0), cuts=3):
    mesh = trimesh.creation.icosphere(cuts, radius)
    return mesh.vertices + np.asarray(centre, float), mesh.faces


def places(high, count, seed):
    rng = np.random.default_rng(seed)
    face = rng.integers(0, len(high.triangles), count).astype(np.int32)
    weights = rng.dirichlet(np.ones(3), count)
    return face, np.einsum("ij,ijk->ik", weights, high.positions[high.triangles[face]])


def test_in_closed_pieces_lines_give_the_winding_number():
    """Balls in balls through balls: libigl's number just before and just behind the surface."""
    positions, faces = combined(ball(), ball(0.4, (0.2, 0.1, 0.3)), ball(0.7, (0.8, 0, 0)))
    high = surface(positions, faces)
    face, place = places(high, 300, 1)
    found = surrounded(Scene(high), place, face, np.ones((1, 1), bool))
    normal = trimesh.triangles.normals(positions[faces[face]])[0]
    for side in (1, -1):
        beside = place + side * 1e-4 * normal
        number = igl.fast_winding_number(positions, faces.astype(np.int64), beside)
        clear = np.abs(number - np.round(number)) < 0.02
        assert clear.mean() > 0.95
        off = np.abs(found.winding - 0.5 * side - np.round(number))[clear]
        # A line that grazes a seam or an edge may lose a crossing in float32: 1/32 of the number.
        assert (off == 0).mean() > 0.95 and off.max() <= 2 / (2 * LINES)


def test_near_openings_the_mean_over_lines_is_near_the_winding_number():
    """A ball with a quarter cut away. Each line gives a whole or half number, 16 their mean."""
    positions, faces = ball()
    middle = positions[faces].mean(axis=1)
    faces = faces[(middle[:, 0] < 0) | (middle[:, 1] < 0)]
    high = surface(positions, faces)
    face, place = places(high, 400, 2)
    found = surrounded(Scene(high), place, face, np.ones((1, 1), bool))
    normal = trimesh.triangles.normals(positions[faces[face]])[0]
    beside = [igl.winding_number(positions, faces.astype(np.int64), place + side * 1e-5 * normal)
              for side in (1, -1)]  # fmt: skip
    error = found.winding - 0.5 * (beside[0] + beside[1])
    # A line's number is off by at most 1/2, and evenly spread lines do better than drawn ones.
    assert np.abs(error).max() < 0.5 and error.std() < 0.5 / np.sqrt(LINES)
    assert abs(error.mean()) < 0.01


def test_where_the_first_lines_agree_the_others_are_not_cast(monkeypatch):
    """Around closed pieces every line says the same, so half of them are enough."""
    inner, outer = box((-0.3,) * 3, (0.3,) * 3), box((-1,) * 3, (1,) * 3)
    positions, quads = combined(inner, outer)
    scene = Scene(surface(positions, halves(quads)))
    face, place = places(scene.surface, 50, 4)
    rays, cast = [], scene.cast

    def counted(origin, *others):
        rays.append(len(origin))
        return cast(origin, *others)

    monkeypatch.setattr(scene, "cast", counted)
    surrounded(scene, place, face, np.ones((1, 1), bool))
    assert sum(rays) == 50 * FIRST_LINES


def test_open_is_where_some_line_leads_out():
    """In a box nothing leads out; from the faces of a lone box everything does."""
    inner, outer = box((-0.3,) * 3, (0.3,) * 3), box((-1,) * 3, (1,) * 3)
    positions, quads = combined(inner, outer)
    high = surface(positions, halves(quads))
    face, place = places(high, 200, 3)
    found = surrounded(Scene(high), place, face, np.ones((1, 1), bool))
    within = np.abs(place).max(axis=1) < 0.5
    assert np.array_equal(found.open, ~within) and 0 < within.sum() < 200
    assert (found.winding[within] == 1.5).all() and (found.winding[~within] == 0.5).all()


def test_only_the_parts_that_count_surround():
    inner, outer = box((-0.3,) * 3, (0.3,) * 3), box((-1,) * 3, (1,) * 3)
    positions, quads = combined(inner, outer)
    part = np.tile(np.repeat([0, 1], 6), 2)
    high = surface(positions, halves(quads), part, ("inner", "outer"))
    face, place = places(high, 100, 3)
    found = surrounded(Scene(high), place, face, np.eye(2, dtype=bool))
    assert (found.winding == 0.5).all() and found.open.all()


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e4])
@pytest.mark.parametrize("thickness", [0.3, 1e-3])
def test_orientation_of_parts(scale, thickness):
    """A box, one inside out, a sheet, a box within the first, a ball with its lid open, nothing."""
    plate = box((-1, -1, 0), (1, 1, thickness))
    cup, lid = ball(1.0, (0, 0, 4))
    lid = lid[cup[lid].mean(axis=1)[:, 2] < 4.6]
    bits = [
        (plate[0], halves(plate[1])),
        (plate[0] + [0, 0, 9], halves(plate[1])[:, ::-1]),
        (grid(4, 2.0)[0] - [0, 0, 3], halves(grid(4, 2.0)[1])),
        (plate[0] * 0.5 + [0, 0, 0.2 * thickness], halves(plate[1])[:, ::-1]),
        (cup, lid),
        (np.zeros((3, 3)), np.array([[0, 1, 2]])),
    ]
    positions, faces = combined(*bits)
    part = np.repeat(np.arange(len(bits)), [len(f) for _, f in bits])
    high = surface(scale * positions + scale * 7, faces, part, [str(k) for k in range(len(bits))])
    assert orientation(Scene(high)).tolist() == [1, -1, 0, -1, 1, 0]


def test_lines_are_spread_over_the_sphere():
    """Both ends of all lines together: no direction is far from one (by area, 4 pi / 32 each)."""
    lines = sphere_lines(LINES)
    ends = np.concatenate([lines, -lines])
    assert np.allclose(np.linalg.norm(ends, axis=1), 1)
    asked = np.random.default_rng(0).normal(size=(2000, 3))
    asked /= np.linalg.norm(asked, axis=1, keepdims=True)
    apart = np.degrees(np.arccos(np.clip(asked @ ends.T, -1, 1)).min(axis=1))
    cap = np.degrees(np.arccos(1 - 2 / len(ends)))  # the cap of one share of the sphere
    assert apart.max() < 2.5 * cap
