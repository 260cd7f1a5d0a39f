"""Head, eyes, moustache, collar and hat."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.demo import measures as at
from cagecheck.demo.materials import hammered
from cagecheck.demo.noise import fbm
from cagecheck.demo.pieces import Piece
from cagecheck.demo.sculpt import Spots, domes, fade, ridge, smooth_band, stripes
from cagecheck.demo.shapes import Point, Profile, Spine, Turned, as_point, fillet, oval
from cagecheck.demo.turned_places import borders_u, borders_v, inside, ring_of, upright


def hat_shape() -> Turned:
    """The hat, hollowed below for the head; heights are y."""
    outline = [
        (1.742, 0.0), (1.740, 0.055, 0.03), (1.705, 0.135, 0.05), (1.700, 0.200),
        (1.704, 0.222, 0.012), (1.722, 0.222, 0.012), (1.732, 0.165), (1.745, 0.132, 0.03),
        (1.905, 0.122, 0.03), (1.915, 0.0),
    ]  # fmt: skip
    return Turned(upright(), Profile(fillet(outline), 0.004))


def head_shape() -> Turned:
    """The head's base surface; heights are y."""
    outline = [
        (1.486, 0.0), (1.486, 0.085, 0.04), (1.560, 0.122, 0.15), (1.650, 0.120, 0.10),
        (1.706, 0.080, 0.05), (1.718, 0.0),
    ]  # fmt: skip
    return Turned(upright(), Profile(fillet(outline), 0.006), oval(1.0, 1.0, 2.2))


def head(seed: int) -> list[Piece]:
    """Return the pieces of the head."""
    return [
        _collar(), _head(seed), _hat(seed + 10), _moustache(seed + 20),
        _eye("l", 1.0), _eye("r", -1.0),
    ]  # fmt: skip


def _head(seed: int) -> Piece:
    shape = head_shape()
    rivets = np.concatenate([ring_of(shape, 1.668, 22), ring_of(shape, 1.535, 20, 0.1)])

    def relief(s: Spots) -> Floats:
        bands = smooth_band(s.a - 1.535, 0.015, 0.004, 0.0024)
        bands = bands + smooth_band(s.a - 1.668, 0.013, 0.004, 0.0024)
        side = fade(s.a, 1.50, 1.52) * fade(-s.a, -1.70, -1.685)
        cheeks = sum(ridge(s.arc(at.FRONT + x), 0.003, -0.003) for x in (-1.2, 1.2, np.pi))
        ears = sum(
            ridge(np.hypot(s.arc(x), s.a - 1.60) - 0.030, 0.006, 0.004)
            + ridge(np.hypot(s.arc(x), s.a - 1.60), 0.012, 0.004)
            for x in (0.0, np.pi)
        )
        pins = domes(s.points, rivets, 0.0085, 0.0027)
        return side * (bands + cheeks + ears) + pins + hammered(s, seed, 0.017, 0.0008)

    return Piece(
        "head", shape, 20, 0, rows=shape.profile.rows(1, -2, 0.035), sculpt=relief, fineness=0.65
    )


def _hat(seed: int) -> Piece:
    shape = hat_shape()

    def relief(s: Spots) -> Floats:
        above = fade(s.v, 0.55, 0.60)
        ribbon = above * smooth_band(s.a - 1.776, 0.020, 0.005, 0.004)
        brim = ridge(s.r - 0.205, 0.003, -0.0018)
        felt = 0.0012 * fbm(s.points, 0.05, seed, 3) + 0.0003 * fbm(s.points, 0.008, seed + 1, 1)
        return ribbon + brim + felt

    return Piece(
        "hat", shape, 28, 0, rows=shape.profile.rows(1, -2, 0.05), sculpt=relief,
        flipped=inside(shape, at.FLIPPED), lines_u=borders_u(shape, at.FLIPPED),
        lines_v=borders_v(shape, at.FLIPPED), fineness=0.9,
    )  # fmt: skip


def _collar() -> Piece:
    outline = [
        (1.430, 0.0), (1.428, 0.050, 0.06), (1.412, 0.116, 0.02), (1.418, 0.131, 0.008),
        (1.450, 0.124, 0.05), (1.484, 0.130, 0.008), (1.484, 0.118, 0.006), (1.462, 0.085, 0.03),
        (1.460, 0.0),
    ]  # fmt: skip
    shape = Turned(upright(), Profile(fillet(outline), 0.003))
    return Piece(
        "collar", shape, 24, 0, rows=shape.profile.rows(1, -2), inflate=0.0008, fineness=0.7,
        sculpt=lambda s: stripes(s.u, 2 * np.pi / 44, 0.0024) * fade(s.r, 0.115, 0.122),
    )  # fmt: skip


def _eye(side: str, sign: float) -> Piece:
    start = np.array([sign * 0.052, 1.611, 0.140])
    ahead = np.array([sign * 0.16, 0.03, 1.0])
    ahead /= np.linalg.norm(ahead)
    outline = [(0.0, 0.0), (0.0, 0.036, 0.006), (0.036, 0.036, 0.006), (0.036, 0.0)]
    spine = Spine([as_point(start), as_point(start + ahead * 0.04)], at.RIGHT)
    shape = Turned(spine, Profile(fillet(outline), 0.001))

    def relief(s: Spots) -> Floats:
        lens = fade(s.a, 0.030, 0.034)
        glass = 0.006 * np.clip(1 - (s.r / 0.023) ** 2, 0, 1)
        groove = ridge(s.r - 0.0245, 0.0022, -0.0022)
        ribs = stripes(s.u, 2 * np.pi / 36, 0.0012) * smooth_band(s.a - 0.018, 0.011, 0.004, 1)
        return lens * (glass + groove) + ribs * fade(s.r, 0.032, 0.035)

    return Piece(
        f"eye_{side}", shape, 20, 0, rows=shape.profile.rows(), sculpt=relief, fineness=0.45,
        inflate=0.0004,
    )  # fmt: skip


def _moustache(seed: int) -> Piece:
    points: list[Point] = [
        (-0.122, 1.560, 0.104), (-0.09, 1.533, 0.130), (-0.045, 1.527, 0.154),
        (0.0, 1.537, 0.161), (0.045, 1.527, 0.154), (0.09, 1.533, 0.130), (0.122, 1.560, 0.104),
    ]  # fmt: skip
    spine = Spine(points, at.UP, 0.024)
    end = spine.length
    outline = [
        (0.0, 0.0), (0.002, 0.0045, 0.002), (0.12 * end, 0.008, 0.1), (0.30 * end, 0.0165, 0.1),
        (0.44 * end, 0.015, 0.05), (0.5 * end, 0.0125, 0.03), (0.56 * end, 0.015, 0.05),
        (0.70 * end, 0.0165, 0.1), (0.88 * end, 0.008, 0.1), (end - 0.002, 0.0045, 0.002),
        (end, 0.0),
    ]  # fmt: skip
    shape = Turned(spine, Profile(fillet(outline), 0.002), oval(1.0, 0.9))

    def relief(s: Spots) -> Floats:
        strands = stripes(s.u + 0.35 * fbm(s.points, 0.03, seed, 2), 2 * np.pi / 9, 0.0028)
        return -strands * np.clip(s.r / 0.014, 0, 1)

    return Piece(
        "moustache", shape, 12, 0, rows=shape.profile.rows(2, -3, 0.016), sculpt=relief,
        fineness=0.45, inflate=-0.0008,
    )  # fmt: skip
