"""How much of what is wrong will be seen: degrees beyond the threshold of sight, times texels.

A faint slant over half a sleeve harms less than an ear that is lost. Lists are ranked by this, and
what stays below the threshold is folded away. See `cagecheck.defects.visible` for the degrees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cagecheck.arrays.types import Floats

# An error up to this does not show. Provisional: half of what is called skew on the demo scene lies
# below it, and renders of those places differ no more than clean ground does (FLIP).
SEEN_DEGREES = 5.0


@dataclass(frozen=True)
class Seen:
    """What shows of a place.

    error : mean visible error of its texels, degrees. texels, area : of those texels, how many lie
    above the threshold, and their area on the low poly, square units. harm : degrees above the
    threshold, times texels (times square units where there are no UVs).
    """

    error: float = 0.0
    texels: float = 0.0
    area: float = 0.0
    harm: float = 0.0


def harm(error: Floats, texel_area: Floats, *, threshold: float = SEEN_DEGREES) -> float:
    """Return how much will be seen: degrees above the threshold, times texels.

    error, texel_area : (N,) degrees, and the texels that each point stands for.
    """
    return float((np.maximum(error - threshold, 0.0) * texel_area).sum())


def seen_of(
    error: Floats, texel_area: Floats, area: Floats, *, threshold: float = SEEN_DEGREES
) -> Seen:
    """Return what shows of points that stand for so many texels and square units (N,)."""
    above = error > threshold
    weight = texel_area if texel_area.sum() > 0 else area
    total = float(weight.sum())
    mean = float((error * weight).sum()) / total if total > 0 else 0.0
    return Seen(
        mean,
        float(texel_area[above].sum()),
        float(area[above].sum()),
        harm(error, weight, threshold=threshold),
    )
