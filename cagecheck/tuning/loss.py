"""What will be seen where a corridor is given up.

A ray that starts too low records what lies below its target, or nothing; one that starts too high
records the next layer. How far those normals are from the one that belongs there, where that
shows, is what the corridor is worth: where corridors exclude each other, the one that shows least
gives way.
"""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.defects.harm import WRONG_DEGREES, harm_degrees
from cagecheck.defects.match import Matched, Matcher
from cagecheck.defects.visible import find_ideal, hole_error, layer_error
from cagecheck.predicting.settings import Settings
from cagecheck.rays.layers import NO_LAYER


def loss_of(matcher: Matcher, cast: Matched, settings: Settings) -> Floats:
    """Return (N,) from 0 (would not show) to 1 (simply wrong): what points may lose.

    The larger of both sides that a start could be wrong on; 0 where a point has no target.
    """
    depth, _ = settings.depth_and_reach()
    ideal = find_ideal(
        matcher, cast, depth=depth, map_size=settings.map_size, thresholds=settings.thresholds
    )
    error = layer_error(matcher, cast, ideal).astype(np.float64)
    layers, targets = cast.layers, cast.targets
    below = np.where(targets.found, targets.layer - 1, NO_LAYER)
    inside = targets.found & (below >= layers.first[:-1])
    inside[inside] = layers.t[below[inside]] >= -depth
    lower = hole_error(matcher.low, cast.points, ideal)
    lower[inside] = error[below[inside]]
    blocked = targets.next_layer != NO_LAYER
    upper = np.zeros(len(cast))
    upper[blocked] = error[targets.next_layer[blocked]]
    # Targets at or below the low poly are met by any start.
    raised = targets.found & (np.nan_to_num(targets.t, nan=-1.0) > 0)
    worst = np.maximum(np.where(raised, lower, 0.0), np.where(blocked & targets.found, upper, 0.0))
    out: Floats = harm_degrees(worst) / WRONG_DEGREES
    return out
