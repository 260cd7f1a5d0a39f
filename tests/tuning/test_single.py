"""One number for a scope, and how far its curve goes, with thresholds made by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cagecheck.tuning.single import CURVE_POINTS, _best


def best(limit: float, margin: float = 1e-3) -> Any:
    """Ten samples of one area: nine are met from 0.1 on, one from 0.3 on and overshoots from 0.2.

    So 0.1 leaves one of ten, and a margin is kept above it.
    """
    needed, beyond = np.full(10, 0.1), np.full(10, np.inf)
    needed[3], beyond[3] = 0.3, 0.2
    uniform = SimpleNamespace(
        points=SimpleNamespace(area=np.full(10, 2.0)),
        targets=SimpleNamespace(found=np.ones(10, bool), t=np.where(needed > 0.2, -0.05, 0.1)),
    )
    rows = np.arange(10)
    return _best("part", "a", rows, uniform, (needed, beyond), margin, limit)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("limit", "end"), [(9.0, 3 * 0.101), (0.25, 0.25), (0.15, 2 * 0.101), (0.102, 2 * 0.101)]
)
def test_a_curve_goes_to_three_times_the_best_number_or_the_limit(limit: float, end: float) -> None:
    """And always to twice the best number, so that what lies beyond it can be seen."""
    found = best(limit)
    assert found.offset_out == pytest.approx(0.101)
    assert len(found.distance) == CURVE_POINTS and found.distance[0] == 0
    assert found.distance[-1] == pytest.approx(end)


def test_what_a_number_leaves_is_said_in_percent_of_the_area() -> None:
    found = best(9.0)
    assert (found.missed, found.overshot, found.bare) == pytest.approx((10.0, 0.0, 0.0))
    assert found.offset_in == pytest.approx(0.05 + 1e-3)
    assert found.curve_missed[0] == pytest.approx(100.0)
    # At three times the number the odd one is met, and what lies over it is met before it.
    assert found.curve_overshot[-1] == pytest.approx(10.0)
