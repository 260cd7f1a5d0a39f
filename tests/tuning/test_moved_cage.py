"""A cage whose vertices are moved sideways stands as high over the faces as before."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from cagecheck.tuning.straighten.moved_cage import _cage_of
from tests.scenes.shapes import plane_low


@pytest.mark.parametrize("degrees", [0.0, 30.0, 60.0])
def test_slanted_directions_are_longer_by_the_cosine(degrees: float) -> None:
    """On a flat sheet at the angle a to its normal a distance grows by 1 / cos(a)."""
    low = plane_low(2)
    a = np.radians(degrees)
    slanted = np.tile([np.sin(a), 0.0, np.cos(a)], (low.position_count, 1))
    offsets = np.linspace(0.1, 0.2, low.mesh.vertex_count)
    tuning: Any = SimpleNamespace(low=low, offset_out=offsets)
    cage = _cage_of(tuning, slanted)
    assert cage.positions is not None
    wanted = offsets[:, None] * [np.tan(a), 0.0, 1.0]
    assert np.allclose(cage.positions - low.positions, wanted)
    assert np.allclose(cage.displacement, wanted[low.triangles])
    assert np.allclose(cage.normals, slanted[0])


def test_directions_that_lie_flat_or_point_down_are_not_made_longer() -> None:
    low = plane_low(1)
    flat = np.tile([1.0, 0.0, 0.0], (low.position_count, 1))
    flat[0] = [0.0, 0.6, -0.8]
    tuning: Any = SimpleNamespace(low=low, offset_out=np.full(4, 0.1))
    cage = _cage_of(tuning, flat)
    assert np.allclose(np.linalg.norm(cage.positions - low.positions, axis=1), 0.1)
