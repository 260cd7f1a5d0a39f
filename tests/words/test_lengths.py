"""Lengths in words: four figures, rounding as 0."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.tuning.words import nought, plain_length, range_words
from cagecheck.words.lengths import length_words


@pytest.mark.parametrize(
    ("value", "nothing", "said"),
    [
        (0.0123456, 0.0, "0.01235"),
        (3e-19, 1e-9, "0"),
        (-3e-19, 1e-9, "0"),
        (-0.0, 0.0, "0"),
        (3e-19, 0.0, "3e-19"),
        (float("nan"), 1.0, "unknown"),
        (float("inf"), 1.0, "inf"),
        (-0.25, 1e-3, "-0.25"),
    ],
)
def test_lengths_have_four_figures_and_rounding_is_0(
    value: float, nothing: float, said: str
) -> None:
    assert length_words(value, nothing) == said


def test_of_a_tuning_a_thousandth_of_the_margin_is_nothing() -> None:
    margin = 1e-4
    assert plain_length(0.9e-7, margin) == "0" and plain_length(1.1e-7, margin) == "1.1e-07"
    assert nought(-3e-19, margin) == 0.0 and nought(0.02, margin) == 0.02
    assert range_words(np.array([3e-19, 0.02, 0.01]), margin) == "0 to 0.02, median 0.01"
    assert range_words(np.zeros(0), margin) == "none"
