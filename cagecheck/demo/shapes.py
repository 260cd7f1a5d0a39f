"""Base surfaces in closed form, that the low poly samples coarsely and the high poly finely."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d

from cagecheck.arrays.types import Floats

Point = tuple[float, float, float]
# Cross-section: unit outline (N,), (N,) at angle theta and height a along the spine.
Section = Callable[[Floats, Floats], tuple[Floats, Floats]]

_TABLE = 4096


def as_point(p: Floats) -> Point:
    """Return a place (3,) as three numbers."""
    return float(p[0]), float(p[1]), float(p[2])


class Profile:
    """A curve (a, r) of height along an axis and radius around it, by v in [0, 1].

    v is the fraction of the length of the polyline through `points`; `rounding` (a length) rounds
    its corners by Gaussian weighting along the curve. Closed profiles repeat their first point.
    """

    def __init__(self, points: list[tuple[float, float]], rounding: float = 0.0) -> None:
        corner = np.array(points, dtype=np.float64)
        steps = np.linalg.norm(np.diff(corner, axis=0), axis=1)
        self.length = float(steps.sum())
        self.stops = np.concatenate([[0.0], np.cumsum(steps)]) / self.length
        self.corner = corner
        self._v = np.linspace(0, 1, _TABLE + 1)
        a, r = (np.interp(self._v, self.stops, corner[:, k]) for k in (0, 1))
        if rounding > 0:
            sigma = rounding / self.length * _TABLE
            a, r = self._round(a, r, sigma, bool(np.all(corner[0] == corner[-1])))
        self._a, self._r = a, r

    @staticmethod
    def _round(a: Floats, r: Floats, sigma: float, closed: bool) -> tuple[Floats, Floats]:
        if closed:
            rolled = [gaussian_filter1d(x[:-1], sigma, mode="wrap") for x in (a, r)]
            return tuple(np.append(x, x[0]) for x in rolled)  # type: ignore[return-value]
        pad = len(r) - 1
        # Through a pole the profile goes on to the other side: height even, radius odd.
        even = np.concatenate([a[pad:0:-1], a, a[-2::-1][:pad]])
        odd = np.concatenate([-r[pad:0:-1], r, -r[-2::-1][:pad]])
        keep = slice(pad, pad + len(r))
        return gaussian_filter1d(even, sigma)[keep], gaussian_filter1d(odd, sigma)[keep]

    def at(self, v: Floats) -> tuple[Floats, Floats]:
        """Return (a, r) at parameters `v`."""
        return np.interp(v, self._v, self._a), np.interp(v, self._v, self._r)

    def rows(self, first: int = 1, last: int = -2, longest: float = 1.0) -> tuple[float, ...]:
        """Return v at the points from number `first` to `last`, edges over `longest` cut evenly."""
        chosen = self.stops[first : len(self.stops) + last + 1]
        out = [chosen[:1]]
        for start, end in pairwise(chosen):
            count = max(1, int(np.ceil((end - start) * self.length / longest - 1e-9)))
            out.append(np.linspace(start, end, count + 1)[1:])
        return tuple(float(v) for v in np.concatenate(out))

    def v_of(self, a: float, start: float = 0.0, end: float = 1.0) -> float:
        """Return the first v between `start` and `end` where the height is `a`, rising."""
        near = (self._v >= start) & (self._v <= end)
        v, height = self._v[near], np.maximum.accumulate(self._a[near])
        return float(np.interp(a, height, v))


def fillet(
    points: list[tuple[float, ...]], widest_turn_deg: float = 24.0
) -> list[tuple[float, float]]:
    """Return profile points with corners cut to arcs.

    `points` are (a, r) or (a, r, radius); arcs turn by at most `widest_turn_deg` per step. The
    radius is cut down where the arcs of two corners would overlap.
    """
    corner = np.array([p[:2] for p in points], dtype=np.float64)
    steps = np.linalg.norm(np.diff(corner, axis=0), axis=1)
    out = [points[0][:2]]
    for k in range(1, len(points) - 1):
        radius = points[k][2] if len(points[k]) > 2 else 0.0
        before = (corner[k] - corner[k - 1]) / steps[k - 1]
        after = (corner[k + 1] - corner[k]) / steps[k]
        turn = float(np.arctan2(before[0] * after[1] - before[1] * after[0], before @ after))
        # Half of an inner edge belongs to each of its corners, all of one that ends at a pole.
        room = min(
            steps[k - 1] * (0.95 if k == 1 else 0.5),
            steps[k] * (0.95 if k == len(points) - 2 else 0.5),
        )
        cut = min(radius * np.tan(abs(turn) / 2), room)
        if cut <= 0:
            out.append((float(corner[k][0]), float(corner[k][1])))
            continue
        radius = cut / np.tan(abs(turn) / 2)
        side = np.array([-before[1], before[0]]) * np.sign(turn)
        centre = corner[k] - before * cut + side * radius
        count = max(1, int(np.ceil(abs(np.degrees(turn)) / widest_turn_deg)))
        for x in np.linspace(0, turn, count + 1):
            arm = -side * radius
            spun = (
                arm[0] * np.cos(x) - arm[1] * np.sin(x),
                arm[0] * np.sin(x) + arm[1] * np.cos(x),
            )
            out.append((float(centre[0] + spun[0]), float(centre[1] + spun[1])))
    out.append(points[-1][:2])
    return [(float(a), float(r)) for a, r in out]


def oval(wide: float = 1.0, deep: float = 1.0, power: float = 2.0) -> Section:
    """A superellipse |x / wide|^power + |z / deep|^power = 1 (Lamé)."""

    def section(theta: Floats, a: Floats) -> tuple[Floats, Floats]:
        x, z = np.cos(theta), np.sin(theta)
        scale = (np.abs(x) ** power + np.abs(z) ** power) ** (-1 / power)
        return wide * x * scale, deep * z * scale

    return section


def shaped(
    wide: Callable[[Floats], Floats],
    front: Callable[[Floats], Floats],
    back: Callable[[Floats], Floats],
) -> Section:
    """An oval whose half widths (across, to the front, to the back) change along the spine."""

    def section(theta: Floats, a: Floats) -> tuple[Floats, Floats]:
        x, z = np.cos(theta), np.sin(theta)
        # Even steps along long ovals: angles of the circle, stretched.
        return wide(a) * x, np.where(z > 0, front(a), back(a)) * z

    return section


def pleated(base: Section, count: int, depth: Callable[[Floats], Floats]) -> Section:
    """A section with `count` soft pleats, `depth` (a share of the radius) by height."""

    def section(theta: Floats, a: Floats) -> tuple[Floats, Floats]:
        x, z = base(theta, a)
        wave = 1 + depth(a) * np.cos(count * theta + 0.7 * np.sin(2 * theta))
        return x * wave, z * wave

    return section


def prism(sides: int, roundness: float) -> Section:
    """A regular polygon of inner radius 1 with corners; `roundness` near 0 is sharp.

    The outline is where the p-norm of the heights over all sides is 1, p = 1 / roundness, so it
    lies inside the sharp polygon, by a factor 2^(-1 / p) at its corners.
    """

    def section(theta: Floats, a: Floats) -> tuple[Floats, Floats]:
        facing = (np.arange(sides) + 0.5) * 2 * np.pi / sides - np.pi / 2
        height = np.maximum(np.cos(theta[:, None] - facing), 0)
        if roundness > 0:
            top = height.max(axis=1)
            power = 1 / roundness
            size = top * ((height / top[:, None]) ** power).sum(axis=1) ** (1 / power)
        else:
            size = height.max(axis=1)
        return np.cos(theta) / size, np.sin(theta) / size

    return section


class Spine:
    """A smooth planar or straight curve to hang a profile on, by length a from its start.

    `right` is held fixed as the x axis of the cross-section and must not run along the curve.
    Beyond both ends the curve goes straight on.
    """

    def __init__(self, points: list[Point], right: Point, rounding: float = 0.0) -> None:
        self.straight = len(points) == 2
        corner = np.array(points, dtype=np.float64)
        steps = np.linalg.norm(np.diff(corner, axis=0), axis=1)
        self.length = float(steps.sum())
        far = self.length
        first = corner[0] - (corner[1] - corner[0]) / steps[0] * far
        last = corner[-1] + (corner[-1] - corner[-2]) / steps[-1] * far
        stops = np.concatenate([[-far, 0], np.cumsum(steps), [2 * far]])
        table = np.concatenate([[first], corner, [last]])
        self._a = np.linspace(-far, 2 * far, _TABLE + 1)
        self._p = np.stack([np.interp(self._a, stops, table[:, k]) for k in range(3)], axis=1)
        if not self.straight and rounding > 0:
            sigma = rounding / (3 * far) * _TABLE
            self._p = gaussian_filter1d(self._p, sigma, axis=0, mode="nearest")
            self._p[:64], self._p[-64:] = self._p[:64], self._p[-64:]
        tangent = np.gradient(self._p, axis=0)
        self._t = tangent / np.linalg.norm(tangent, axis=1, keepdims=True)
        self.right = np.array(right, dtype=np.float64) / np.linalg.norm(right)

    def frame(self, a: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Return (N, 3) place, x axis, z axis and tangent at lengths `a`."""
        place = np.stack([np.interp(a, self._a, self._p[:, k]) for k in range(3)], axis=1)
        t = np.stack([np.interp(a, self._a, self._t[:, k]) for k in range(3)], axis=1)
        t /= np.linalg.norm(t, axis=1, keepdims=True)
        x = self.right - t * (t @ self.right)[:, None]
        x /= np.linalg.norm(x, axis=1, keepdims=True)
        return place, x, np.cross(x, t), t


@dataclass(frozen=True, eq=False)
class Turned:
    """A cross-section swept along a spine and scaled by a profile: limbs, barrels, hats.

    Parameters are the angle u (from the x axis of the section towards its z axis) and the
    profile's v, both poles included.
    """

    spine: Spine
    profile: Profile
    section: Section = field(default_factory=oval)
    flat_floor: float | None = None  # a height y that nothing goes below, softly

    def points(self, u: Floats, v: Floats) -> Floats:
        """Return (N, 3) base positions."""
        a, r = self.profile.at(v)
        place, x, z, _ = self.spine.frame(a)
        cx, cz = self.section(u, a)
        out = place + x * (r * cx)[:, None] + z * (r * cz)[:, None]
        if self.flat_floor is not None:
            soft = 0.008
            out[:, 1] = self.flat_floor + soft * np.logaddexp(
                0, (out[:, 1] - self.flat_floor) / soft
            )
        return out


@dataclass(frozen=True, eq=False)
class Hoop:
    """A closed section (a profile around its own middle) carried round an oval path.

    Parameters are the angle u around the path and the section's v. `axis` is the hoop's axis,
    `right` the direction of angle 0.
    """

    centre: Point
    axis: Point
    right: Point
    profile: Profile  # closed, a along the axis, r from the axis, counter-clockwise seen from u
    section: Section = field(default_factory=oval)

    def points(self, u: Floats, v: Floats) -> Floats:
        """Return (N, 3) base positions."""
        a, r = self.profile.at(v)
        t = np.array(self.axis) / np.linalg.norm(self.axis)
        x = np.array(self.right) - t * (t @ np.array(self.right))
        x /= np.linalg.norm(x)
        z = np.cross(x, t)
        cx, cz = self.section(u, a)
        return (
            np.array(self.centre) + a[:, None] * t + (r * cx)[:, None] * x + (r * cz)[:, None] * z
        )


@dataclass(frozen=True, eq=False)
class Box:
    """A box with edges rounded by `radius` (0 is sharp), turned about its axes."""

    centre: Point
    half: Point
    radius: float = 0.0

    def points(self, place: Floats) -> Floats:
        """Return (N, 3) positions for places on the cube [-1, 1]^3."""
        half = np.array(self.half)
        q = place * half
        if self.radius > 0:
            inner = np.clip(q, -half + self.radius, half - self.radius)
            out = q - inner
            q = inner + self.radius * out / np.linalg.norm(out, axis=1, keepdims=True)
        return np.array(self.centre) + q
