"""How much of what is wrong will be seen: degrees of visible error, times texels.

A faint slant over half a sleeve harms less than an ear that is lost. Lists are ranked by this, and
what stays below the threshold is folded away. See `cagecheck.defects.visible` for the degrees.

Both numbers below were chosen by `scripts/seen.py`, which compares low polys lit with their
predicted maps with their high polys (FLIP); its figures stand in docs/evidence_seen.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cagecheck.arrays.types import Floats

# An error up to this does not show: about the rounding of 8 bits (0.45 degrees), its first mip
# level and a little more. Places rank by harm as they do by renders up to here, beyond it less.
SEEN_DEGREES = 2.0
# Beyond this an error is simply wrong: renders hardly differ more at 90 degrees than at 30.
WRONG_DEGREES = 30.0


@dataclass(frozen=True)
class Seen:
    """What shows of a place.

    error : mean visible error of its texels, degrees. texels, area : of those texels, how many lie
    above the threshold, and their area on the low poly, square units. harm : their degrees, times
    texels (times square units where there are no UVs), see `harm_degrees`.
    """

    error: float = 0.0
    texels: float = 0.0
    area: float = 0.0
    harm: float = 0.0


def harm_degrees(error: Floats) -> Floats:
    """Return (N,) degrees that count of visible errors (N,).

    0 up to `SEEN_DEGREES`, the error itself above, `WRONG_DEGREES` at most.
    """
    out: Floats = np.where(error > SEEN_DEGREES, np.minimum(error, WRONG_DEGREES), 0.0)
    return out


def harm(error: Floats, texel_area: Floats) -> float:
    """Return how much will be seen: degrees that count, times texels.

    error, texel_area : (N,) degrees, and the texels that each point stands for.
    """
    return float((harm_degrees(error) * texel_area).sum())


def seen_of(error: Floats, texel_area: Floats, area: Floats) -> Seen:
    """Return what shows of points that stand for so many texels and square units (N,)."""
    above = error > SEEN_DEGREES
    weight = texel_area if texel_area.sum() > 0 else area
    total = float(weight.sum())
    mean = float((error * weight).sum()) / total if total > 0 else 0.0
    return Seen(
        mean,
        float(texel_area[above].sum()),
        float(area[above].sum()),
        harm(error, weight),
    )
