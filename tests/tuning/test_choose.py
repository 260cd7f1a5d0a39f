"""Which offsets a part is handed out: others than the search's only where that is worth it."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.tuning.choose import WORTHWHILE, _best_of_parts, _Field
from tests.scenes.shapes import mesh_parts, prepare_low


@pytest.mark.parametrize(("saved", "is_taken"), [(0.5, False), (2.0, True)])
def test_a_part_takes_others_where_they_save_what_is_worth_it(saved: float, is_taken: bool) -> None:
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    quad = np.array([[0, 1, 2, 3]])
    low = prepare_low(mesh_parts((square, quad), (square + [5, 0, 0], quad), names=("a", "b")))
    mine = np.array([8.0, 8.0])  # of each part
    less = mine - [saved * WORTHWHILE * 8.0, -1.0]
    fields = [_Field("", np.full(8, 0.1), mine), _Field("before", np.full(8, 0.2), less)]
    offsets, taken = _best_of_parts(low, fields, lambda harm: harm)
    assert taken == ({"a": "before"} if is_taken else {})
    wanted = [0.2 if is_taken else 0.1] * 4 + [0.1] * 4
    assert offsets[low.position_id].tolist() == wanted
    assert (fields[0].offsets == 0.1).all()
