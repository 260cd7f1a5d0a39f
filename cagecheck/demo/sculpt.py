"""Sculpting by displacement: heights over a base surface, in the scene's units.

Every function returns (N,) heights along the base normal and uses only places and parameters
that agree across seams, so that a displaced surface stays closed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from cagecheck.arrays.types import Floats
from cagecheck.demo.grids import TURN


@dataclass(frozen=True, eq=False)
class Spots:
    """Vertices of a dense base surface.

    points, normals : (N, 3). u, v : (N,) parameters. a, r : (N,) height along the axis and radius
    (zero for boxes). place : (N, 3) on the unit cube for boxes, else None.
    """

    points: Floats
    normals: Floats
    u: Floats
    v: Floats
    a: Floats
    r: Floats
    place: Floats | None = None

    def arc(self, angle: float) -> Floats:
        """Return (N,) lengths around the axis from `angle`, signed, the short way."""
        turn = (self.u - angle + TURN / 2) % TURN - TURN / 2
        return turn * self.r


Sculpt = Callable[[Spots], Floats]


def ridge(x: Floats, width: float, height: float) -> Floats:
    """A rounded ridge (or with negative height a crease) where x is near 0."""
    return height * np.exp(-((x / width) ** 2))


def band(x: Floats, half: float, wall: float, height: float) -> Floats:
    """`height` where |x| < `half`, falling straight to 0 over the length `wall` beyond."""
    return height * np.clip(1 - (np.abs(x) - half) / wall, 0, 1)


def pad(x: Floats, y: Floats, half: tuple[float, float], wall: float, height: float) -> Floats:
    """A rectangular plateau with straight slanted walls of run `wall`, mitred at its corners."""
    out = np.maximum(np.abs(x) - half[0], np.abs(y) - half[1])
    return height * np.clip(1 - out / wall, 0, 1)


def smooth_pad(
    x: Floats, y: Floats, half: tuple[float, float], wall: float, height: float
) -> Floats:
    """A rectangular plateau with soft walls and rounded corners."""
    dx = np.maximum(np.abs(x) - half[0] + wall, 0)
    dy = np.maximum(np.abs(y) - half[1] + wall, 0)
    step = np.clip(1 - (np.hypot(dx, dy) - wall) / wall, 0, 1)
    return height * step * step * (3 - 2 * step)


def domes(points: Floats, centres: Floats, radius: float, height: float) -> Floats:
    """Rivet heads h (1 - (d / R)^2)^2: steepest slope 1.54 h / R."""
    distance, _ = cKDTree(centres).query(points, distance_upper_bound=radius)
    inside = np.minimum(distance / radius, 1.0)
    return height * (1 - inside**2) ** 2


def stripes(x: Floats, pitch: float, height: float) -> Floats:
    """Rounded ribs `pitch` apart, from 0 to `height`."""
    return height * (0.5 - 0.5 * np.cos(TURN * x / pitch))


def fade(x: Floats, start: float, end: float) -> Floats:
    """A soft step from 0 at `start` to 1 at `end`."""
    step = np.clip((x - start) / (end - start), 0, 1)
    return step * step * (3 - 2 * step)


def smooth_band(x: Floats, half: float, wall: float, height: float) -> Floats:
    """`height` where |x| < `half` - `wall`, falling softly to 0 at `half`."""
    return height * fade(-np.abs(x), -half, wall - half)
