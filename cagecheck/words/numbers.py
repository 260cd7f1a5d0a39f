"""Numbers as people read them: the one home of how many figures what has."""

from __future__ import annotations


def count_text(count: float) -> str:
    """Return a whole number with commas between thousands, as in ``1,200``; rounded to one."""
    return f"{round(count):,}"


def figures(value: float, digits: int = 4) -> str:
    """Return a number with so many figures, with an exponent where it is very large or small."""
    return f"{value:.{digits}g}"


def decimals(value: float, digits: int, *, commas: bool = False) -> str:
    """Return a number with so many digits behind the point, on request commas before it."""
    return f"{value:,.{digits}f}" if commas else f"{value:.{digits}f}"


def area_text(area: float) -> str:
    """Return an area with three figures: more are not known from samples."""
    return figures(area, 3)


def degrees_text(angle: float) -> str:
    """Return an angle in whole degrees."""
    return decimals(angle, 0)


def share_text(share: float, digits: int = 0) -> str:
    """Return a share of 1 in percent with its sign, as in ``62 %``."""
    return f"{decimals(100 * share, digits)} %"


def as_given(value: float) -> str:
    """Return a number the way it is typed: as short as it reads back, six figures at most."""
    return f"{value:g}"


def exact_text(value: float) -> str:
    """Return a number with the nine figures that bring a float32 back, for flags and tables."""
    return figures(value, 9)


def readable(value: float, digits: int = 4) -> str:
    """Return a number with so many figures, without an exponent where that reads; ``-`` if unknown.

    Large numbers are whole, with commas between thousands.
    """
    if value != value:
        return "-"
    return figures(value, digits) if abs(value) < 10**digits else f"{value:,.0f}"
