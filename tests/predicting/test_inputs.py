"""Reading a low and a high poly that cannot be brought together."""

from __future__ import annotations

from pathlib import Path

import pytest
import trimesh

from cagecheck.errors import InputError
from cagecheck.predicting.inputs import read_inputs


def test_a_high_poly_without_area_is_refused(tmp_path: Path) -> None:
    trimesh.creation.icosphere(subdivisions=1).export(tmp_path / "low.obj")
    (tmp_path / "high.obj").write_text("v 0 0 0\nv 1 0 0\nv 2 0 0\nf 1 2 3\nf 1 1 2\n")
    with pytest.raises(InputError, match="high poly have zero area"):
        read_inputs(tmp_path / "low.obj", tmp_path / "high.obj")
