"""Where to look from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.normals import normalised
from cagecheck.rays.scene import Scene

# Directions tried around a place's own normal; a golden-angle spiral spreads them evenly.
TRIED = 40
SPREAD_DEGREES = 75.0
# A place whose normals cancel out to less than this faces all round (a ring): it is tried from
# everywhere.
ALL_ROUND_BELOW = 0.6
# Samples of a place that are asked whether they can be seen.
ASKED = 24
# Below this share of visible samples a place counts as buried.
BURIED_BELOW = 0.35

# Pictures open this wide from top to bottom, and a whole model leaves this much room around it.
FOV_DEGREES = 30.0
MARGIN = 1.06

# A region's picture shows this many times its radius, and at least this share of the model.
REGION_RADII, LEAST_SHARE = 4.0, 0.035


@dataclass(frozen=True)
class Camera:
    """A point of view: the eye looks at `target`; `up` is the picture's upward direction."""

    eye: tuple[float, float, float]
    target: tuple[float, float, float]
    up: tuple[float, float, float]


@dataclass(frozen=True)
class Outlook:
    """The best direction to see a place from (unit, towards the eye) and the share seen."""

    direction: tuple[float, float, float]
    visible: float

    @property
    def buried(self) -> bool:
        """True when other surface hides most of the place from everywhere."""
        return self.visible < BURIED_BELOW


def up_axis(positions: NDArray[np.floating]) -> int:
    """Return 1 (y) or 2 (z): of the two axes in use for up, the one in which the model is taller.

    Models have no field for it; a figure stands (common practice, no source).
    """
    size = np.ptp(positions, axis=0)
    return 2 if size[2] > 1.05 * size[1] else 1


def up_vector(axis: int) -> tuple[float, float, float]:
    """Return the unit vector of an axis."""
    return (0.0, 1.0, 0.0) if axis == 1 else (0.0, 0.0, 1.0)


def whole_camera(
    positions: NDArray[np.floating],
    axis: int,
    *,
    aspect: float = 1.0,
    front: Sequence[float] | None = None,
) -> Camera:
    """Return a view of the whole model that fits a picture of `aspect` (width by height).

    `front` points to the viewer; a little from the side and from above by default.
    """
    low, high = positions.min(axis=0).astype(float), positions.max(axis=0).astype(float)
    centre = (low + high) / 2
    if front is None:
        front = [0.42, 0.18, 0.9] if axis == 1 else [0.42, -0.9, 0.18]
    toward = np.asarray(front, float) / np.linalg.norm(front)
    camera = place_camera(centre, toward, 1.0, axis)
    right = np.cross(camera.up, toward)
    right /= np.linalg.norm(right)
    box = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)])
    corner = low + box * (high - low) - centre
    slope = np.tan(np.radians(FOV_DEGREES / 2))
    across, up = np.abs(corner @ right), np.abs(corner @ np.cross(toward, right))
    needed = corner @ toward + np.maximum(up, across / aspect) / slope
    return place_camera(centre, toward, MARGIN * float(needed.max()) or 1.0, axis)


def place_camera(
    centre: Sequence[float], direction: Sequence[float], distance: float, axis: int
) -> Camera:
    """Return a camera that looks at `centre` from `direction` (unit) at a distance."""
    middle, along = np.asarray(centre, float), np.asarray(direction, float)
    up = np.array(up_vector(axis))
    if abs(float(along @ up)) > 0.95:  # looking along the up axis leaves no up
        up = np.array([0.0, 0.0, -1.0]) if axis == 1 else np.array([0.0, 1.0, 0.0])
    return Camera(_triple(middle + distance * along), _triple(middle), _triple(up))


class Outlooks:
    """Finds from where places on a low poly can be seen. Built once."""

    def __init__(self, positions: NDArray[np.floating], triangles: NDArray[np.integer]) -> None:
        place = np.ascontiguousarray(positions, np.float64)
        self._scene = Scene(Surface(place, triangles, np.zeros(len(triangles), np.int32)))
        size = float(np.linalg.norm(np.ptp(place, axis=0))) or 1.0
        # Far enough off the surface not to meet it again by rounding, near for any picture.
        self._lift = 1e-4 * size
        self._far = 2 * size

    def find(self, places: list[Floats], normals: list[Floats]) -> list[Outlook]:
        """Return the outlook on every place, given its (n, 3) points and (n, 3) unit normals."""
        if not places:
            return []
        tried = [_around(np.nan_to_num(normal.mean(axis=0))) for normal in normals]
        asked = [np.linspace(0, len(p) - 1, min(len(p), ASKED)).astype(int) for p in places]
        origin = np.concatenate(
            [
                np.repeat(p[a] + self._lift * n[a], TRIED, axis=0)
                for p, n, a in zip(places, normals, asked, strict=True)
            ]
        )
        direction = np.concatenate(
            [np.tile(d, (len(a), 1)) for d, a in zip(tried, asked, strict=True)]
        )
        layers = self._scene.cast(origin, direction, 0.0, self._far)
        free = np.diff(layers.first) == 0
        cosine = np.concatenate(
            [(n[a] @ d.T).ravel() for n, a, d in zip(normals, asked, tried, strict=True)]
        )
        bounds = np.cumsum([len(a) * TRIED for a in asked])[:-1]
        frontal = np.split(np.where(free, np.maximum(cosine, 0), 0), bounds)
        return [_choose(d, f.reshape(-1, TRIED)) for d, f in zip(tried, frontal, strict=True)]

    def seen_from(self, places: Floats, eye: Floats) -> NDArray[np.bool_]:
        """Return (n,) bool: nothing lies between the (n, 3) places and the eye."""
        way = eye - places
        distance = np.linalg.norm(way, axis=1)
        direction = way / distance[:, None]
        layers = self._scene.cast(places + self._lift * direction, direction, 0.0, distance)
        return np.asarray(np.diff(layers.first) == 0)


def _choose(directions: Floats, frontal: Floats) -> Outlook:
    """Choose the direction in which most of the place shows largest.

    frontal : (asked, tried) cosine between normal and direction, 0 where hidden.
    """
    best = int(np.argmax(frontal.mean(axis=0)))
    return Outlook(_triple(directions[best]), float((frontal[:, best] > 0).mean()))


def _around(normal: Floats) -> Floats:
    """Return (TRIED, 3) unit directions spiralling away from `normal`."""
    spread = SPREAD_DEGREES if np.linalg.norm(normal) > ALL_ROUND_BELOW else 180.0
    if not np.any(normal):
        normal = np.array([0.0, 0.0, 1.0])
    n = normalised(normal[None])[0]
    side = np.cross(n, [1.0, 0.0, 0.0] if abs(n[0]) < 0.7 else [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    k = np.arange(TRIED)
    tilt = np.radians(spread) * np.sqrt(k / (TRIED - 1))
    turn = k * np.pi * (3 - np.sqrt(5))
    ring = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * np.cross(n, side)
    out: Floats = np.cos(tilt)[:, None] * n + np.sin(tilt)[:, None] * ring
    return out


def _triple(vector: Floats) -> tuple[float, float, float]:
    return float(vector[0]), float(vector[1]), float(vector[2])
