"""One bake told twice: predicted from the meshes, and read from the map that came of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.locating.locate import LocateSettings, locate
from cagecheck.locating.read_maps import read_map
from cagecheck.locating.visible_faults import REACH_SHARE
from cagecheck.predicting.maps.write_maps import MapFormat
from cagecheck.predicting.predict import predict
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.write import write_prediction
from cagecheck.rays.layers import NO_LAYER

pytestmark = pytest.mark.long

SIZE = 512


def test_predict_and_locate_agree_on_what_shows(
    demo_prediction: Prediction, tmp_path: Path
) -> None:
    """By defect within 2 %: predicted at all texel centres, and measured in the 8-bit maps."""
    before = demo_prediction
    assert before.settings.offset is not None and before.settings.depth is not None
    # Both look for surface above the cage equally far out.
    reach = max(REACH_SHARE * before.settings.offset, before.settings.depth)
    settings = replace(before.settings, texels=SIZE, unseen_points=0, reach=reach)
    told = predict(before.low, before.scene, paired=before.paired, settings=settings)
    form = MapFormat(kinds=("normal",), asset="demo")
    files = write_prediction(told, tmp_path / "out", page=False, maps=form)
    found = locate(
        [read_map(path) for path in files if path.suffix == ".png"],
        before.low.mesh, before.scene, paired=before.paired,
        settings=LocateSettings(offset=settings.offset, depth=settings.depth),
    )  # fmt: skip
    predicted = {row["name"]: row for row in told.totals()}
    shown = {row.defect: row for row in found.defects}
    assert set(shown) == set(Defect) - {Defect.UNSEEN, Defect.SPLIT}
    kinds = 0
    for defect, row in shown.items():
        mine = predicted[defect.title]
        # One texel more or less at the threshold is the rounding of 8 bits.
        assert row.texels == pytest.approx(mine["texels"], rel=0.02, abs=1)
        assert row.texels_seen == pytest.approx(mine["texels_seen"], rel=0.02, abs=1)
        assert row.harm == pytest.approx(mine["harm"], rel=0.02, abs=10)
        kinds += mine["texels_seen"] > 100
    assert kinds >= 5
    # Regions are told from the map alone, where a flat background on flat ground looks right: they
    # hold no more misses than there are.
    missed = sum(r.texels_seen for r in found.regions if r.name == "missed")
    lost = told.texel_area[told.findings.recorded == NO_LAYER].sum()
    assert 0.4 * lost < missed <= 1.02 * lost
    order = [(-r.harm, -r.texels) for r in found.regions]
    assert order == sorted(order)
    assert np.isfinite([r.visible_error for r in found.regions]).all()
