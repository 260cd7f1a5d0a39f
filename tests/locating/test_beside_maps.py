"""Other maps of a bake from files: their kinds by name, and heights read by a line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cagecheck.errors import InputError
from cagecheck.locating.beside import fit_line
from cagecheck.locating.beside_maps import find_beside, kind_of


@pytest.mark.parametrize(
    ("stem", "kind"),
    [
        ("hero_height.1001", "height"), ("hero_AO_1001", "occlusion"), ("heroPosition", "position"),
        ("hero_id", "part"), ("hero_normal_os", "object"), ("hero_normal", None),
    ],
)  # fmt: skip
def test_the_name_says_the_kind(stem: str, kind: str | None) -> None:
    assert kind_of(stem) == kind


def test_maps_are_read_by_kind_and_by_name(tmp_path: Path) -> None:
    for name in ("hero_height.1001.png", "hero_ao.1001.png", "hero_normal.1001.png"):
        Image.fromarray(np.full((16, 16), 51, np.uint8)).save(tmp_path / name)
    found = find_beside([str(tmp_path)], [1001])
    assert [(m.kind, m.tile) for m in found] == [("occlusion", 1001), ("height", 1001)]
    assert found[0].values.shape == (16, 16, 3)
    np.testing.assert_allclose(found[0].values, 0.2)
    (named,) = find_beside([f"position={tmp_path}/hero_normal.{{tile}}.png"], [1001])
    assert named.kind == "position"


def test_a_kind_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no kind of map"):
        find_beside([f"colour={tmp_path}"], [1001])
    Image.fromarray(np.zeros((8, 8), np.uint8)).save(tmp_path / "hero.png")
    with pytest.raises(InputError, match="does not say what this map holds"):
        find_beside([str(tmp_path / "hero.png")], [1001])


def test_a_line_is_laid_through_most_points() -> None:
    """Every seventh value is something else; the others are 3 x + 0.2 to within 0.001."""
    rng = np.random.default_rng(0)
    x = rng.normal(size=4000) * 0.01
    value = (3 * x + 0.2 + rng.uniform(-0.001, 0.001, 4000)).astype(np.float32)
    value[::7] = 0.9
    line = fit_line(x, value)
    assert line is not None
    assert line.slope == pytest.approx(3, rel=0.01)
    assert line.base == pytest.approx(0.2, abs=1e-3)
    # Five scatters of 1.48 median deviations: 0.0005 here, in units of x.
    assert line.slack == pytest.approx(5 * 1.4826 * 0.0005 / 3, rel=0.2)
    assert fit_line(x, rng.random(4000).astype(np.float32)) is None
