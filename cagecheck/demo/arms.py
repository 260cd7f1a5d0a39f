"""Shoulder plates, arms, hands, and the strap on the left forearm."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.demo import measures as at
from cagecheck.demo.materials import cast_metal, hammered, leather
from cagecheck.demo.pieces import Piece
from cagecheck.demo.sculpt import (
    Spots,
    domes,
    fade,
    ridge,
    smooth_band,
    smooth_pad,
    stripes,
)
from cagecheck.demo.shapes import Hoop, Profile, Spine, Turned, as_point, fillet, oval
from cagecheck.demo.turned_places import radius_at, ring_of

UPPER_ARM, FOREARM, PALM, ELBOW = 0.220, 0.215, 0.088, 0.044


def arms(seed: int) -> list[Piece]:
    """Return the pieces of both arms."""
    out = []
    for side, sign, shift in (("l", 1.0, 0), ("r", -1.0, 100)):
        out += _pauldron(side, sign, seed + shift)
        out += _arm(side, seed + shift + 10)
        out += _hand(side, seed + shift + 20)
    out.append(_strap(seed + 200))
    return out


def joints(side: str) -> dict[str, Floats]:
    """Return the arm's joints and directions: shoulder, elbow, forearm's start, wrist."""
    sign = 1.0 if side == "l" else -1.0
    shoulder = np.array([sign * 0.346, 1.276, 0.0])
    if side == "l":
        arm, fore = np.array([0.30, -0.95, 0.02]), np.array([0.10, -0.80, 0.58])
    else:
        arm, fore = np.array([-0.34, -0.92, 0.12]), np.array([-0.12, 0.12, 0.98])
    arm, fore = arm / np.linalg.norm(arm), fore / np.linalg.norm(fore)
    elbow = shoulder + arm * (UPPER_ARM + 0.020 + ELBOW)
    start = elbow + fore * (ELBOW + 0.020)
    return {
        "shoulder": shoulder, "arm": arm, "elbow": elbow, "fore": fore, "start": start,
        "wrist": start + fore * FOREARM,
    }  # fmt: skip


def limb(start: Floats, end: Floats, first: float, last: float, round_: float) -> Turned:
    """A straight limb between its end points, with two radii and corners rounded by `round_`."""
    length = float(np.linalg.norm(end - start))
    outline = [(0.0, 0.0), (0.0, first, round_), (length, last, round_), (length, 0.0)]
    sideways = abs((end - start)[0]) > 0.9 * length
    spine = Spine([as_point(start), as_point(end)], (0.0, 0.0, -1.0) if sideways else at.RIGHT)
    return Turned(spine, Profile(fillet(outline), 0.0015))


def forearm_shape(side: str) -> Turned:
    """The forearm's base surface; heights run from the elbow."""
    place = joints(side)
    return limb(place["start"], place["wrist"], 0.060, 0.052, 0.030)


def pauldron_shape(sign: float) -> Turned:
    """A shoulder plate's base surface; heights run outwards along its axis."""
    outline = [
        (-0.026, 0.0), (-0.026, 0.125, 0.014), (0.022, 0.125, 0.10), (0.090, 0.060, 0.07),
        (0.104, 0.0),
    ]  # fmt: skip
    centre = np.array([sign * 0.330, 1.372, 0.0])
    axis = np.array([sign * 0.45, 0.893, 0.0])
    spine = Spine([as_point(centre), as_point(centre + axis * 0.2)], (0.0, 0.0, -sign))
    return Turned(spine, Profile(fillet(outline), 0.003))


def bolt_places() -> tuple[Floats, Floats]:
    """Return (5, 3) feet of the floating bolts on the left shoulder plate and their unit axes."""
    shape = pauldron_shape(1.0)
    angle = np.arange(5) * 2 * np.pi / 5 + 0.3
    v = shape.profile.v_of(0.058, 0.3, 1.0)
    feet = shape.points(angle, np.full(5, v))
    step = 1e-4
    along_u = shape.points(angle + step, np.full(5, v)) - feet
    along_v = shape.points(angle, np.full(5, v + step)) - feet
    axis = np.cross(along_v, along_u)
    return feet, axis / np.linalg.norm(axis, axis=1, keepdims=True)


def _pauldron(side: str, sign: float, seed: int) -> list[Piece]:
    shape = pauldron_shape(sign)
    pins = ring_of(shape, 0.012, 28)
    fluted = 0.0 if side == "l" else 1.0

    def relief(s: Spots) -> Floats:
        rim = smooth_band(s.a - 0.012, 0.013, 0.005, 0.0028)
        flutes = stripes(s.u, 2 * np.pi / 20, -0.0022) * smooth_band(s.a - 0.056, 0.022, 0.008, 1)
        crown = ridge(s.r - 0.034, 0.004, -0.003) * fade(s.a, 0.07, 0.08)
        return rim + fluted * flutes + crown + domes(s.points, pins, 0.0062, 0.002) + hammered(
            s, seed, 0.019, 0.0010
        )  # fmt: skip

    pieces = [
        Piece(
            f"pauldron_{side}", shape, 24, 0, rows=shape.profile.rows(1, -2, 0.035),
            sculpt=relief, fineness=0.9,
        )
    ]  # fmt: skip
    if side == "l":
        pieces += [_bolt(foot, axis) for foot, axis in zip(*bolt_places(), strict=True)]
    return pieces


def _bolt(foot: Floats, axis: Floats) -> Piece:
    tall, r = at.BOLT_TOP - at.BOLT_FOOT, at.BOLT_RADIUS
    outline = [(0.0, 0.0), (0.0, r), (0.4 * tall, r), (0.75 * tall, 0.8 * r), (tall, 0.4 * r),
               (tall, 0.0)]  # fmt: skip
    start = foot + axis * at.BOLT_FOOT
    spine = Spine([as_point(start), as_point(start + axis * tall)], (0.0, 0.0, 1.0))
    shape = Turned(spine, Profile(outline, 0.001))
    stops = shape.profile.stops

    def slot(s: Spots) -> Floats:
        return fade(s.a, 0.6 * tall, 0.8 * tall) * ridge(s.r * np.sin(s.u), 0.002, -0.002)

    return Piece(
        "pauldron_l", shape, 12, 1, rows=(stops[1], stops[2]), sculpt=slot,
        detail="_bolts", in_low=False, fineness=0.4,
    )  # fmt: skip


def _arm(side: str, seed: int) -> list[Piece]:
    place = joints(side)
    upper = limb(
        place["shoulder"], place["shoulder"] + place["arm"] * UPPER_ARM, 0.056, 0.056, 0.03
    )
    fore = forearm_shape(side)

    def sleeve(s: Spots) -> Floats:
        rings = stripes(s.a - 0.0375, 0.0242, -0.0045) * smooth_band(s.a - 0.110, 0.073, 0.008, 1)
        return rings + cast_metal(s, seed)

    def guard(s: Spots) -> Floats:
        cuffs = smooth_band(s.a - 0.046, 0.012, 0.004, 0.0026)
        cuffs = cuffs + smooth_band(s.a - 0.172, 0.012, 0.004, 0.0026)
        plate = smooth_pad(s.arc(at.FRONT), s.a - 0.109, (0.028, 0.042), 0.005, 0.0032)
        plate = plate * (side == "r")
        tube = fade(s.a, 0.02, 0.035) * fade(-s.a, -0.195, -0.18)
        seams = sum(ridge(s.arc(x), 0.003, -0.003) for x in (-0.3, np.pi + 0.3))
        return tube * (cuffs + plate + seams) + hammered(s, seed + 5, 0.015, 0.0008)

    return [
        Piece(f"arm_{side}", upper, 16, 0, rows=upper.profile.rows(2, -3, 0.05), sculpt=sleeve),
        Piece(
            f"elbow_{side}", _ball(place["elbow"], ELBOW), 20, 8, rows=(0.10, 0.90),
            sculpt=lambda s: ridge(s.a - ELBOW, 0.004, -0.0032) + cast_metal(s, seed),
        ),
        Piece(f"forearm_{side}", fore, 16, 0, rows=fore.profile.rows(2, -3, 0.04), sculpt=guard),
    ]  # fmt: skip


def _ball(centre: Floats, radius: float) -> Turned:
    turn = np.linspace(0, np.pi, 65)
    outline = [(float(radius - radius * np.cos(t)), float(radius * np.sin(t))) for t in turn]
    low = centre - np.array([0, radius, 0])
    spine = Spine([as_point(low), as_point(low + np.array([0, 2 * radius, 0]))], at.RIGHT)
    return Turned(spine, Profile(outline))


def _strap(seed: int) -> Piece:
    """A strap closely round the forearm: a thin closed band; the low poly is its outside only."""
    fore, half = forearm_shape("l"), at.STRAP_HALF
    inner = [radius_at(fore, at.STRAP_AT + s * half) + at.STRAP_GAP for s in (-1, 1)]
    low, high = at.STRAP_AT - half, at.STRAP_AT + half
    thick = at.STRAP_THICK
    corners = [(low, inner[0]), (low, inner[0] + thick), (high, inner[1] + thick), (high, inner[1])]
    place, right, _, tangent = (x[0] for x in fore.spine.frame(np.array([0.0])))
    frame = (as_point(place), as_point(tangent), as_point(right))
    hoop = Hoop(*frame, Profile([*corners, corners[0]], 0.0009))
    trim = 0.003  # so that the low poly's open border lies on the strap, not beside it
    share = trim / (2 * half)
    ends = np.interp([share, 1 - share], [0, 1], [inner[0] + thick, inner[1] + thick])
    outside = Profile([(low + trim, float(ends[0])), (high - trim, float(ends[1]))])
    low_shape = Hoop(*frame, outside)

    def relief(s: Spots) -> Floats:
        outer = fade(s.r - np.interp(s.a, [low, high], inner), 0.0025, 0.0038)
        edge = np.exp(-(((np.abs(s.a - at.STRAP_AT) - 0.0165) / 0.0018) ** 2))
        stitch = stripes(s.u, 2 * np.pi / 52, 0.0009) * edge
        return outer * (stitch + 0.2 * leather(s, seed))

    return Piece(
        "strap", hoop, 20, 2, rows=(0.0, 1.0), low_shape=low_shape, sculpt=relief, fineness=0.6,
        band_only=True, inflate=0.0004,
    )  # fmt: skip


def hand_frame(side: str) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the hand's root, the fingers' direction, the direction across them and outwards."""
    place = joints(side)
    ahead = place["fore"]
    across = np.array([0.0, 0.6, 0.8]) if side == "l" else np.array([0.0, 1.0, 0.0])
    across = across - ahead * (across @ ahead)
    across /= np.linalg.norm(across)
    return place["wrist"] + ahead * 0.020, ahead, across, np.cross(ahead, across)


def finger_lines(side: str) -> list[tuple[Floats, Floats]]:
    """Return start and end of the axes of the two fingers, tips included."""
    root, ahead, across, out = hand_frame(side)
    gap, aside = (at.FINGER_GAP, 0.012) if side == "l" else (0.022, 0.062)
    out = out if out[0] * root[0] > 0 else -out
    base = root + ahead * (PALM + 0.020) + out * aside
    offset = at.FINGER_RADIUS + gap / 2
    return [
        (base + across * s * offset, base + across * s * offset + ahead * long)
        for s, long in ((1, 0.118), (-1, 0.110))
    ]


def _hand(side: str, seed: int) -> list[Piece]:
    root, ahead, across, out = hand_frame(side)
    out = out if out[0] * root[0] > 0 else -out
    spine = Spine([as_point(root), as_point(root + ahead * PALM)], as_point(across))
    outline = [(0.0, 0.0), (0.0, 0.048, 0.018), (PALM, 0.054, 0.018), (PALM, 0.0)]
    palm = Turned(
        spine, Profile(fillet(outline), 0.002), oval(1.05, 0.66 if side == "l" else 1.2, 2.4)
    )
    part = f"hand_{side}"

    def plates(s: Spots) -> Floats:
        back = smooth_pad(s.arc(at.FRONT), s.a - 0.044, (0.028, 0.020), 0.004, 0.003)
        front = smooth_pad(s.arc(at.BACK), s.a - 0.044, (0.028, 0.020), 0.004, 0.003)
        return back + front + cast_metal(s, seed)

    def knuckles(s: Spots) -> Floats:
        return sum(ridge(s.a - x, 0.0035, -0.0032) for x in (0.040, 0.074)) + cast_metal(
            s, seed + 1
        )

    pieces = [
        Piece(part, palm, 20, 0, rows=palm.profile.rows(1, -2, 0.04), sculpt=plates, fineness=0.7)
    ]
    shapes = [
        limb(start, end, at.FINGER_RADIUS, at.FINGER_RADIUS, 0.019)
        for start, end in finger_lines(side)
    ]
    aside, apart = (0.048, 0.35) if side == "l" else (0.058, 0.0)
    way = ahead - apart * out
    way /= np.linalg.norm(way)
    base = root + ahead * (PALM + 0.022) - out * aside
    shapes.append(limb(base, base + way * 0.088, 0.021, 0.019, 0.015))
    for shape in shapes:
        rows = shape.profile.rows(1, -2, 0.04)
        pieces.append(
            Piece(part, shape, 16, 0, rows=rows, sculpt=knuckles, fineness=0.7, inflate=0.0006)
        )
    return pieces
