"""Quantiles of samples that stand for different areas."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats


def weighted_quantiles(values: Floats, weights: Floats, shares: tuple[float, ...]) -> Floats:
    """Return the values that these shares of the weight lie at or below.

    values, weights : (N,), N at least 1, weights not all zero; shares : from 0 to 1.
    """
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    at = np.searchsorted(reached, np.array(shares) * reached[-1])
    out: Floats = values[order][np.minimum(at, len(values) - 1)]
    return out
