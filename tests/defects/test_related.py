"""Pieces of parts, and which were made for which: on scenes where that is known by hand."""

from __future__ import annotations

import numpy as np

from cagecheck.defects.targets import ground_of
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.pieces import connected_pieces, scattered
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays.scene import Scene
from tests.scenes.shapes import as_low, box, combined, halves, mesh_parts, surface

ONE = np.ones((1, 1), bool)
CROSSED = (
    box((-1.0, -0.1, -0.5), (1.0, 0.1, 0.5)),
    box((-0.1, -1.0, -0.4), (0.1, 1.0, 0.4)),
)


def low_of(*pieces):
    """A low poly of one part with some pieces."""
    return prepare_low(mesh_parts(combined(*pieces), names=("all",)))


def high_of(*pieces):
    positions, quads = combined(*pieces)
    return surface(positions, halves(quads))


def pieces_of(low, high):
    return ground_of(low, ONE, Scene(high)).pieces


def test_pieces_are_numbered_part_by_part():
    """Two triangles that share a corner, one alone, and one of another part on the first's."""
    corners = np.array([[0, 1, 2], [2, 3, 4], [5, 6, 7], [0, 1, 2], [7, 8, 9]], np.int32)
    part = np.array([0, 0, 0, 1, 0], np.int32)
    piece, count = connected_pieces(corners, part)
    assert count == 3
    assert piece.tolist() == [0, 0, 1, 2, 1]
    assert connected_pieces(corners[:0], part[:0])[1] == 0


def test_points_are_scattered_by_area():
    """A triangle three times as large as the other gets three of four points; none without area."""
    positions = np.array([[0, 0, 0], [3, 0, 0], [0, 1, 0], [3, 1, 0], [2, 1, 0.0]])
    triangles = np.array([[0, 1, 2], [1, 3, 4], [0, 0, 1]], np.int32)
    label = np.array([0, 0, 1], np.int32)
    asked, face, place = scattered(positions, triangles, label, 2, 1000, np.random.default_rng(1))
    assert asked.tolist() == [0]
    assert np.bincount(face).tolist() == [750, 250]
    assert (place[:, 2] == 0).all() and (place[face == 0] @ [1, 3, 0] <= 3 + 1e-12).all()


def test_pieces_that_cross_are_related_one_to_one():
    pieces = pieces_of(low_of(*CROSSED), high_of(*CROSSED))
    assert pieces is not None
    assert pieces.related.tolist() == [[True, False], [False, True]]
    # In whatever order they come.
    pieces = pieces_of(low_of(*CROSSED), high_of(*CROSSED[::-1]))
    assert pieces.related.tolist() == [[False, True], [True, False]]


def test_a_bolt_is_of_the_body_that_it_sits_on_and_one_sculpt_of_all_pieces():
    bolt = box((0.6, -0.05, 0.45), (0.7, 0.05, 0.55))
    pieces = pieces_of(low_of(*CROSSED), high_of(*CROSSED, bolt))
    assert pieces.related.tolist() == [[True, False, True], [False, True, False]]
    # Joined over one corner both boxes are one piece: there is nothing to tell apart.
    positions, quads = combined(*CROSSED)
    faces = halves(quads)
    joined = np.concatenate([faces, [[faces[0, 0], faces[-1, 0], faces[-1, 1]]]])
    assert pieces_of(low_of(*CROSSED), surface(positions, joined)) is None
    assert pieces_of(low_of(CROSSED[0]), high_of(*CROSSED)) is None


def test_a_soup_of_pieces_is_taken_as_whole_parts(monkeypatch):
    monkeypatch.setattr("cagecheck.defects.related.MOST_PAIRS", 3)
    assert pieces_of(low_of(*CROSSED), high_of(*CROSSED)) is None


def test_where_pieces_cross_each_point_gets_its_own_surface():
    """Two boxes a little larger than the low poly's: the target lies that much out, everywhere."""
    grow = 0.02
    grown = [(p + grow * np.sign(p), q) for p, q in CROSSED]
    low, high = low_of(*CROSSED), high_of(*grown)
    result = predict(
        low, high, settings=Settings(offset=0.05, depth=0.05, samples=4000, unseen_points=0,
                                     directions="face"),
    )  # fmt: skip
    assert result.targets.found.all()
    inner = np.abs(result.points.barycentric).min(axis=1) > 0
    assert np.allclose(result.targets.t[inner], grow, atol=1e-6)


def test_what_no_piece_of_its_own_explains_may_be_of_another():
    """A strip that mostly hangs over the edge has no high of its own, but lies on another's."""
    plate = box((-1.0, -1.0, -0.3), (1.0, 1.0, -0.004))
    strip = box((0.85, -0.2, -0.02), (2.0, 0.2, 0.001))
    far = box((3.0, 0.0, 0.0), (4.0, 1.0, 1.0))
    high_plate = box((-1.0, -1.0, -0.3), (1.0, 1.0, 0.0))
    low, high = low_of(plate, strip, far), high_of(high_plate, far)
    scene = Scene(high)
    ground = ground_of(low, ONE, scene)
    assert ground.pieces.related.tolist() == [[True, False], [False, False], [False, True]]
    result = predict(
        low, high, settings=Settings(offset=0.01, depth=0.05, samples=20_000, unseen_points=0,
                                     directions="face"),
    )  # fmt: skip
    place, piece = result.rays.origin, ground.pieces.low[result.points.triangle]
    top = (piece == 1) & (low.face_normals[result.points.triangle][:, 2] > 0.5)
    over = top & (place[:, 0] < 0.99)
    assert over.sum() > 10
    assert np.allclose(result.targets.t[over], -0.001)
    assert not result.targets.found[top & (place[:, 0] > 1.01)].any()


def test_a_small_piece_is_of_what_all_of_it_lies_nearest_to():
    """A chip over a plate of one triangle covers too little of it for the plate to miss it.

    So the chip's own points tell; the plate is the first triangle of all.
    """
    plate = np.array([[0, 0, 0], [4, 0, 0], [0, 4, 0]], float)
    low = as_low(np.concatenate([plate, plate + [9, 0, 0]]), [[0, 1, 2], [3, 4, 5]])
    chip = 0.1 * plate + [1, 1, 0.05]
    high = surface(np.concatenate([chip, plate + [9, 0, 0.05]]), np.arange(6).reshape(2, 3))
    assert pieces_of(low, high).related.tolist() == [[True, False], [False, True]]


def test_a_sculpt_is_of_a_small_piece_that_meets_it():
    """A tile lies on a floor a hundred times as large, and one skin over both.

    Of the skin little is nearest to the tile; but what the tile meets is nearest to the tile.
    """
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float) - [0.5, 0.5, 0]
    tile, floor = square + [0, 0, 0.1], 10 * square
    low = as_low(np.concatenate([tile, floor, floor + [50, 0, 0]]), np.arange(12).reshape(3, 4))
    skin = floor + [0, 0, 0.2]
    high = surface(np.concatenate([skin, skin + [50, 0, 0]]), halves(np.arange(8).reshape(2, 4)))
    related = pieces_of(low, high).related
    assert related.tolist() == [[True, False], [True, False], [False, True]]
