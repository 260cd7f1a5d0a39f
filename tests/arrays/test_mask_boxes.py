"""What is done in a box around chosen texels is what SciPy does all over the picture."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import binary_dilation

from cagecheck.arrays.mask_boxes import SQUARE, box_around, dilated


@pytest.mark.parametrize("steps", [1, 3])
@pytest.mark.parametrize("share", [0.0, 0.001, 0.02])
def test_growth_is_that_of_the_whole_picture(share: float, steps: int) -> None:
    mask = np.random.default_rng(1).random((70, 90)) < share
    for structure in (None, SQUARE):
        wanted = binary_dilation(mask, structure, iterations=steps)
        assert np.array_equal(dilated(mask, steps, structure), wanted)


def test_a_box_holds_what_is_chosen_and_its_margin() -> None:
    mask = np.zeros((20, 30), bool)
    mask[5, 8] = mask[9, 28] = True
    assert box_around(mask, 2) == (slice(3, 12), slice(6, 31))
    assert box_around(mask, 7) == (slice(0, 17), slice(1, 36))
    assert mask[box_around(mask, 7)].shape == (17, 29)
    assert mask[box_around(np.zeros_like(mask), 2)].size == 0
