"""Places of one colour: told as a picture library's labels tell them, colour by colour."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, label

from cagecheck.locating.compare import Fault
from cagecheck.locating.painted import LEAST_PAINTED, OPEN, STEP, VARIED, painted_over
from tests.locating.test_whole_map_causes import unit

SIZE = 160


def by_labels(fault: np.ndarray, wanted: np.ndarray, stored: np.ndarray) -> np.ndarray:
    """`scipy.ndimage.label` for every colour by itself."""
    out = np.zeros(fault.shape, bool)
    codes = np.rint((stored + 1) * STEP)
    for colour in np.unique(codes.reshape(-1, 3), axis=0):
        mine = (codes == colour).all(axis=2) & np.isin(fault, OPEN)
        places, count = label(mine, np.ones((3, 3), int))
        for number in range(1, count + 1):
            here = places == number
            if here.sum() >= LEAST_PAINTED and wanted[here].std(axis=0).max() > VARIED:
                out |= here
    return out


@pytest.mark.parametrize("seed", range(3))
def test_places_of_one_colour_are_those_of_a_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    smooth = [gaussian_filter(rng.normal(size=(SIZE, SIZE)), 6) * 6 for _ in range(2)]
    # Few colours, so that places run into each other across corners, too.
    few = np.round(np.clip(np.stack([*smooth, np.ones_like(smooth[0])], axis=2), -1, 1) * 3) / 3
    wanted = unit(np.stack([gaussian_filter(s, 2) for s in (*smooth, smooth[0] + 3)], axis=2))
    wanted[: SIZE // 2] = [0, 0, 1]
    fault = np.full((SIZE, SIZE), Fault.UNEXPLAINED, np.uint8)
    fault[rng.random(fault.shape) < 0.1] = Fault.CLEAN
    fault[:, :20] = Fault.MISSED
    stored = few.astype(np.float32)
    found = painted_over(fault, wanted.astype(np.float32), stored)
    assert np.array_equal(found, by_labels(fault, wanted.astype(np.float32), stored))
    assert 0.02 < found.mean() < 0.5
