"""Lengths as people read them, the same in every sentence and table."""

from __future__ import annotations

from cagecheck.words.numbers import figures


def length_words(value: float | None, nothing: float = 0.0) -> str:
    """Return a length with four figures; what is below `nothing` is rounding, and written as 0.

    An infinite or unknown length reads as such.
    """
    if value is None or value != value:
        return "unknown"
    return "0" if abs(value) <= nothing else figures(value)
