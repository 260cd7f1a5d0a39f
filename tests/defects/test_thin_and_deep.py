"""Thin shells, cards, pits and touching pieces: what belongs is known by how they are made."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from tests.scenes.shapes import as_low, box, combined, grid, halves, surface

WRONG = (
    Defect.MISS_TIGHT, Defect.MISS_NOTHING, Defect.MISS_DEEP, Defect.OVERSHOOT_OWN,
    Defect.OVERSHOOT_OTHER, Defect.BACK_FACING,
)  # fmt: skip


def shell(n, thickness, height, keep=None, flip=None):
    """A closed plate over [-1/2, 1/2]^2; both skins are moved by `height`, which is 0 at the rim.

    keep, flip: of cells of the upper skin, by their middle: left out where keep says no, turned
    round where flip says yes.
    """
    positions, quads = grid(n, 1.0, height)
    half, count = np.array([0, 0, thickness / 2]), len(positions)
    middle = positions[quads].mean(axis=1)
    top = quads if keep is None else quads[keep(middle)]
    if flip is not None:
        top = np.where(flip(positions[top].mean(axis=1))[:, None], top[:, [0, 3, 2, 1]], top)
    index = np.arange((n + 1) ** 2).reshape(n + 1, n + 1)
    rim = [np.stack([a[:-1] + count, a[1:] + count, a[1:], a[:-1]], axis=1)
           for a in (index[:, 0], index[-1], index[::-1, -1], index[0, ::-1])]  # fmt: skip
    # Turned round from the same corner, so that both skins are cut along the same diagonals.
    faces = np.concatenate([top, quads[:, [0, 3, 2, 1]] + count, *rim])
    return np.concatenate([positions + half, positions - half]), faces


def waves(detail):
    def height(x, y):
        rim = np.clip(8 * (0.5 - np.maximum(abs(x), abs(y))), 0, 1)
        return detail * rim * np.sin(11 * x) * np.cos(9 * y)

    return height


def flat(x, y):
    return 0 * x


def skin(result):
    """Interior samples on the two skins, away from the rim, where rays run straight up or down."""
    origin = result.rays.origin
    return (result.points.area > 0) & (np.abs(origin[:, :2]).max(axis=1) < 0.375)


@pytest.mark.parametrize("thickness", [0.05, 0.02, 0.002, 1e-4])
@pytest.mark.parametrize("detail", [0.05, 0.02])
def test_each_skin_of_a_thin_shell_finds_its_own_surface(thickness, detail):
    low = as_low(*shell(8, thickness, flat))
    positions, quads = shell(96, thickness, waves(detail))
    settings = Settings(offset=1.1 * detail, depth=1.1 * detail, samples=8000, unseen_points=4000)
    result = predict(low, surface(positions, halves(quads)), settings=settings)
    asked = skin(result)
    up = np.sign(result.rays.direction[:, 2])
    x, y, _ = result.rays.origin.T
    # The skin above a point is known; between cells it is flat, off by curvature * cell^2 / 8.
    error = result.targets.t - up * waves(detail)(x, y)
    assert np.abs(error[asked]).max() < detail * (11**2 + 9**2) / 96**2 / 4
    assert result.targets.front[asked].all()
    for defect in WRONG:
        assert not (result.findings.has(defect) & asked).any(), defect
    inner = np.abs(result.unseen.points.position[:, :2]).max(axis=1) < 0.375
    assert not (result.unseen.lost & inner).any()


@pytest.mark.parametrize("thickness", [0.02, 0.002])
def test_a_hole_and_a_flipped_patch_in_one_skin_are_told_apart(thickness):
    """Through the hole rays meet the other skin's back, past the flipped patch they meet it too."""
    detail = 0.02

    def in_hole(middle):
        return np.abs(middle[:, :2] - [0.2, 0.2]).max(axis=1) < 0.1

    def in_patch(middle):
        return np.abs(middle[:, :2] + [0.2, 0.2]).max(axis=1) < 0.1

    low = as_low(*shell(8, thickness, flat))
    positions, quads = shell(100, thickness, waves(detail), lambda m: ~in_hole(m), in_patch)
    settings = Settings(offset=1.1 * detail, depth=1.1 * detail, samples=8000, unseen_points=0)
    result = predict(low, surface(positions, halves(quads)), settings=settings)
    upper = skin(result) & (result.rays.direction[:, 2] > 0.5)
    # Where the other skin's back rises above the low poly, it is what the hole lets rays record.
    nothing = result.findings.has(Defect.MISS_NOTHING)
    nothing |= result.findings.has(Defect.OVERSHOOT_OWN) & ~result.targets.found
    back = result.findings.has(Defect.BACK_FACING)
    for told, inside in ((nothing, in_hole), (back, in_patch)):
        expected = inside(result.rays.origin)
        # Cells are cut along their borders, so only samples on a border may go either way.
        assert (expected[upper] == told[upper]).mean() > 0.999
        assert told[upper].sum() > 100


def shared_card(n, height=flat):
    """A sheet with both sides on the same vertices."""
    positions, quads = grid(n, 1.0, height)
    return positions, np.concatenate([quads, quads[:, ::-1]])


def test_corners_of_a_card_follow_their_own_side():
    low = as_low(*shared_card(4))
    assert np.allclose(low.corner_rays, low.face_normals[:, None])
    assert not low.ray_normals.any()


def test_two_cards_that_share_the_vertices_where_they_cross():
    """On the crossing line eight faces meet at each edge; each corner's sheet goes straight on."""
    positions, quads = grid(4, 1.0)
    across = positions[:, [2, 1, 0]]
    index = np.arange(25).reshape(5, 5)
    number = 25 + np.arange(25)
    number[index[2]] = index[2]  # x = 0 of one sheet is z = 0 of the other
    faces = [quads, quads[:, ::-1], number[quads], number[quads][:, ::-1]]
    low = as_low(np.concatenate([positions, across]), np.concatenate(faces))
    assert np.allclose(low.corner_rays, low.face_normals[:, None])


def test_where_nothing_cancels_rays_follow_the_averaged_normals():
    low = as_low(*box((-1, -1, -1), (1, 1, 1)))
    assert not low.sheet_normals.any()
    assert np.allclose(low.corner_rays, low.positions[low.triangles] / np.sqrt(3))


@pytest.mark.parametrize("apart", [1e-6, 1e-3])
@pytest.mark.parametrize("shared", [True, False])
def test_both_sides_of_a_card_find_their_own_side(apart, shared):
    """The high poly is a card too, its sides raised by waves of their own, `apart` at the least."""

    def upper(x, y):
        return apart / 2 + 0.01 * (1 + np.sin(9 * x) * np.cos(8 * y))

    def lower(x, y):
        return -apart / 2 - 0.01 * (1 + np.cos(7 * x + 8 * y))

    positions, faces = shared_card(6) if shared else combined(
        grid(6), (grid(6)[0], grid(6)[1][:, ::-1])
    )  # fmt: skip
    low = as_low(positions, faces)
    top, bottom = grid(80, 1.0, upper), grid(80, 1.0, lower)
    high = surface(*combined((top[0], halves(top[1])), (bottom[0], halves(bottom[1])[:, ::-1])))
    settings = Settings(offset=0.03, depth=0.03, samples=6000, unseen_points=2000)
    result = predict(low, high, settings=settings)
    inner = result.points.area > 0
    assert result.targets.found[inner].all() and result.targets.front[inner].all()
    up = result.rays.direction[:, 2] > 0
    x, y, _ = result.rays.origin.T
    expected = np.where(up, upper(x, y), -lower(x, y))
    assert np.abs(result.targets.t - expected)[inner].max() < 0.01 * 15**2 / 80**2
    for defect in WRONG:
        assert not result.findings.has(defect)[inner].any(), defect


@pytest.mark.parametrize("depths", [2.0, 4.0, 20.0])
def test_a_pit_is_too_deep_and_told_how_deep(depths):
    """A block with a pit whose walls slope by one cell: the floor lies `deep` below everywhere."""
    deep, n = 0.4, 80

    def height(x, y):
        return np.where(np.maximum(abs(x), abs(y)) < 0.2, -deep, 0.0)

    block = shell(8, 1.0, flat)
    positions, quads = shell(n, 1.0, height)
    positions[len(positions) // 2 :, 2] = -0.5  # only the upper skin has the pit
    settings = Settings(offset=0.02, depth=deep / depths, samples=8000, unseen_points=0)
    result = predict(as_low(*block), surface(positions, halves(quads)), settings=settings)
    up = (result.rays.direction[:, 2] > 1 - 1e-9) & (result.points.area > 0)
    floor = up & (np.abs(result.rays.origin[:, :2]).max(axis=1) < 0.18)
    assert floor.sum() > 50 and np.allclose(result.targets.t[floor], -deep)
    assert result.findings.has(Defect.MISS_DEEP)[floor].all()
    assert not result.findings.has(Defect.MISS_NOTHING).any()
    short = result.findings.measures[Defect.MISS_DEEP][floor]
    assert np.allclose(short, deep - deep / depths)
    told = [r for r in result.regions if r.name == Defect.MISS_DEEP.title]
    assert len(told) == 1 and f"{deep:g}" in told[0].cure


def test_a_hole_stays_a_hole_however_far_the_ray_looks():
    """Through the hole in the lid the ray reaches the floor's inside, which is no pit."""
    n = 40
    positions, quads = shell(n, 1.0, flat, lambda m: np.abs(m[:, :2]).max(axis=1) > 0.2)
    settings = Settings(offset=0.02, depth=0.02, samples=8000, unseen_points=0)
    result = predict(as_low(*shell(8, 1.0, flat)), surface(positions, halves(quads)),
                     settings=settings)  # fmt: skip
    up = (result.rays.direction[:, 2] > 1 - 1e-9) & (result.points.area > 0)
    open_there = np.abs(result.rays.origin[:, :2]).max(axis=1) < 0.2 - 1e-9
    assert np.array_equal(result.findings.has(Defect.MISS_NOTHING)[up], open_there[up])


@pytest.mark.parametrize("turned", ["low", "high"])
def test_inside_out_as_a_whole_finds_the_same_surface(turned):
    """A thin wavy shell, so that nearest places alone would tell nothing."""
    low_faces, high_faces = shell(8, 0.02, flat), shell(96, 0.02, waves(0.04))
    quads = [low_faces[1], high_faces[1]]
    quads[turned == "high"] = quads[turned == "high"][:, ::-1]
    low = prepare_low(mesh_from_polygons(low_faces[0], quads[0]))
    high = surface(high_faces[0], halves(quads[1]))
    settings = Settings(offset=0.05, depth=0.05, samples=6000, unseen_points=0)
    result = predict(low, high, settings=settings)
    asked = skin(result)
    assert result.targets.found[asked].all() and not result.targets.front[asked].any()
    x, y, _ = result.rays.origin.T
    expected = waves(0.04)(x, y) * np.sign(result.rays.direction[:, 2])
    error = np.abs(result.targets.t - expected)[asked]
    assert error.max() < 0.04 * (11**2 + 9**2) / 96**2 / 4
    # Of a low poly that is inside out rays start inside: there some meet the other skin first.
    back = result.findings.has(Defect.BACK_FACING)[asked]
    assert back.all() if turned == "high" else back.any()
