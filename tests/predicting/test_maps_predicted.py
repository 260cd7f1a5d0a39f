"""Maps of a whole prediction: every tile and kind, one document, nothing half written."""

from __future__ import annotations

import json
from pathlib import Path

import imagecodecs
import numpy as np
import pytest

from cagecheck.commands.predict import map_format
from cagecheck.errors import InputError
from cagecheck.files import OutputFolder
from cagecheck.locating.locate import LocateSettings, locate
from cagecheck.locating.read_maps import find_maps, read_map
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.predicting.maps.predicted import add_maps_of
from cagecheck.predicting.maps.write_maps import MAP_KINDS, MapFiles
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from tests.scenes.locating import DEPTH, OFFSET, PAIRED, make_scenery


@pytest.mark.long
def test_all_maps_of_a_prediction_and_locate_finds_them_clean(tmp_path: Path) -> None:
    scenery = make_scenery(51)
    low = prepare_low(scenery.low)
    settings = Settings(
        offset=OFFSET, depth=DEPTH, reach=0.3, samples=2000, map_size=256, unseen_points=0
    )
    prediction = predict(low, scenery.scene, paired=PAIRED, settings=settings)
    form = map_format(",".join(MAP_KINDS), MapFiles(16, "png", "up", 16), "hero")
    with OutputFolder(tmp_path / "out") as out:
        document = add_maps_of(prediction, out, form, supersample=4)
    assert document == json.loads((tmp_path / "out" / "maps.json").read_text())
    rows = {(row["tile"], row["kind"]) for row in document["maps"]}
    assert rows == {(tile, kind) for tile in (1001, 1002) for kind in MAP_KINDS}
    for row in document["maps"]:
        picture = imagecodecs.png_decode((tmp_path / "out" / row["file"]).read_bytes())
        assert picture.shape[:2] == (256, 256)
        assert picture.dtype == (np.uint16 if row["bits"] == 16 else np.uint8)
    assert set(document["missed_texels"].values()) == {0}
    # What is written by our own conventions reads as clean: the two halves agree.
    pattern = tmp_path / "out" / "hero_normal.{tile}.png"
    maps = [read_map(path, tile) for path, tile in find_maps(pattern)]
    result = locate(
        maps, scenery.low, scenery.scene, paired=PAIRED,
        settings=LocateSettings(offset=OFFSET, depth=DEPTH),
    )  # fmt: skip
    assert result.clean, [r.name for r in result.regions]


@pytest.mark.parametrize(
    "maps,bits,ending,words",
    [
        ("normal,glow", 8, "png", "glow"),
        ("normal", 12, "png", "8, 16 or 32"),
        ("normal", 32, "png", "32 bits"),
    ],
)
def test_options_that_make_no_sense(maps: str, bits: int, ending: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        map_format(maps, MapFiles(bits, ending, "up", 4), "hero")  # type: ignore[arg-type]
