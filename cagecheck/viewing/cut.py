"""The cut plane."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.spread import spread
from cagecheck.arrays.types import Floats

Triple = tuple[float, float, float]

# Rays that lean out of the plane by more than this do not look like themselves in it.
MOST_LEAN_DEGREES = 30.0


@dataclass(frozen=True)
class CutPlane:
    """A plane through `origin` with unit `normal`, which points to the side that is taken away.

    `upward` is the direction in the plane that pictures show upwards, or None for the model's own.
    """

    origin: Triple
    normal: Triple
    upward: Triple | None = None

    @staticmethod
    def at(origin: Floats, normal: Floats, upward: Floats | None = None) -> CutPlane:
        """Return the plane; `normal` and `upward` need not have unit length."""
        unit = np.asarray(normal, float) / np.linalg.norm(normal)
        up = None if upward is None else _triple(np.asarray(upward, float))
        return CutPlane(_triple(np.asarray(origin, float)), _triple(unit), up)

    def distance(self, points: NDArray[np.floating]) -> Floats:
        """Return (n,) signed distances of (n, 3) points, positive on the side taken away."""
        out: Floats = (np.asarray(points, np.float64) - self.origin) @ np.asarray(self.normal)
        return out

    def flatten(self, points: Floats) -> Floats:
        """Return (n, 3) points moved straight into the plane."""
        return points - self.distance(points)[:, None] * np.asarray(self.normal)

    def moved(self, distance: float) -> CutPlane:
        """Return the plane moved along its normal."""
        origin = np.asarray(self.origin) + distance * np.asarray(self.normal)
        return replace(self, origin=_triple(origin))

    def moved_to(self, origin: Floats) -> CutPlane:
        """Return the plane through another point."""
        return replace(self, origin=_triple(origin))

    def turned(self, axis: Floats, degrees: float) -> CutPlane:
        """Return the plane turned round an axis in it through its origin (Rodrigues' formula).

        Pictures show the axis upwards from then on.
        """
        k = np.asarray(axis, float) / np.linalg.norm(axis)
        n, a = np.asarray(self.normal), np.radians(degrees)
        turned = n * np.cos(a) + np.cross(k, n) * np.sin(a) + k * (k @ n) * (1 - np.cos(a))
        return CutPlane.at(np.asarray(self.origin), turned, k)

    def rays_near(
        self,
        origins: NDArray[np.floating],
        directions: NDArray[np.floating],
        middle: Floats,
        size: float,
        *,
        spacing: float,
        most: int,
    ) -> NDArray[np.int64]:
        """Return the indices of at most `most` rays that start within half a sample's spacing of
        the plane, within `size` of `middle`, and lean out of it by no more than a little.

        spacing : typical distance between samples, world units.
        """
        near = np.abs(self.distance(origins)) <= spacing / 2
        near &= np.linalg.norm(origins - middle, axis=1) <= size
        lean = np.abs(directions @ np.asarray(self.normal, directions.dtype))
        near &= lean <= np.sin(np.radians(MOST_LEAN_DEGREES))
        return spread(np.flatnonzero(near), most)


def plane_through(places: Floats, centre: Floats, along: Floats) -> CutPlane:
    """Return a plane that holds the direction `along` and the longest way across `places`.

    So a cut through a region shows its rays at full length and as much of the region as a plane
    can.
    """
    length = np.linalg.norm(along)
    along = along / length if length > 0 else np.array([0.0, 0.0, 1.0])
    spread = places - places.mean(axis=0)
    spread = spread - (spread @ along)[:, None] * along
    _, sizes, axes = np.linalg.svd(spread[:: max(len(spread) // 2000, 1)], full_matrices=False)
    across = axes[0] if len(sizes) and sizes[0] > 0 else np.array([1.0, 0.0, 0.0])
    normal = np.cross(along, across)
    if np.linalg.norm(normal) < 1e-9:
        normal = np.cross(along, [0.0, 1.0, 0.0] if abs(along[1]) < 0.7 else [1.0, 0.0, 0.0])
    # Of the two sides, look from the one further to the front.
    if normal[2] + 0.5 * normal[0] < 0:
        normal = -normal
    return CutPlane.at(centre, normal, along)


def _triple(vector: Floats) -> Triple:
    return float(vector[0]), float(vector[1]), float(vector[2])
