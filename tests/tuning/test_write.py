"""What a tuning's folder holds of straightening, with the cage's own writing left out."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cagecheck.files import OutputFolder
from cagecheck.tuning import write


@pytest.mark.parametrize(
    ("positions", "lessens", "is_written"),
    [(np.zeros((2, 3)), True, True), (np.zeros((2, 3)), False, False), (None, True, False)],
)
def test_a_straightened_cage_is_handed_out_where_it_slides_less(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    positions: Any,
    lessens: bool,
    is_written: bool,
) -> None:
    placed: list[str] = []
    monkeypatch.setattr(write, "cage_name", lambda tuning: "cage.obj")
    monkeypatch.setattr(write, "_placed_cage", lambda *given: placed.append(given[3]) or ())
    straightening: Any = SimpleNamespace(
        share=np.array([0.0, 0.5]),
        cage=SimpleNamespace(cage=SimpleNamespace(positions=positions)),
        lessens=lambda way: lessens and way == "cage",
    )
    tuning: Any = None
    with OutputFolder(tmp_path / "out", force=False) as out:
        notices = write._write_straightening(tuning, straightening, out, False)
    assert placed == ["straightened-cage.obj"] * is_written
    assert [n.code for n in notices] == ["no-straightened-cage"] * (not is_written)
    lines = (tmp_path / "out" / "straighten.csv").read_text().split()
    assert lines == ["vertex,share", "0,0.0", "1,0.5"]
