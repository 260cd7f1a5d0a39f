"""Numbers in words: how many figures what has, commas, signs of percent."""

from __future__ import annotations

import pytest

from cagecheck.words.fill import filled
from cagecheck.words.numbers import (
    area_text,
    as_given,
    count_text,
    decimals,
    degrees_text,
    figures,
    readable,
    share_text,
)


@pytest.mark.parametrize(
    ("told", "said"),
    [
        (count_text(1234567), "1,234,567"),
        (count_text(0.4), "0"),
        (figures(0.0123456), "0.01235"),
        (figures(123456.0, 2), "1.2e+05"),
        (decimals(2.0, 2), "2.00"),
        (decimals(12345.678, 1, commas=True), "12,345.7"),
        (area_text(0.0123456), "0.0123"),
        (degrees_text(12.6), "13"),
        (share_text(0.625), "62 %"),
        (share_text(0.625, 1), "62.5 %"),
        (as_given(0.5), "0.5"),
        (readable(12345.6), "12,346"),
        (readable(0.00012346), "0.0001235"),
        (readable(float("nan")), "-"),
    ],
)
def test_numbers_read(told: str, said: str) -> None:
    assert told == said


def test_gaps_are_filled_by_the_form_of_their_name() -> None:
    text = "{part} leans {degrees} degrees, {need} high, {texels}"
    known = {"part": "arm", "degrees": 30.4, "need": 1 / 3, "texels": 1200.0}
    assert filled(text, known) == "arm leans 30 degrees, 0.3333 high, 1,200 texels"
    with pytest.raises(KeyError):
        filled("{room}", {})
