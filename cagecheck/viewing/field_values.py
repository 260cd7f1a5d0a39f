"""The values that a colour field shows, at the cage distance in force."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.recolour import Recoloured
from cagecheck.rays.layers import NO_LAYER
from cagecheck.report.fields import Field
from cagecheck.viewing.result import Result


def field_values(field: Field, result: Result, now: Recoloured, starts: Floats) -> Floats:
    """Return (N,) float32 values of a continuous field; `starts` are the starts in force."""
    samples, view = result.samples, result.view
    hit = now.recorded != NO_LAYER

    def of_recorded(values: NDArray[np.floating]) -> Floats:
        out = np.full(len(hit), np.nan, np.float32)
        out[hit] = values[now.recorded[hit]]
        return out  # type: ignore[return-value]

    if field.name == "start":
        return starts
    if field.name == "hit":
        return of_recorded(samples["layer_t"])
    if field.name == "target":
        return samples["target_distance"]
    if field.name == "room":
        ahead = samples["next_distance"] - starts
        return np.where(np.isfinite(ahead), ahead, np.nan)
    if field.name == "slant":
        return samples["slant_degrees"]
    if field.name == "slide":
        height = np.abs(of_recorded(samples["layer_t"]))
        out: Floats = height * np.sin(np.radians(samples["slant_degrees"]))
        return out
    if field.name == "visible":
        return _visible(result, now)
    assert field.name == "lean", field.name
    return of_recorded(view["layer_lean"])


def _visible(result: Result, now: Recoloured) -> Floats:
    """Return (N,) the visible error at the distance in force; NaN where the record has none."""
    hit = now.recorded != NO_LAYER
    error = result.view.get("layer_error")
    if error is None:
        return np.full(len(hit), np.nan)
    out: Floats = result.view["hole_error"].astype(np.float64)
    out[hit] = error[now.recorded[hit]]
    return out
