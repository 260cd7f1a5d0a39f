"""The soft rims of faulty places: texels that are right only as far as bends and filters excuse.

Where the surface bends within a texel or two, a map may differ by much and still be no more than a
filter's doing, so such texels count as clean by themselves. Beside a place that is certainly wrong
they are part of it when they differ visibly and no filter explains how: two thresholds, as edges
are drawn through in pictures (hysteresis; Canny, "A computational approach to edge detection",
IEEE PAMI 8, 1986).
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import binary_dilation, distance_transform_edt

from cagecheck.arrays.mask_boxes import SQUARE, box_around
from cagecheck.locating.compare import TOLERANCE_DEGREES, Fault, TileView
from cagecheck.locating.enlarging import explained_by_filtering
from cagecheck.locating.patterns import Patterns, grown_over

# Two normals this far apart are told by eye in a lit render (common practice, no source).
VISIBLE_DEGREES = 5.0
# Fewer texels may be what a filter leaves; a place grows only from as many, and by no more steps
# than the widest window that explains texels by their surroundings reaches.
LEAST_PLACE, MOST_STEPS = 50, 8
# What explains itself by a layer, a shift or a turn has tests of its own for texels at its rim.
GROWING = (Fault.UNEXPLAINED, Fault.MISSED)
# Texels of a place may lie so far apart.
JOIN_TEXELS = 3


def grow_places(view: TileView, patterns: Patterns, base_degrees: float) -> None:
    """Count to every place, in `patterns`, the visibly wrong texels that touch it.

    base_degrees : the tolerance on flat ground.
    """
    seeds = np.isin(patterns.fault, GROWING)
    if np.count_nonzero(seeds) < LEAST_PLACE:
        return
    box = box_around(seeds, MOST_STEPS)
    fault, seeds = patterns.fault[box], seeds[box]
    place = grown_over(seeds, view.triangle[box] >= 0, JOIN_TEXELS)
    large = np.bincount(place.ravel()) >= LEAST_PLACE
    large[0] = False
    seeds = large[place]
    if not seeds.any():
        return
    # Where a map is rough, more is needed to stand out.
    least = VISIBLE_DEGREES * max(base_degrees / TOLERANCE_DEGREES, 1.0)
    with np.errstate(invalid="ignore"):
        off = (fault == Fault.CLEAN) & (view.angle[box] > least)
    near = binary_dilation(seeds, SQUARE, MOST_STEPS, mask=seeds | off)
    asked = np.zeros(view.fault.shape, bool)
    asked[box] = near & ~seeds
    soft = explained_by_filtering(view, view.expected, view.shown, base_degrees, asked)
    # What a filter explains is no bridge to what lies beyond it either.
    open_to_growth = seeds | (off & ~soft[box])
    grown = binary_dilation(seeds, SQUARE, MOST_STEPS, mask=open_to_growth) & ~seeds
    row, column = distance_transform_edt(~seeds, return_distances=False, return_indices=True)
    source = row[grown], column[grown]
    fault[grown] = fault[source]
    evidence = patterns.evidence[box]
    evidence[grown] = evidence[source]
