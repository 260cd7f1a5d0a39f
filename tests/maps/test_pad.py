"""Padding takes the nearest covered texel, exactly and only within its width."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import distance_transform_edt

from cagecheck.maps.pad import nearest_covered, padded


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10**6),
    st.integers(1, 40),
    st.integers(1, 40),
    st.sampled_from([0.001, 0.02, 0.3, 0.9]),
    st.sampled_from([1.0, 3.5, 8.0, np.inf]),
)
def test_distances_are_those_of_the_reference_transform(
    seed: int, height: int, width: int, density: float, reach: float
) -> None:
    covered = np.random.default_rng(seed).random((height, width)) < density
    found = nearest_covered(covered, reach)
    if not covered.any():
        assert np.all(found == -1)
        return
    expected = distance_transform_edt(~covered)  # SciPy's exact Euclidean transform
    y, x = np.indices(covered.shape)
    near = found >= 0
    assert np.array_equal(near, expected <= reach)
    distance = np.hypot(y - found // width, x - found % width)
    assert np.allclose(distance[near], expected[near])
    assert covered.ravel()[found[near]].all()


def test_several_cores_find_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cagecheck.maps.pad.BAND", 7)
    covered = np.random.default_rng(3).random((60, 45)) < 0.02
    alone, many = nearest_covered(covered, 9.0), nearest_covered(covered, 9.0, threads=3)
    assert np.array_equal(alone, many)
    monkeypatch.undo()
    assert np.array_equal(nearest_covered(covered, 9.0), many)


def test_ties_go_to_the_upper_row_then_to_the_left() -> None:
    covered = np.zeros((5, 5), bool)
    covered[0, 2] = covered[4, 2] = covered[2, 0] = covered[2, 4] = True
    assert nearest_covered(covered)[2, 2] == 2
    covered[0, 2] = covered[4, 2] = False
    assert nearest_covered(covered)[2, 2] == 2 * 5


@pytest.mark.parametrize("shape", [(16, 16), (16, 16, 3)])
def test_covered_and_far_texels_keep_their_values(shape: tuple[int, ...]) -> None:
    image = np.random.default_rng(1).integers(0, 255, shape).astype(np.uint8)
    covered = np.zeros((16, 16), bool)
    covered[4:8, 4:8] = True
    out = padded(image, covered, 2)
    assert np.array_equal(out[covered], image[covered])
    assert np.array_equal(out[10:, 10:], image[10:, 10:])
    assert np.array_equal(out[5, 8], image[5, 7]) and np.array_equal(out[5, 9], image[5, 7])
    assert np.array_equal(out[5, 10], image[5, 10])
