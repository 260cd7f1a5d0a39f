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


def metric_words(metres: float) -> str:
    """Return a length in millimetres, centimetres or metres, whichever reads best."""
    for most, factor, unit in ((0.01, 1000, "mm"), (1.0, 100, "cm")):
        if abs(metres) < most:
            return f"{figures(factor * metres, 3)} {unit}"
    return f"{figures(metres, 3)} m"


def units_words(value: float | None, metres_per_unit: float | None = None) -> str:
    """Return a length in units of the file, and in metric ones where the file says how long."""
    return f"{length_words(value)} units{metric_hint(value, metres_per_unit)}"


def metric_hint(value: float | None, metres_per_unit: float | None) -> str:
    """Return a length in metric units, to stand behind the one in units of the file; or nothing."""
    if metres_per_unit is None or value is None or not 0 < abs(value) < float("inf"):
        return ""
    return f" ({metric_words(value * metres_per_unit)})"


def unit_note(metres_per_unit: float | None) -> str:
    """Say which units lengths are in."""
    if metres_per_unit is None:
        return "file units"
    return f"file units; 1 is {metric_words(metres_per_unit)}"
