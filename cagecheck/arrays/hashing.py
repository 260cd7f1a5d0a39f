"""A small hash for compiled loops: the same numbers give the same draw, in any order."""

from __future__ import annotations

import numpy as np

from cagecheck.loops import njit


@njit(cache=True, nogil=True)
def mix(a: np.uint64, b: np.uint64, c: np.uint64) -> np.uint64:
    """Mix three numbers with the finaliser of SplitMix64.

    Source: Steele, Lea, Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014.
    """
    z = a * np.uint64(0x9E3779B97F4A7C15) + b * np.uint64(0xBF58476D1CE4E5B9)
    z += c * np.uint64(0x94D049BB133111EB) + np.uint64(0x2545F4914F6CDD1D)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))
