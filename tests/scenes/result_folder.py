"""A small result folder for the viewer's and the page's tests: the demo scene, coarse."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from cagecheck.demo import make_scene
from cagecheck.demo.scene import write_scene
from cagecheck.formats.read import read_mesh, read_surface
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.pairs import pair_parts
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings

SAMPLES = 30_000
DETAIL = 0.06


@cache
def prediction_in(folder: Path) -> Prediction:
    """Write the coarse scene into `folder` and predict it from the files."""
    write_scene(make_scene(detail=DETAIL), folder)
    low = prepare_low(read_mesh(folder / "low.obj"))
    high = read_surface(folder / "high.glb")
    paired = pair_parts(low.part_names, high.part_names, []).matrix()
    settings = Settings(
        offset=0.006, depth=0.024, reach=0.03, samples=SAMPLES, unseen_points=30_000
    )
    return predict(low, high, paired=paired, settings=settings)
