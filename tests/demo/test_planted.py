"""The findings on the demo scene against what was planted in it, for seeds not tuned on."""

from __future__ import annotations

import pytest

from cagecheck.demo import make_scene
from cagecheck.demo.defects import SPLIT_BAKE
from cagecheck.demo.evaluate import score_prediction
from cagecheck.demo.score import format_scores
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.pairs import pair_parts
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings

# The aim for every kind of defect.
AIM = 0.95


@pytest.mark.long
@pytest.mark.parametrize(("bake", "seed"), [("closed cage", 1234), ("split normals", 7)])
def test_every_planted_kind_is_found_and_little_else(bake, seed):
    scene = make_scene(seed=seed, detail=0.5)
    low = prepare_low(scene.low)
    pairing = pair_parts(low.part_names, scene.high.part_names)
    chosen = SPLIT_BAKE if bake == "split normals" else scene.bake
    settings = Settings(
        offset=chosen.offset, depth=chosen.depth, directions=chosen.directions, seed=seed
    )
    result = predict(low, scene.high, paired=pairing.matrix(), settings=settings)
    scores = score_prediction(scene, result)
    print("\n" + format_scores(scores))
    assert scores, "the bake has planted defects"
    for score in scores:
        assert score.recall is not None and score.recall >= AIM, score
        assert score.precision is not None and score.precision >= AIM, score
