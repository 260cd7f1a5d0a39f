"""What the lamplighter carries: pack and key, chain reel, staff and lantern."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.demo import measures as at
from cagecheck.demo.materials import cast_metal, wood
from cagecheck.demo.pieces import SEAM, Piece
from cagecheck.demo.sculpt import Spots, domes, fade, ridge, smooth_band, smooth_pad, stripes
from cagecheck.demo.shapes import Box, Hoop, Profile, Spine, Turned, fillet, prism
from cagecheck.demo.turned_places import upright

STAFF_X, STAFF_Z = -0.4985, 0.4860  # between the right hand's fingers and thumb
LANTERN_RADIUS, LANTERN_SIDES = 0.078, 8
FRAME = 0.006  # how far the frames of lantern and pack stand out from the low poly


def props(seed: int) -> list[Piece]:
    """Return the pieces of all props."""
    return [
        _pack(seed), *_key(), _reel(seed + 10), _staff(seed + 20), _lantern(seed + 30),
        _roof(seed + 40),
    ]  # fmt: skip


def lantern_shapes() -> tuple[Turned, Turned]:
    """Return (high, low) base surfaces of the eight-sided lantern; the low has sharp edges."""
    low, high, r = 1.804, 1.958, LANTERN_RADIUS
    outline = [(low, 0.0), (low, r), (high, r), (high, 0.0)]
    spine = upright(STAFF_X, STAFF_Z)
    rounded = Profile(outline, 0.0025)
    return (
        Turned(spine, rounded, prism(LANTERN_SIDES, 1 / 60)),
        Turned(spine, Profile(outline), prism(LANTERN_SIDES, 0.0)),
    )


def reel_shapes() -> tuple[Turned, Turned]:
    """Return (high, low) base surfaces of the chain reel with its narrow channel."""
    wide, channel = 0.026, at.CHANNEL
    outline = [
        (0.0, 0.0), (0.0, 0.062), (wide, 0.062), (wide, 0.040), (wide + channel, 0.040),
        (wide + channel, 0.062), (2 * wide + channel, 0.062), (2 * wide + channel, 0.0),
    ]  # fmt: skip
    spine = Spine([(-0.292, 0.800, 0.02), (-0.6, 0.800, 0.02)], (0.0, 0.0, 1.0))
    return Turned(spine, Profile(outline, 0.0015)), Turned(spine, Profile(outline))


def pack_box(radius: float = 0.0) -> Box:
    """The pack's base surface, sharp in the low and rounded in the high poly."""
    return Box(at.PACK_CENTRE, at.PACK_HALF, radius)


def _pack(seed: int) -> Piece:
    half = np.array(at.PACK_HALF)
    corner = half - 0.016
    pins = [(x * corner[0], y * corner[1], -half[2]) for x in (-1, 1) for y in (-1, 1)]
    pins_at = np.array(at.PACK_CENTRE) + np.array(pins)

    def relief(s: Spots) -> Floats:
        assert s.place is not None
        local = s.place * half
        face = np.argmax(np.abs(s.place), axis=1)
        first, second = (face + 1) % 3, (face + 2) % 3
        rows = np.arange(len(face))
        inset = np.minimum(
            half[first] - np.abs(local[rows, first]), half[second] - np.abs(local[rows, second])
        )
        frame = FRAME * fade(-inset, -0.036, -0.026)
        # Planks run up the box: cut along x on the back and front, along z on the sides.
        side = np.where(face == 0, 2, 0)
        x = local[rows, side]
        cut = ridge((x + 0.024) % 0.048 - 0.024, 0.003, -0.0032) * fade(inset, 0.034, 0.040)
        cut = cut * (face != 1)
        return (
            frame + cut + wood(s, seed, (1.0, 0.15, 1.0)) + domes(s.points, pins_at, 0.009, 0.0013)
        )

    return Piece(
        "pack", pack_box(0.005), counts=(6, 6, 3), low_shape=pack_box(), sculpt=relief, hard=True,
        inflate=0.001, fineness=0.9,
    )  # fmt: skip


def _key() -> list[Piece]:
    """The winding key: a stem and two loops. It has no high poly, so its pieces may touch."""
    x, y, z = at.KEY_CENTRE
    outline = [(0.0, 0.0), (0.0, 0.013, 0.004), (0.048, 0.013, 0.004), (0.048, 0.0)]
    spine = Spine([(x, y, z - 0.006), (x, y, z + 1.0)], at.RIGHT)
    stem = Turned(spine, Profile(fillet(outline)))
    turn = np.linspace(0, 2 * np.pi, 9)
    section = [(float(-0.009 * np.sin(t)), float(0.030 - 0.012 * np.cos(t))) for t in turn]
    loops = [
        Hoop((x + side * 0.040, y, z), (0.0, 0.0, 1.0), at.RIGHT, Profile(section))
        for side in (-1, 1)
    ]
    return [
        Piece("key", stem, 12, 0, rows=stem.profile.rows(), in_high=False),
        *(Piece("key", loop, 16, 8, rows=(0.0, 1.0), in_high=False) for loop in loops),
    ]


def _reel(seed: int) -> Piece:
    high, low = reel_shapes()
    stops = low.profile.stops[1:-1]

    def relief(s: Spots) -> Floats:
        spokes = smooth_band(s.r - 0.042, 0.009, 0.004, -0.003)
        spokes = spokes * fade(np.cos(6 * s.u), -0.2, 0.2)
        end = fade(-s.a, -0.002, 0.0) + fade(s.a, 0.064, 0.066)
        return end * spokes + cast_metal(s, seed)

    return Piece(
        "reel", high, 20, 0, rows=tuple(stops), low_shape=low, poles=("rim", "rim"), hard=True,
        sculpt=relief, fineness=0.6, inflate=0.0006,
        stops_v=_fractions(stops),
    )  # fmt: skip


def _staff(seed: int) -> Piece:
    outline = [
        (0.030, 0.0), (0.030, 0.018, 0.006), (0.060, 0.020, 0.05), (0.11, 0.0155, 0.2),
        (1.660, 0.0145, 0.1), (1.720, 0.026, 0.06), (1.762, 0.044, 0.05), (1.774, 0.044, 0.006),
        (1.774, 0.0),
    ]  # fmt: skip
    shape = Turned(upright(STAFF_X, STAFF_Z), Profile(fillet(outline), 0.002))
    rows = np.array(shape.profile.rows(1, -2, 0.12))
    # Five islands end to end: in one piece the staff would set the scale of its whole tile.
    cuts = rows[np.linspace(0, len(rows) - 1, 6).round().astype(int)]

    def relief(s: Spots) -> Floats:
        grip = fade(s.a, 0.86, 0.88) * fade(-s.a, -1.24, -1.22)
        wrap = stripes(s.a + s.u * 0.0125 / (2 * np.pi), 0.0125, 0.0026) * grip
        knots = sum(ridge(s.a - y, 0.010, 0.003) for y in (0.35, 0.62, 1.36, 1.52))
        rings = smooth_band(s.a - 1.757, 0.012, 0.003, 0.0022)
        return wrap + knots + rings + wood(s, seed, (1.0, 0.12, 1.0))

    return Piece(
        "staff", shape, 12, 0, rows=tuple(rows), stops_v=_fractions(cuts), sculpt=relief,
        fineness=0.6,
        inflate=0.0004,
    )  # fmt: skip


def _lantern(seed: int) -> Piece:
    high, low = lantern_shapes()
    stops = low.profile.stops
    turn = 2 * np.pi / LANTERN_SIDES

    def relief(s: Spots) -> Floats:
        x = LANTERN_RADIUS * np.tan((s.u - SEAM) % turn - turn / 2)
        side = fade(s.r, 0.060, 0.070)
        pane = smooth_pad(x, s.a - 1.8815, (0.0240, 0.062), 0.008, -0.0085)
        bar = ridge(s.a - 1.8815, 0.0050, 0.0045) * smooth_pad(
            x, s.a - 1.8815, (0.024, 0.06), 0.008, 1
        )
        return FRAME + side * (pane + bar) + cast_metal(s, seed)

    return Piece(
        "lantern", high, LANTERN_SIDES, 2, rows=(stops[1], stops[2]), low_shape=low,
        poles=("rim", "rim"), hard=True, sculpt=relief, fineness=0.6, inflate=-0.0005,
        stops_u=tuple(np.arange(LANTERN_SIDES + 1) / LANTERN_SIDES),
    )  # fmt: skip


def _roof(seed: int) -> Piece:
    outline = [
        (1.986, 0.0), (1.986, 0.108, 0.006), (1.998, 0.108, 0.006), (2.044, 0.060, 0.12),
        (2.084, 0.030, 0.08), (2.114, 0.030, 0.014), (2.122, 0.0),
    ]  # fmt: skip
    shape = Turned(upright(STAFF_X, STAFF_Z), Profile(fillet(outline), 0.002))

    def relief(s: Spots) -> Floats:
        seams = ridge(((s.u + np.pi / 8) % (np.pi / 4) - np.pi / 8) * s.r, 0.0035, 0.003)
        return seams * fade(s.a, 1.995, 2.000) * fade(s.r, 0.03, 0.05) + cast_metal(s, seed)

    return Piece(
        "roof", shape, 20, 0, rows=shape.profile.rows(1, -2, 0.04), sculpt=relief, fineness=0.6,
        inflate=0.0008,
    )  # fmt: skip


def _fractions(stops: Floats) -> tuple[float, ...]:
    return tuple((stops - stops[0]) / (stops[-1] - stops[0]))
