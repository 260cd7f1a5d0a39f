"""Cast and match: the same as its steps one by one; what is left out is as if it were not there;
trees and graph of a low poly are made once, however often it is cast at.
"""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from cagecheck.defects import match
from cagecheck.defects.classify import classify
from cagecheck.defects.match import REACH_HEADROOM, Matcher, reach_past
from cagecheck.defects.targets import Ground, find_targets, ground_of
from cagecheck.files import OutputFolder
from cagecheck.locating.locate import LocateSettings, locate
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface
from cagecheck.predicting.maps.predicted import add_maps_of
from cagecheck.predicting.maps.write_maps import MapFormat
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import Along, Cage, cage_from_offset, cage_from_push, rays_through
from cagecheck.rays.points import sample_points
from cagecheck.rays.scene import Scene
from cagecheck.tuning.conflicts import explain_conflicts
from cagecheck.tuning.single import uniform_prediction
from cagecheck.tuning.straighten.straighten import straighten
from cagecheck.tuning.tune import TuneSettings, tune
from tests.scenes.locating import DEPTH, OFFSET, PAIRED, baked_maps, make_scenery
from tests.scenes.shapes import (
    as_low,
    box,
    grid,
    halves,
    mesh_parts,
    plane_high,
    plane_low,
    surface,
)
from tests.scenes.tuning import bumpy_pair

QUICK = Settings(samples=2000, unseen_points=0, depth=0.08, reach=0.25)
EYE = np.eye(2, dtype=bool)
# Of the larger boxes over the smaller ones, on every side.
RIM = 0.02


def two_boxes(*parts: int) -> tuple[LowPoly, Surface]:
    """Two boxes a tenth apart, and the given ones of two a little larger over them."""
    places = np.array([[[0.0, 0, 0], [1, 1, 1]], [[1.1, 0, 0], [2.1, 1, 1]]])
    low = prepare_low(mesh_parts(*(box(a, b) for a, b in places), names=("left", "right")))
    positions, triangles, part = [], [], []
    for k in parts:
        p, quads = box(places[k, 0] - RIM, places[k, 1] + RIM)
        triangles.append(halves(quads) + 8 * len(positions))
        positions.append(p)
        part.append(np.full(2 * len(quads), k))
    high = surface(
        np.concatenate(positions), np.concatenate(triangles), np.concatenate(part), ("l", "r")
    )
    return low, high


def two_tiles() -> LowPoly:
    """A plate whose right half lies on the second tile."""
    positions, quads = grid(2)
    corner = positions[quads.ravel(), :2] + 0.5
    right = np.repeat(positions[quads].mean(axis=1)[:, 0] > 0, 4)
    return as_low(positions, quads, corner + np.outer(right, [1.0, 0.0]))


def uneven_cage(low: LowPoly) -> Cage:
    return cage_from_push(low, np.random.default_rng(3).uniform(0.03, 0.3, low.mesh.vertex_count))


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[LowPoly]:
    """The low polys that trees and graphs are made for, in order."""
    lows: list[LowPoly] = []

    def counted(low: LowPoly, paired: np.ndarray, scene: Scene) -> Ground:
        lows.append(low)
        return ground_of(low, paired, scene)

    monkeypatch.setattr(match, "ground_of", counted)
    return lows


@pytest.mark.parametrize("along", ["cage", "normals"])
@pytest.mark.parametrize("apart", [False, True])
def test_a_cast_is_its_steps_one_by_one(along: Along, apart: bool) -> None:
    low, high = two_boxes(0, 1)
    scene, cage, points = Scene(high), uneven_cage(low), sample_points(low, 0.1, seed=5)
    rays = rays_through(low, cage, points, along)
    farthest = 1.05 * float(rays.start.max())
    assert farthest > 0.2
    layers = scene.cast(rays.origin, rays.direction, 3 * 0.1, farthest)
    part, own = high.triangle_part, []
    for k, i in enumerate(layers.ray):
        mine = EYE[low.triangle_part[points.triangle[i]], part[layers.face[k]]]
        own.append(bool(mine) or not apart)
    assert all(own) != apart
    layers = layers.where(np.array(own))
    targets = find_targets(low, points, rays, layers, scene, EYE)

    matcher = Matcher(low, scene, EYE, along, apart)
    cast = matcher.cast(cage, points, 0.1, 0.2)
    assert cast.points is points and len(cast) == len(points)
    for mine, theirs in ((cast.rays, rays), (cast.layers, layers), (cast.targets, targets)):
        for f in fields(theirs):
            got, expected = getattr(mine, f.name), getattr(theirs, f.name)
            if f.name == "layers":
                assert got is cast.layers
                continue
            assert np.array_equal(got, expected, equal_nan=got.dtype.kind == "f"), f.name

    recorded = layers.recorded(rays.start, 0.1)
    assert np.array_equal(cast.recorded(0.1), recorded)
    wrong = [bool(t != -1 and r != t) for t, r in zip(targets.layer, recorded, strict=True)]
    assert cast.wrong_at(0.1).tolist() == wrong
    # Alone, every box has but one surface, and the cage is never below it.
    assert any(wrong) != apart and not all(wrong)

    found = matcher.classify(cage, cast, depth=0.1, map_size=64)
    theirs = classify(
        low, high, cage, points, rays, layers, targets, EYE, depth=0.1, map_size=64
    )  # fmt: skip
    assert np.array_equal(found.flags, theirs.flags)


def test_a_part_that_is_left_out_is_as_if_it_were_not_there() -> None:
    low, both = two_boxes(0, 1)
    _, alone = two_boxes(0)
    points, cage = sample_points(low, 0.1, seed=5), uneven_cage(low)
    less = Matcher(low, Scene(both), EYE).cast(cage, points, 0.1, 0.2, without=1)
    there = Matcher(low, Scene(alone), EYE).cast(cage, points, 0.1, 0.2)
    assert np.array_equal(less.layers.first, there.layers.first)
    assert less.layers.t == pytest.approx(there.layers.t, abs=1e-12)
    assert np.array_equal(less.targets.layer, there.targets.layer)
    # The right box finds nothing without its own surface, the left one all of its.
    left = low.triangle_part[points.triangle] == 0
    assert np.array_equal(less.targets.found, left)


def test_layers_are_known_a_little_beyond_the_farthest_start() -> None:
    assert reach_past(np.array([0.1, 0.4, -2.0]), 0.3) == pytest.approx(REACH_HEADROOM * 0.4)
    assert reach_past(np.array([0.1]), 0.3) == 0.3
    assert reach_past(np.zeros(0), 0.3) == 0.3
    # A plate at 0.51 above a cage at 0.5: within the headroom, though the reach ends at 0.2.
    low = plane_low(2)
    matcher = Matcher(low, Scene(plane_high([0.51])), np.ones((1, 1), bool))
    points = sample_points(low, 0.2)
    cast = matcher.cast(cage_from_offset(low, 0.5), points, 0.1, 0.2)
    assert cast.targets.t == pytest.approx(np.full(len(points), 0.51))
    assert cast.wrong_at(0.1).all()
    assert not matcher.cast(cage_from_offset(low, 0.52), points, 0.1, 0.2).wrong_at(0.1).any()


def test_trees_are_made_when_they_are_asked_for_and_kept(made: list[LowPoly]) -> None:
    low, high = two_boxes(0, 1)
    matcher, points = Matcher(low, Scene(high), EYE), sample_points(low, 0.2)
    rays = matcher.rays(uneven_cage(low), points)
    matcher.layers(points, rays, 0.1, 0.2)
    assert made == []
    for offset in (0.01, 0.05, 0.1):
        matcher.cast(cage_from_offset(low, offset), points, 0.1, 0.2)
    assert made == [low]
    moved = prepare_low(replace(low.mesh, positions=low.positions + 0.01))
    matcher.on(moved).cast(cage_from_offset(moved, 0.1), points, 0.1, 0.2)
    assert made == [low, moved]


def test_a_prediction_and_its_maps_share_trees(made: list[LowPoly], tmp_path: Path) -> None:
    """Distances from the scene, the samples, and the defect maps of all tiles."""
    low, high = two_tiles(), plane_high([0.01])
    settings = Settings(samples=200, unseen_points=50, map_size=16)
    result = predict(low, high, cage=uneven_cage(low), settings=settings)
    with OutputFolder(tmp_path / "out") as out:
        document = add_maps_of(result, out, MapFormat(kinds=("defect",)))
    assert [row["tile"] for row in document["maps"]] == [1001, 1002]
    uniform_prediction(result)
    assert made == [low]


def test_all_casts_of_a_tuning_share_trees(made: list[LowPoly]) -> None:
    """Search, checks, mending, prediction before and after, conflicts, straightening.

    Only a low poly whose vertices are moved, which conflicts try, has trees of its own.
    """
    low, high = bumpy_pair(7)
    free = tune(low, high, settings=QUICK)
    straighten(free)
    assert made == [low]
    limit = 0.5 * float(free.offset_out.max())
    held = tune(low, high, settings=QUICK, tuning=TuneSettings(limit=limit))
    made.clear()
    conflicts = explain_conflicts(held)
    kinds = [r.kind for c in conflicts for r in c.remedies]
    assert "raise offset" in kinds
    assert all(other is not low for other in made)
    assert all(not np.array_equal(other.positions, low.positions) for other in made)


@pytest.mark.long
def test_locating_makes_trees_once_for_each_cut_of_the_quads(made: list[LowPoly]) -> None:
    scenery = make_scenery(31)
    maps, _ = baked_maps(scenery, ("missed",), 7)
    settings = LocateSettings(offset=OFFSET, depth=DEPTH)
    locate(maps[:1], scenery.low, scenery.scene, paired=PAIRED, settings=settings)
    cuts = [low.triangles.tobytes() for low in made]
    assert 1 <= len(cuts) == len(set(cuts)) <= 2
