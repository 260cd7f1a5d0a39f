"""A prediction of the demo scene scored against what was planted."""

from __future__ import annotations

from typing import Any

from cagecheck.defects.kinds import Defect
from cagecheck.demo.scene import DemoScene
from cagecheck.demo.score import KindScore, score_regions
from cagecheck.predicting.result import Prediction

# Facets of the low poly and texel thresholds make specks that nobody planted or would mend; a
# region counts as wrong from eight texels square on.
LEAST_TEXELS = 64.0


def region_records(prediction: Prediction) -> list[dict[str, Any]]:
    """Return the regions as `score_regions` takes them, with the places of their samples."""
    records = []
    for region in prediction.regions:
        if region.defect is Defect.UNSEEN and prediction.unseen is not None:
            places = prediction.unseen.points.position
        else:
            places = prediction.positions
        records.append({**region.to_dict(), "points": places[region.samples]})
    return records


def score_prediction(scene: DemoScene, prediction: Prediction) -> list[KindScore]:
    """Score every kind that was planted for a bake with the prediction's settings.

    Parameters
    ----------
    scene : DemoScene
        The scene that was predicted.
    prediction : Prediction
        What `predict` returned for it.
    """
    settings = prediction.settings
    planted = [
        place
        for place in scene.planted
        if place.settings.directions == settings.directions
        and place.settings.offset == settings.offset
        and place.settings.depth == settings.depth
    ]
    kinds = sorted({place.kind for place in planted})
    return score_regions(
        planted, region_records(prediction), least_texels=LEAST_TEXELS, kinds=kinds
    )
