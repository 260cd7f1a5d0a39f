"""What the heat map can be coloured by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import CLEAN, PRECEDENCE
from cagecheck.errors import InputError
from cagecheck.report.cividis import cividis_table
from cagecheck.report.colours import CLEAN_COLOUR, DEFECT_COLOURS, defect_colours

NO_VALUE_COLOUR = (196, 176, 176)
# Colours run between these percentiles, so that a few stray values do not flatten the rest.
LOWEST, HIGHEST = 2.0, 98.0


@dataclass(frozen=True)
class Field:
    """A colour field: its name for options, its title and unit for the legend."""

    name: str
    title: str
    unit: str


VISIBLE_ERROR = "visible error: recorded normal against the one that belongs"
FIELDS = (
    Field("defect", "main defect", ""),
    Field("start", "start of the ray above the low poly", "units"),
    Field("hit", "recorded surface above the low poly", "units"),
    Field("target", "surface that belongs, above the low poly", "units"),
    Field("room", "room from the start to the next wrong surface", "units"),
    Field("slant", "slant of the ray to the low-poly face", "degrees"),
    Field("slide", "sideways slide of the hit", "units"),
    Field("lean", "recorded normal against shading normal", "degrees"),
    Field("visible", VISIBLE_ERROR, "degrees"),
)


@dataclass(frozen=True)
class LegendRow:
    """A category: its colour, name and share of the low poly's area in percent."""

    colour: tuple[int, int, int]
    label: str
    percent: float


@dataclass(frozen=True)
class Legend:
    """What the colours mean: categories in `rows`, or a ramp from `low` to `high` in `unit`.

    `beyond` tells whether values lie below and above the ramp's ends.
    """

    title: str
    unit: str = ""
    rows: tuple[LegendRow, ...] = ()
    low: float = 0.0
    high: float = 0.0
    beyond: tuple[bool, bool] = (False, False)
    missing: bool = False


def field_named(name: str) -> Field:
    """Return a colour field by its name.

    Parameters
    ----------
    name : str
        The name, one of those in `FIELDS`.

    Raises
    ------
    InputError
        There is no field of that name.
    """
    for field in FIELDS:
        if field.name == name:
            return field
    raise InputError(
        f"there is no colour field “{name}”.", cure="Use " + ", ".join(f.name for f in FIELDS) + "."
    )


_COLOURS = np.ascontiguousarray(defect_colours(np.arange(256, dtype=np.uint8))[:, :3])


def category_colours(main: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return (n, 3) colours of main defects."""
    return _COLOURS[main]


def category_legend(share: NDArray[np.float64]) -> Legend:
    """Return the defects that have area (256,), in order of precedence, and the clean rest."""
    whole = float(share.sum()) or 1.0
    rows = [
        LegendRow(DEFECT_COLOURS[d], d.title, 100 * float(share[d]) / whole)
        for d in PRECEDENCE
        if share[d] > 0
    ]
    rows.append(LegendRow(CLEAN_COLOUR, "clean", 100 * float(share[CLEAN]) / whole))
    return Legend("main defect", rows=tuple(rows))


def ramp_legend(field: Field, values: Floats) -> Legend:
    """Return the ramp over the middle of the values; see `LOWEST`, `HIGHEST`."""
    known = values[np.isfinite(values)]
    if len(known) == 0:
        return Legend(field.title, field.unit, missing=True)
    low, high = (float(x) for x in np.percentile(known, [LOWEST, HIGHEST]))
    if high <= low:
        low, high = float(known.min()), float(known.max())
    return Legend(
        field.title,
        field.unit,
        low=low,
        high=high,
        beyond=(bool(known.min() < low), bool(known.max() > high)),
        missing=len(known) < len(values),
    )


def ramp_colours(values: Floats, legend: Legend) -> NDArray[np.uint8]:
    """Return (n, 3) colours of values on the legend's ramp; `NO_VALUE_COLOUR` for NaN."""
    span = (legend.high - legend.low) or 1.0
    with np.errstate(invalid="ignore"):
        step = np.clip(np.nan_to_num((values - legend.low) / span) * 255, 0, 255)
    out = cividis_table()[np.rint(step).astype(np.uint8)]
    out[~np.isfinite(values)] = NO_VALUE_COLOUR
    return out
