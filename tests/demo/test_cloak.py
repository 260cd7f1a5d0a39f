"""The garment, sunken pieces, two-sided pennant and scan: what is wrong is found, and no more."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from cagecheck.defects.kinds import Defect
from cagecheck.demo import DemoScene, make_scene
from cagecheck.demo.cloak import DOUBLED, HOLES, THICKNESS, WITHOUT_AREA
from cagecheck.demo.evaluate import score_prediction
from cagecheck.inspecting.inspection import inspect_low
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.pairs import pair_parts
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings

# Share of all texels that may show something that nobody planted: bands where the walls of clasp
# and buttons are steep.
LEAST_SEEN = 3e-4


@pytest.fixture(scope="module", params=[7, 1234])
def scene(request: pytest.FixtureRequest) -> DemoScene:
    return make_scene(seed=request.param, detail=0.1, name="cloak")


@pytest.fixture(scope="module")
def result(scene: DemoScene) -> Prediction:
    low = prepare_low(scene.low)
    pairing = pair_parts(low.part_names, scene.high.part_names)
    settings = Settings(offset=scene.bake.offset, depth=scene.bake.depth, samples=100_000)
    return predict(low, scene.high, paired=pairing.matrix(), settings=settings)


def test_the_holes_are_found_and_next_to_nothing_else(scene: DemoScene, result: Prediction) -> None:
    [score] = score_prediction(scene, result)
    assert (score.kind, score.planted) == ("miss: nothing there", len(HOLES))
    assert score.recall == 1 and score.precision == 1
    others = [r for r in result.regions if r.defect is not Defect.MISS_NOTHING]
    assert {r.defect for r in others} <= {Defect.STEEP}
    assert sum(r.texels_seen for r in others) < LEAST_SEEN * result.texel_area.sum()


def test_the_scene_is_what_it_says(scene: DemoScene) -> None:
    assert scene.bake.offset > THICKNESS
    low, high = scene.low, scene.high
    # The pennant is two sheets in the same place, back to back; its high poly has thickness.
    part = low.part_names.index("pennant_low")
    corners = low.corner_vertex[np.repeat(low.face_part == part, np.diff(low.face_start))]
    front, back = low.positions[corners].reshape(2, -1, 4, 3)
    np.testing.assert_array_equal(front, back[:, ::-1])
    # The scan's dirt.
    jug = np.sort(high.triangles[high.triangle_part == high.part_names.index("jug_high")], axis=1)
    flat = (jug[:, :2] == jug[:, 1:]).any(axis=1)
    assert flat.sum() == WITHOUT_AREA
    assert len(jug) - len(np.unique(jug, axis=0)) >= DOUBLED
    # Buttons and clasp stand in the wall: they begin below its outside, and do not come through.
    wall = high.positions[np.unique(high.triangles[high.triangle_part == 0])]
    tree = cKDTree(wall)
    for name in ("cloak_high_buttons", "cloak_high_clasp"):
        own = high.triangles[high.triangle_part == high.part_names.index(name)]
        points = high.positions[np.unique(own)]
        _, nearest = tree.query(points)
        outwards = np.linalg.norm(points[:, ::2], axis=1) - np.linalg.norm(
            wall[nearest, ::2], axis=1
        )
        assert -THICKNESS < outwards.min() < -0.2 * THICKNESS and outwards.max() > 0.2 * THICKNESS
    # Nothing spoils the bake but its quads' diagonals, which are the exporter's to cut.
    found = {f.check.code for f in inspect_low(prepare_low(low)).findings if f.matters}
    assert found <= {"non-flat-quads"}


def test_same_seed_same_scene() -> None:
    again = make_scene(seed=7, detail=0.1, name="cloak")
    other = make_scene(seed=8, detail=0.1, name="cloak")
    first = make_scene(seed=7, detail=0.1, name="cloak")
    np.testing.assert_array_equal(again.high.positions, first.high.positions)
    np.testing.assert_array_equal(again.high.triangles, first.high.triangles)
    assert not np.array_equal(other.high.positions, first.high.positions)
    np.testing.assert_array_equal(other.low.positions, first.low.positions)
