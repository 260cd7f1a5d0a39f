"""A watch of USD scenes follows the layers that they are made of."""

from __future__ import annotations

from pathlib import Path

import pytest

from cagecheck.formats.references import data_files
from cagecheck.watching.bake import Bake
from cagecheck.watching.events import Events
from cagecheck.watching.rounds import Rounds
from tests.scenes.shapes import grid
from tests.watching.scene import SETTINGS, write_high

pytest.importorskip("pxr", reason="the extra usd is not installed")
from tests.scenes.usd_files import write_part, write_plate


@pytest.mark.long
def test_a_save_of_a_layer_begins_a_round(tmp_path: Path) -> None:
    write_plate(tmp_path / "low.usda", "plate", *grid(6, 1.0))
    write_high(tmp_path / "high.ply")
    part = tmp_path / "parts" / "plate.usdc"
    bake = Bake(tmp_path / "low.usda", tmp_path / "high.ply", settings=SETTINGS)
    assert bake.data() == [tmp_path / "low.usda", part, tmp_path / "high.ply"]
    rounds, events = Rounds(bake), Events()
    before = rounds.predict()
    events.follow(bake.data())
    assert not rounds.changed() and not events.stirred(look=True)
    write_part(part, *grid(6, 1.0, lambda x, y: 0.1 + 0 * x))
    assert events.stirred(look=True) and rounds.changed() == (part,)
    events.stop()
    assert rounds.predict().low.positions[0, 2] == pytest.approx(before.low.positions[0, 2] + 0.1)


def test_what_a_layer_leads_to_and_what_is_missing_is_followed(tmp_path: Path) -> None:
    text = "#usda 1.0\n(\n    subLayers = [@./a.usda@, @./sub/gone.usda@]\n)\n"
    (tmp_path / "low.usda").write_text(text)
    (tmp_path / "a.usda").write_text('#usda 1.0\ndef "A" (payload = @b.usda@) {}\n')
    (tmp_path / "b.usda").write_text("#usda 1.0\n")
    bake = Bake(tmp_path / "low.usda", tmp_path / "low.usda")
    names = [path.name for path in bake.data()]
    assert sorted(names) == ["a.usda", "b.usda", "low.usda"]
    assert bake.materials() == [tmp_path / "sub" / "gone.usda"]
    # What was missing comes, and leads on.
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "gone.usda").write_text("#usda 1.0\n(\n    subLayers = [@c.usda@]\n)\n")
    (tmp_path / "sub" / "c.usda").write_text("#usda 1.0\n")
    assert {path.name for path in bake.data()} == {*names, "gone.usda", "c.usda"}
    assert bake.materials() == []
    (tmp_path / "low.usda").write_text("#usda 1.0\n(")
    assert data_files(tmp_path / "low.usda") == []
