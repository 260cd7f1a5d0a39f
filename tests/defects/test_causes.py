"""Regions' causes and cures, in scenes whose cause is known because it was built in."""

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays import cage_from_push
from tests.scenes.shapes import (
    as_low,
    box,
    combined,
    cylinder_high,
    grid,
    halves,
    mesh_parts,
    plane_high,
    prism,
    surface,
)

FEW = dict(samples=4000)


def worst(prediction, defect: Defect):
    """The region of a defect that covers most."""
    return max((r for r in prediction.regions if r.name == defect.title), key=lambda r: r.area)


def test_pieces_that_run_into_each_other_are_not_a_fold_at_a_distance():
    """A bar leans out of a plate: beside the line where they meet the gap is zero."""
    plate, bar = box((-1, -1, -0.1), (1, 1, 0.1)), box((-0.2, -0.2, -1), (0.2, 0.2, 1))
    x, y, z = bar[0].T
    leaning = np.stack([x + z, y, z - x], axis=1) / np.sqrt(2)
    positions, quads = combined(plate, (leaning, bar[1]))
    low, high = as_low(positions, quads), surface(positions, halves(quads))
    settings = Settings(offset=0.3, depth=0.1, reach=2.0, samples=20_000, directions="face")
    region = worst(predict(low, high, settings=settings), Defect.OVERSHOOT_OWN)
    assert "runs into this one" in region.cause
    assert region.cure.startswith("tune per vertex")


def test_a_neighbour_within_the_same_part_names_a_distance_above_zero():
    """A slot 0.2 wide: rays along the faces' normals from 0.4 out record the opposite wall."""
    left, right = box((-1, -1, -1), (-0.1, 1, 1)), box((0.1, -1, -1), (1, 1, 1))
    positions, quads = combined(left, right)
    settings = Settings(offset=0.4, depth=0.1, reach=2.0, directions="face", **FEW)
    result = predict(as_low(positions, quads), surface(positions, halves(quads)), settings=settings)
    region = worst(result, Defect.OVERSHOOT_OWN)
    assert "neighbouring fold" in region.cause and " 0.2 away" in region.cause
    assert region.cure.startswith("keep the offset here between 0 and 0.2;")


def test_part_without_partner_that_records_another_is_not_sent_to_offsets():
    plates = [grid(2), grid(2)]
    low = prepare_low(mesh_parts(plates[0], (plates[1][0] + [2, 0, 0], plates[1][1]),
                                 names=("plate_low", "card_low")))  # fmt: skip
    positions, quads = combined(grid(2), (grid(2)[0] + [2, 0, 0.01], grid(2)[1]))
    part = np.repeat([0, 1], 8).astype(np.int32)
    triangles = np.concatenate([halves(quads[:4]), halves(quads[4:])])
    high = surface(positions, triangles, part, ("plate_high", "cards_high"))
    paired = np.array([[True, False], [False, False]])
    result = predict(low, high, paired=paired,
                     settings=Settings(offset=0.05, depth=0.1, reach=1.0, **FEW))  # fmt: skip
    region = worst(result, Defect.OVERSHOOT_OTHER)
    assert region.part == "card_low" and region.other_part == "cards_high"
    assert region.cause == "no high-poly part is paired with card_low; its rays record cards_high"
    assert region.cure.startswith("name a partner")


def test_other_part_names_both_ways_out_in_one_sentence():
    low = prepare_low(mesh_parts(grid(2), names=("skin_low",)))
    high = plane_high([0.0, 0.1])
    result = predict(low, high, paired=np.array([[True, False]]),
                     settings=Settings(offset=0.2, depth=0.1, reach=1.0, **FEW))  # fmt: skip
    region = worst(result, Defect.OVERSHOOT_OTHER)
    assert region.cure == (
        "bake each pair by itself (--apart shows what that gives); with all parts together: keep "
        "the offset here between 0 and 0.1"
    )


def test_another_part_lying_on_this_one_has_no_offset():
    low = prepare_low(mesh_parts(grid(2), names=("skin_low",)))
    high = plane_high([-0.05, -0.01])
    result = predict(low, high, paired=np.array([[True, False]]),
                     settings=Settings(offset=0.1, depth=0.2, reach=1.0, **FEW))  # fmt: skip
    region = worst(result, Defect.OVERSHOOT_OTHER)
    assert region.cure.endswith("no offset helps: the other surface lies on this one or covers it")


def test_surface_under_floating_detail_is_said_to_be_covered():
    low = as_low(*grid(4))
    ground, button = grid(8), box((-0.2, -0.2, 0.05), (0.2, 0.2, 0.1))
    positions, _ = combined(ground, button)
    triangles = np.concatenate([halves(ground[1]), halves(button[1]) + len(ground[0])])
    part = np.repeat([0, 1], [len(halves(ground[1])), 12]).astype(np.int32)
    high = surface(positions, triangles, part, ("belt", "buckle"))
    result = predict(low, high, settings=Settings(offset=0.2, depth=0.1, reach=1.0, **FEW))
    region = worst(result, Defect.UNSEEN)
    assert region.other_part == "buckle"
    assert region.cause == "buckle lies over this high-poly surface and is recorded in its place"
    assert "floating detail" in region.cure


def test_unseen_surface_above_the_cage_asks_for_a_higher_cage():
    low = as_low(*grid(4))
    ground, block = grid(8), box((-0.2, -0.2, 0.0), (0.2, 0.2, 0.3))
    positions, quads = combined(ground, block)
    high = surface(positions, halves(quads))
    result = predict(low, high, settings=Settings(offset=0.1, depth=0.1, reach=1.0, **FEW))
    region = worst(result, Defect.UNSEEN)
    assert "above the cage" in region.cause and "raise the offset" in region.cure


def test_undercut_stays_an_undercut():
    low = as_low(*grid(4))
    ground, shelf = grid(8), box((-0.2, -0.2, 0.1), (0.2, 0.2, 0.2))
    positions, quads = combined(ground, shelf)
    high = surface(positions, halves(quads))
    result = predict(low, high, settings=Settings(offset=0.3, depth=0.1, reach=1.0, **FEW))
    region = worst(result, Defect.UNSEEN)
    assert region.other_part is None and "undercut" in region.cause


def test_a_tight_cage_is_cured_by_the_offset_that_is_named():
    """A square prism in a round tube: the cage's flat sides lie nearer than its corners."""
    low, high = as_low(*prism(4)), cylinder_high()
    settings = Settings(offset=0.3, depth=0.1, unseen_points=0, **FEW)
    region = worst(predict(low, high, settings=settings), Defect.MISS_TIGHT)
    need = float(region.cure.removeprefix("raise the offset here above "))
    # Mid-face the tube is 1 - cos(45 degrees) out, and the cage cos(45 degrees) of its push.
    assert need == pytest.approx(1 / np.cos(np.pi / 4) - 1, rel=2e-3) and need > 0.3
    cured = predict(low, high, settings=replace(settings, offset=1.005 * need))
    assert not cured.findings.has(Defect.MISS_TIGHT).any()


def test_an_uneven_cage_is_told_how_much_it_is_short():
    low, high = as_low(*grid(1)), plane_high([0.2])
    cage = cage_from_push(low, np.array([0.1, 0.1, 0.1, 0.12]))
    region = worst(
        predict(low, high, cage=cage, settings=Settings(depth=0.1, reach=1.0, **FEW)),
        Defect.MISS_TIGHT,
    )
    assert region.cure.startswith("raise the cage here by more than 0.1")


def test_a_part_that_is_inside_out_is_flipped_as_a_whole():
    low, settings = as_low(*grid(2)), Settings(offset=0.1, depth=0.1, reach=1.0, **FEW)
    region = worst(predict(low, plane_high([0.0], up=[False]), settings=settings),
                   Defect.BACK_FACING)  # fmt: skip
    assert "inside out" in region.cause and "all faces" in region.cure
