"""What is checked of every mesh: the first vertex and the last, at every limit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.formats import checks
from cagecheck.formats.checks import COORDINATE_LIMIT, check_indices, check_positions
from cagecheck.formats.file_bytes import FileBytes, load_bytes


@pytest.fixture
def file(tmp_path: Path) -> FileBytes:
    (tmp_path / "a.obj").write_bytes(b"v 0 0 0\n")
    return load_bytes(tmp_path / "a.obj")


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1.01 * COORDINATE_LIMIT])
@pytest.mark.parametrize("row", range(7))
def test_a_place_that_is_none_is_found_wherever_it_stands(
    file: FileBytes, monkeypatch: pytest.MonkeyPatch, row: int, bad: float
) -> None:
    """In blocks of three, so that seven vertices have two borders and a rest."""
    monkeypatch.setattr(checks, "_BLOCK", 3)
    positions = np.tile([COORDINATE_LIMIT, -COORDINATE_LIMIT, 0.0], (7, 1))
    check_positions(file, positions)
    positions[row, row % 3] = bad
    with pytest.raises(InputError, match=f"vertex {row} "):
        check_positions(file, positions)


def test_indices_up_to_the_last_vertex_are_sound(file: FileBytes) -> None:
    check_indices(file, np.array([[0, 1, 2], [2, 3, 4]]), 5, 3)
    for wrong in (5, -1):
        with pytest.raises(InputError, match=f"vertex {wrong} .* only 5 vertices") as error:
            check_indices(file, np.array([[0, 1, 2], [2, wrong, 4]]), 5, 3)
        assert error.value.face == 1
    with pytest.raises(InputError, match="no faces"):
        check_indices(file, np.zeros((0, 3), int), 5, 3)
    with pytest.raises(InputError, match="no vertices"):
        check_positions(file, np.zeros((0, 3)))
