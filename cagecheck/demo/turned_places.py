"""Places on turned shapes: rings of points, rectangles, and parameters of their borders."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.demo.measures import RIGHT, Place
from cagecheck.demo.shapes import Spine, Turned

_TUBE = (0.08, 0.92)  # of v, for shapes closed by small caps


def upright(x: float = 0.0, z: float = 0.0, yaw: float = 0.0) -> Spine:
    """A vertical spine whose lengths are heights y; `yaw` turns its section about it."""
    right = (float(np.cos(yaw)), 0.0, float(-np.sin(yaw))) if yaw else RIGHT
    return Spine([(x, 0.0, z), (x, 2.5, z)], right)


def v_at(shape: Turned, height: float) -> float:
    """The parameter v of a tube at a height."""
    return shape.profile.v_of(height, *_TUBE)


def radius_at(shape: Turned, height: float) -> float:
    """The profile's radius at a height."""
    return float(shape.profile.at(np.array([v_at(shape, height)]))[1][0])


def point_at(shape: Turned, angle: float, height: float) -> Floats:
    """Return the (3,) point at an angle and a height."""
    return shape.points(np.array([angle]), np.array([v_at(shape, height)]))[0]


def ring_of(shape: Turned, height: float, count: int, start: float = 0.0) -> Floats:
    """Return (count, 3) points around a shape at a height."""
    angle = start + np.arange(count) * 2 * np.pi / count
    return shape.points(angle, np.full(count, v_at(shape, height)))


def borders_u(shape: Turned, place: Place, *extra: float) -> tuple[float, ...]:
    """Return the angles of a place's sides, and of lines `extra` lengths outside them."""
    angle, height, half, _ = place
    r = radius_at(shape, height)
    return tuple(angle + sign * (half + x) / r for x in (0.0, *extra) for sign in (-1, 1))


def borders_v(shape: Turned, place: Place, *extra: float) -> tuple[float, ...]:
    """Return v of a place's upper and lower side, and of lines `extra` outside them."""
    _, height, _, half = place
    return tuple(v_at(shape, height + sign * (half + x)) for x in (0.0, *extra) for sign in (-1, 1))


def across(shape: Turned, place: Place, u: Floats) -> Floats:
    """Return (N,) lengths from the middle of a place around the axis, at the place's radius."""
    turn = (u - place[0] + np.pi) % (2 * np.pi) - np.pi
    return turn * radius_at(shape, place[1])


def inside(shape: Turned, place: Place) -> Callable[[Floats, Floats], NDArray[np.bool_]]:
    """Return the condition (u, v) -> bool of lying in a place."""

    def test(u: Floats, v: Floats) -> NDArray[np.bool_]:
        a, _ = shape.profile.at(v)
        tube = (v > _TUBE[0]) & (v < _TUBE[1])
        wide = np.abs(across(shape, place, u)) < place[2]
        return tube & wide & (np.abs(a - place[1]) < place[3])

    return test


def rectangle(shape: Turned, place: Place, grow: float, spacing: float) -> Floats:
    """Return (K, 3) points over a place whose sides are moved outwards by `grow`."""
    angle, height, wide, tall = place
    x = np.linspace(-wide - grow, wide + grow, max(2, round(2 * (wide + grow) / spacing)))
    y = np.linspace(-tall - grow, tall + grow, max(2, round(2 * (tall + grow) / spacing)))
    gx = np.tile(x, len(y))
    v = np.array([v_at(shape, height + float(h)) for h in y])
    return shape.points(angle + gx / radius_at(shape, height), np.repeat(v, len(x)))


def outline(shape: Turned, place: Place, grow: float, spacing: float) -> Floats:
    """Return (K, 3) points along the border of a place, moved outwards by `grow`, but corners."""
    angle, height, wide, tall = place
    wide, tall = wide + grow, tall + grow
    x = np.linspace(spacing - wide, wide - spacing, max(2, round(2 * wide / spacing)))
    y = np.linspace(spacing - tall, tall - spacing, max(2, round(2 * tall / spacing)))
    gx = np.concatenate([x, x, np.full(len(y), -wide), np.full(len(y), wide)])
    gy = np.concatenate([np.full(len(x), -tall), np.full(len(x), tall), y, y])
    v = np.array([v_at(shape, height + float(h)) for h in gy])
    return shape.points(angle + gx / radius_at(shape, height), v)
