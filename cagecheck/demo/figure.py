"""The figure: a clockwork lamplighter, about two units tall, facing +z, +y up.

Every part keeps at least `CLEARANCE` from every other, and ordinary detail stays within
`DETAIL` of the low poly, so that a bake with an offset and a depth of `OFFSET` is clean except
where something was planted (see `defects`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from cagecheck.demo.noise import cell_distances, fbm
from cagecheck.demo.pieces import Piece
from cagecheck.demo.sculpt import (
    Sculpt,
    Spots,
    band,
    domes,
    pad,
    ridge,
    smooth_pad,
    stripes,
)
from cagecheck.demo.shapes import Box, Hoop, Point, Profile, Spine, Turned, oval, prism
from cagecheck.meshes.mesh import Floats

OFFSET = 0.012
DEPTH = 0.012
CLEARANCE = 0.018
DETAIL = 0.009

UP: Point = (0.0, 1.0, 0.0)
RIGHT: Point = (1.0, 0.0, 0.0)
FRONT = np.pi / 2
BACK = -np.pi / 2

TILES: dict[str, int] = {
    **dict.fromkeys(("torso", "belt", "collar", "head", "hat", "moustache"), 1001),
    **dict.fromkeys(("eye_l", "eye_r"), 1001),
    **dict.fromkeys(
        (f"{x}_{s}" for x in ("pauldron", "arm", "elbow", "forearm", "hand") for s in "lr"), 1002
    ),
    "strap": 1002,
    **dict.fromkeys(("skirt", "leg_l", "leg_r", "boot_l", "boot_r"), 1003),
    **dict.fromkeys(("pack", "key", "reel", "staff", "lantern", "roof"), 1011),
}

# The places of the planted features, in the parameters of their shapes.
GROOVE = (0.55, 1.10, 0.022, 0.050)  # angle, height, half width, half height (torso)
PLAQUE = (FRONT, 1.17, 0.055, 0.060)
FLIPPED = (BACK + 0.9, 1.845, 0.035, 0.030)  # hat
HOLE = (BACK + 0.5, 0.68, 0.045, 0.035)  # skirt
BUMP = (0.050, 0.026)  # radius, height (boot_l)
FINGER_RADIUS, FINGER_GAP = 0.024, 0.006
BOLT_RADIUS, BOLT_FOOT, BOLT_TOP = 0.013, 0.017, 0.026
STRAP = (0.10, 0.022, 0.003, 0.004)  # height along the forearm, half width, gap, thickness
CHANNEL = 0.014


def figure(seed: int) -> list[Piece]:
    """Return all pieces of the lamplighter; `seed` moves the noise, never the planted places."""
    return [
        *_body(seed),
        *_head(seed + 100),
        *_arm("l", 1.0, seed + 200),
        *_arm("r", -1.0, seed + 300),
        *_legs(seed + 400),
        *_props(seed + 500),
    ]


# --- materials: the small relief that everything of a kind shares ---------------------------


def hammered(s: Spots, seed: int, size: float = 0.022, depth: float = 0.0012) -> Floats:
    """Beaten metal: shallow round dents, and a slow wobble."""
    near, _ = cell_distances(s.points, size, seed)
    dents = -depth * np.clip(1 - near / 0.75, 0, 1) ** 2 * 1.6
    return dents + 0.0012 * fbm(s.points, 0.15, seed + 1, 2)


def scratched(s: Spots, seed: int) -> Floats:
    """Cast metal: fine grain and a few nicks."""
    grain = 0.0005 * fbm(s.points, 0.012, seed, 3)
    nicks = np.clip(fbm(s.points, 0.05, seed + 1, 2) - 0.28, 0, 1)
    return grain - 0.006 * nicks


def leather(s: Spots, seed: int) -> Floats:
    """Creased leather: ridged noise and a fine pebble."""
    ridged = 1 - np.abs(fbm(s.points, 0.09, seed, 3))
    near, second = cell_distances(s.points, 0.007, seed + 1)
    return -0.0035 * np.clip(ridged - 0.82, 0, 1) / 0.18 + 0.0006 * np.clip(second - near, 0, 0.5)


def _at(piece_shape: Turned, angle: float, height: float) -> Floats:
    v = piece_shape.profile.v_of(height, 0.1, 0.9)
    return piece_shape.points(np.array([angle]), np.array([v]))[0]


def ring_of(shape: Turned, height: float, count: int, start: float = 0.0) -> Floats:
    """Return (count, 3) points around a turned shape at a height."""
    angle = start + np.arange(count) * 2 * np.pi / count
    v = shape.profile.v_of(height, 0.1, 0.9)
    return shape.points(angle, np.full(count, v))


def _lines_u(shape: Turned, angle: float, height: float, *halves: float) -> tuple[float, ...]:
    _, r = shape.profile.at(np.array([shape.profile.v_of(height, 0.1, 0.9)]))
    return tuple(angle + sign * h / float(r[0]) for h in halves for sign in (-1, 1))


def _lines_v(shape: Turned, height: float, *halves: float) -> tuple[float, ...]:
    return tuple(
        shape.profile.v_of(height + sign * h, 0.1, 0.9) for h in halves for sign in (-1, 1)
    )


# --- body ----------------------------------------------------------------------------------


def torso_shape() -> Turned:
    """The breastplate's base surface; heights are y."""
    outline = [
        (0.925, 0.0), (0.93, 0.15), (0.975, 0.205), (1.10, 0.238), (1.25, 0.240),
        (1.345, 0.185), (1.395, 0.10), (1.405, 0.0),
    ]  # fmt: skip
    return Turned(_upright(), Profile(outline, 0.022), oval(1.12, 0.88, 2.5))


def _upright(x: float = 0.0, z: float = 0.0) -> Spine:
    return Spine([(x, 0.0, z), (x, 2.5, z)], RIGHT)


def skirt_shape() -> Turned:
    """The coat's skirt: a bell closed below."""
    outline = [
        (0.505, 0.0), (0.505, 0.285), (0.525, 0.318), (0.62, 0.292), (0.75, 0.245),
        (0.85, 0.212), (0.885, 0.185), (0.892, 0.0),
    ]  # fmt: skip
    return Turned(_upright(), Profile(outline, 0.012), oval(1.04, 0.92, 2.2))


def _body(seed: int) -> list[Piece]:
    torso, skirt = torso_shape(), skirt_shape()
    rivets = np.concatenate([ring_of(torso, 1.015, 36), ring_of(torso, 1.305, 30, 0.05)])

    def torso_relief(s: Spots) -> Floats:
        groove = pad(s.arc(GROOVE[0]), s.a - GROOVE[1], GROOVE[2:], 0.010, -0.030)
        plaque = pad(s.arc(PLAQUE[0]), s.a - PLAQUE[1], PLAQUE[2:], 0.003, 0.009)
        near_plaque = pad(s.arc(PLAQUE[0]), s.a - PLAQUE[1], (0.066, 0.071), 0.004, -0.004)
        calm = np.where((groove < 0) | (plaque != 0) | (near_plaque != 0), 0.0, 1.0)
        seams = sum(ridge(s.arc(x), 0.0035, -0.0035) for x in (0.15, np.pi - 0.15, BACK))
        plates = band(s.a - 1.015, 0.022, 0.004, 0.0025) + band(s.a - 1.305, 0.020, 0.004, 0.0025)
        star = _gear(s.arc(PLAQUE[0]), s.a - PLAQUE[1])
        relief = plates + seams + domes(s.points, rivets, 0.0085, 0.0028) + hammered(s, seed)
        return calm * relief + groove + np.where(plaque > 0, plaque, near_plaque) - star

    def skirt_relief(s: Spots) -> Floats:
        hem = np.clip((0.88 - s.a) / 0.33, 0, 1)
        waver = 0.5 * fbm(s.points, 0.3, seed + 7, 2)
        folds = np.cos(11 * s.u + 2.2 * waver) + 0.45 * np.cos(23 * s.u + 1.0 + 4 * waver)
        below = (s.v < skirt.profile.stops[1] * 0.97).astype(float)
        cloth = 0.0030 * folds * hem + 0.0016 * fbm(s.points, 0.06, seed + 8, 3)
        stitch = stripes(s.arc(0.0), 0.010, 0.0012) * np.exp(-(((s.a - 0.565) / 0.004) ** 2))
        edge = ridge(s.a - 0.548, 0.004, -0.003) + stitch
        placket = ridge(s.arc(FRONT) - 0.03, 0.004, -0.004) + ridge(s.arc(FRONT), 0.05, 0.001)
        buttons = domes(s.points, _buttons(skirt), 0.012, 0.0045)
        return (1 - below) * (cloth + edge + placket * (hem > 0)) + buttons

    belt = Profile(_rectangle(0.918, 0.042, 0.268, 0.010), 0.003)
    belt_hoop = Hoop((0, 0, 0), UP, RIGHT, belt, oval(1.08, 0.90, 2.4))

    def belt_relief(s: Spots) -> Floats:
        outer = np.clip((s.r - 0.268) / 0.004, 0, 1)
        buckle = smooth_pad(s.arc(FRONT), s.a - 0.918, (0.045, 0.034), 0.004, 0.0045)
        inner = smooth_pad(s.arc(FRONT), s.a - 0.918, (0.028, 0.018), 0.004, -0.0045)
        holes = sum(
            ridge(np.hypot(s.arc(FRONT + x), s.a - 0.918), 0.0045, -0.004)
            for x in (-0.55, -0.45, -0.35, 0.35, 0.45, 0.55)
        )
        stitch = stripes(s.arc(0.0), 0.009, 0.001) * (
            np.exp(-(((np.abs(s.a - 0.918) - 0.034) / 0.0022) ** 2))
        )
        return outer * (buckle + inner + holes + stitch + leather(s, seed + 20))

    return [
        Piece(
            "torso", torso, 28, 9, rows=(0.20, 0.86), sculpt=torso_relief,
            lines_u=(
                *_lines_u(torso, GROOVE[0], GROOVE[1], GROOVE[2], GROOVE[2] + 0.010),
                *_lines_u(torso, PLAQUE[0], PLAQUE[1], PLAQUE[2], PLAQUE[2] + 0.003, 0.066, 0.070),
            ),
            lines_v=(
                *_lines_v(torso, GROOVE[1], GROOVE[3], GROOVE[3] + 0.010),
                *_lines_v(torso, PLAQUE[1], PLAQUE[3], PLAQUE[3] + 0.003, 0.071, 0.075),
            ),
        ),
        Piece(
            "skirt", skirt, 28, 7, rows=(skirt.profile.stops[1], skirt.profile.stops[6]),
            sculpt=skirt_relief, hole=_rectangle_test(skirt, HOLE),
            lines_u=_lines_u(skirt, HOLE[0], HOLE[1], HOLE[2]),
            lines_v=_lines_v(skirt, HOLE[1], HOLE[3]),
        ),
        Piece(
            "belt", belt_hoop, 28, 8, rows=(0.0, *belt.stops[1:-1], 1.0), sculpt=belt_relief,
        ),
    ]  # fmt: skip


def _gear(x: Floats, y: Floats) -> Floats:
    """A toothed wheel sunk 0.003 into the plaque."""
    radius, angle = np.hypot(x, y), np.arctan2(y, x)
    teeth = 0.034 + 0.006 * np.clip(2.5 * np.cos(10 * angle), -1, 1)
    ring = np.clip((teeth - radius) / 0.0025, 0, 1) * np.clip((radius - 0.018) / 0.0025, 0, 1)
    hub = np.clip((0.009 - radius) / 0.0025, 0, 1)
    return 0.003 * (ring + hub)


def _buttons(skirt: Turned) -> Floats:
    return np.array([_at(skirt, FRONT - 0.16, y) for y in (0.83, 0.76, 0.69, 0.62)])


def _rectangle(middle: float, half: float, inner: float, thick: float) -> list[tuple[float, float]]:
    """A closed section (a, r), from its inner side round over the top."""
    low, high = middle - half, middle + half
    return [
        (low, inner), (low, inner + thick), (high, inner + thick), (high, inner), (low, inner),
    ]  # fmt: skip


def _rectangle_test(shape: Turned, place: tuple[float, float, float, float]):  # type: ignore[no-untyped-def]
    angle, height, wide, tall = place

    def inside(u: Floats, v: Floats):  # type: ignore[no-untyped-def]
        a, _ = shape.profile.at(v)
        _, r = shape.profile.at(np.array([shape.profile.v_of(height, 0.1, 0.9)]))
        turn = (u - angle + np.pi) % (2 * np.pi) - np.pi
        tube = (v > 0.1) & (v < 0.9)
        return tube & (np.abs(turn * r[0]) < wide) & (np.abs(a - height) < tall)

    return inside


# --- head ----------------------------------------------------------------------------------


def hat_shape() -> Turned:
    """The hat: brim below, crown above, a little askew."""
    outline = [
        (1.741, 0.0), (1.741, 0.195), (1.752, 0.215), (1.768, 0.195), (1.774, 0.145),
        (1.800, 0.128), (1.925, 0.118), (1.942, 0.100), (1.948, 0.0),
    ]  # fmt: skip
    lean = Spine([(0.0, 0.0, 0.0), (0.0, 1.7, 0.0), (0.0, 1.75, 0.0)], RIGHT)
    return Turned(lean, Profile(outline, 0.008), oval(1.0, 1.0))


def _head(seed: int) -> list[Piece]:
    outline = [
        (1.482, 0.0), (1.485, 0.065), (1.520, 0.105), (1.580, 0.120), (1.650, 0.118),
        (1.695, 0.095), (1.712, 0.06), (1.716, 0.0),
    ]  # fmt: skip
    head = Turned(_upright(), Profile(outline, 0.012), oval(1.0, 1.0, 2.2))
    hat = hat_shape()
    rivets = np.concatenate([ring_of(head, 1.675, 22), ring_of(head, 1.525, 18, 0.1)])

    def head_relief(s: Spots) -> Floats:
        jaw = band(s.a - 1.525, 0.014, 0.003, 0.0022) + band(s.a - 1.675, 0.014, 0.003, 0.0022)
        cheeks = sum(ridge(s.arc(FRONT + x), 0.003, -0.003) for x in (-1.25, 1.25, np.pi))
        ears = sum(
            ridge(np.hypot(s.arc(x), s.a - 1.60) - 0.028, 0.006, 0.004)
            + ridge(np.hypot(s.arc(x), s.a - 1.60), 0.012, 0.004)
            for x in (0.0, np.pi)
        )
        side = (s.v > 0.1) & (s.v < 0.9)
        pins = domes(s.points, rivets, 0.007, 0.0024)
        return side * (jaw + cheeks + ears) + pins + hammered(s, seed, 0.016, 0.0008)

    def hat_relief(s: Spots) -> Floats:
        crown = s.v > hat.profile.stops[5] - 0.02
        ribbon = crown * smooth_band(s.a - 1.822, 0.018, 0.004, 0.004)
        brim = ridge(s.r - 0.200, 0.003, -0.002) * (s.v > hat.profile.stops[2])
        felt = 0.0014 * fbm(s.points, 0.05, seed + 3, 3) + 0.0003 * fbm(
            s.points, 0.006, seed + 4, 1
        )
        return ribbon + brim + felt

    stops = hat.profile.stops
    eyes = [_eye(side, x, seed + 10 + k) for k, (side, x) in enumerate((("l", 1), ("r", -1)))]
    collar = Profile(_circle(1.445, 0.108, 0.022))
    return [
        Piece("head", head, 20, 7, rows=(0.14, 0.86), sculpt=head_relief, fineness=0.8),
        Piece(
            "hat", hat, 28, 9,
            rows=(stops[1], stops[2], stops[3], stops[4], stops[5], stops[6], stops[7]),
            sculpt=hat_relief, flipped=_rectangle_test(hat, FLIPPED),
            lines_u=_lines_u(hat, FLIPPED[0], FLIPPED[1], FLIPPED[2]),
            lines_v=_lines_v(hat, FLIPPED[1], FLIPPED[3]),
        ),
        *eyes,
        _moustache(seed + 20),
        Piece(
            "collar", Hoop((0, 0, 0), UP, RIGHT, collar), 24, 8, rows=(0.0, 1.0),
            sculpt=lambda s: stripes(s.arc(0.0), 2 * np.pi * 0.108 / 40, 0.0025)
            * np.clip((s.r - 0.108) / 0.012, 0, 1),
        ),
    ]  # fmt: skip


def smooth_band(x: Floats, half: float, wall: float, height: float) -> Floats:
    """A band with soft walls."""
    step = np.clip(1 - (np.abs(x) - half) / wall, 0, 1)
    return height * step * step * (3 - 2 * step)


def _circle(a: float, r: float, radius: float, count: int = 64) -> list[tuple[float, float]]:
    turn = np.linspace(0, 2 * np.pi, count + 1)
    return [
        (float(a - radius * np.cos(t)), float(r - radius * np.sin(t + np.pi) * 1.0)) for t in turn
    ]


def _eye(side: str, sign: float, seed: int) -> Piece:
    start = np.array([sign * 0.047, 1.607, 0.152])
    ahead = np.array([sign * 0.16, 0.03, 1.0])
    ahead /= np.linalg.norm(ahead)
    outline = [
        (0.0, 0.0),
        (0.0, 0.030),
        (0.006, 0.036),
        (0.030, 0.036),
        (0.037, 0.030),
        (0.037, 0.0),
    ]
    spine = Spine([tuple(start), tuple(start + ahead * 0.04)], RIGHT)  # type: ignore[list-item]
    shape = Turned(spine, Profile(outline, 0.0035))
    lens = shape.profile.stops[4]

    def relief(s: Spots) -> Floats:
        glass = (s.v > lens) * (0.006 * np.clip(1 - (s.r / 0.024) ** 2, 0, 1))
        groove = (s.v > lens - 0.02) * ridge(s.r - 0.0245, 0.0016, -0.002)
        knurl = stripes(s.arc(0.0), 2 * np.pi * 0.036 / 36, 0.0012) * band(
            s.a - 0.018, 0.006, 0.003, 1
        )
        return glass + groove + knurl * (s.r > 0.03)

    return Piece(
        f"eye_{side}", shape, 16, 3, rows=(shape.profile.stops[1], *shape.profile.stops[2:4], lens),
        sculpt=relief, fineness=0.5, inflate=0.0006,
    )  # fmt: skip


def _moustache(seed: int) -> Piece:
    points: list[Point] = [
        (-0.118, 1.566, 0.098), (-0.095, 1.541, 0.122), (-0.05, 1.540, 0.148), (0.0, 1.556, 0.156),
        (0.05, 1.540, 0.148), (0.095, 1.541, 0.122), (0.118, 1.566, 0.098),
    ]  # fmt: skip
    spine = Spine(points, UP, 0.014)
    end = spine.length
    outline = [
        (0.0, 0.0), (0.03 * end, 0.005), (0.28 * end, 0.0165), (0.44 * end, 0.015), (0.5 * end, 0.012),
        (0.56 * end, 0.015), (0.72 * end, 0.0165), (0.97 * end, 0.005), (end, 0.0),
    ]  # fmt: skip

    def relief(s: Spots) -> Floats:
        taper = np.clip(s.r / 0.012, 0, 1)
        return -taper * stripes(s.u + 0.35 * fbm(s.points, 0.03, seed, 2), 2 * np.pi / 9, 0.003)

    shape = Turned(spine, Profile(outline, 0.006), oval(1.0, 0.9))
    return Piece(
        "moustache", shape, 8, 12, rows=(0.02, 0.98), sculpt=relief, fineness=0.45, inflate=0.0002
    )


# --- arms ----------------------------------------------------------------------------------


def _limb(start: Floats, end: Floats, first: float, last: float, dome: float = 0.6) -> Turned:
    """A straight limb from start to end (dome tips included) with two radii."""
    length = float(np.linalg.norm(end - start))
    outline: list[tuple[float, float]] = []
    for t in np.linspace(0, np.pi / 2, 9):
        outline.append((first * dome * (1 - np.cos(t)), first * np.sin(t)))
    for t in np.linspace(np.pi / 2, 0, 9):
        outline.append((length - last * dome * (1 - np.cos(t)), last * np.sin(t)))
    outline[-1] = (length, 0.0)
    right = RIGHT if abs((end - start)[0]) < 0.9 * length else (0.0, 0.0, -1.0)
    spine = Spine([tuple(start), tuple(end)], right)  # type: ignore[list-item]
    return Turned(spine, Profile(outline, 0.25 * min(first, last) * dome))


def _rows_of(shape: Turned) -> tuple[float, float]:
    """Where the domes of a limb end."""
    stops = shape.profile.stops
    return float(stops[6]), float(stops[-7])


def _ball(centre: Floats, radius: float) -> Turned:
    outline = [
        (float(radius - radius * np.cos(t)), float(radius * np.sin(t)))
        for t in np.linspace(0, np.pi, 65)
    ]
    low = centre - np.array([0, radius, 0])
    return Turned(
        Spine([tuple(low), (low[0], low[1] + 2 * radius, low[2])], RIGHT), Profile(outline)
    )  # type: ignore[list-item]


def arm_points(side: str) -> dict[str, Floats]:
    """Return the joints of an arm: shoulder, elbow, wrist and the directions between."""
    x = 1.0 if side == "l" else -1.0
    shoulder = np.array([x * 0.338, 1.302, 0.0])
    if side == "l":
        arm, fore = np.array([0.30, -0.95, 0.02]), np.array([0.12, -0.80, 0.58])
    else:
        arm, fore = np.array([-0.32, -0.93, 0.10]), np.array([-0.10, 0.20, 0.97])
    arm, fore = arm / np.linalg.norm(arm), fore / np.linalg.norm(fore)
    elbow = shoulder + arm * (0.235 + 0.018 + 0.044)
    start = elbow + fore * (0.044 + 0.018)
    return {
        "shoulder": shoulder, "arm": arm, "elbow": elbow, "fore": fore,
        "start": start, "wrist": start + fore * 0.215,
    }  # fmt: skip


def forearm_shape(side: str) -> Turned:
    """The forearm's base surface; heights run from the elbow."""
    at = arm_points(side)
    return _limb(at["start"], at["wrist"], 0.060, 0.050)


def pauldron_shape(sign: float) -> Turned:
    """A shoulder plate's base surface; heights run outwards along its axis."""
    outline = [
        (-0.022, 0.0), (-0.022, 0.112), (-0.004, 0.127), (0.032, 0.116), (0.070, 0.086),
        (0.094, 0.045), (0.100, 0.0),
    ]  # fmt: skip
    centre = np.array([sign * 0.322, 1.352, 0.0])
    axis = np.array([sign * 0.55, 0.83, 0.0])
    spine = Spine([tuple(centre), tuple(centre + axis * 0.2)], (0.0, 0.0, -sign))  # type: ignore[list-item]
    return Turned(spine, Profile(outline, 0.008))


def bolt_places(shape: Turned) -> tuple[Floats, Floats]:
    """Return (5, 3) feet of the floating bolts on a shoulder plate and their unit axes."""
    angle = np.arange(5) * 2 * np.pi / 5 + 0.3
    v = shape.profile.v_of(0.058, 0.3, 1.0)
    feet = shape.points(angle, np.full(5, v))
    step = 1e-4
    du = shape.points(angle + step, np.full(5, v)) - feet
    dv = shape.points(angle, np.full(5, v + step)) - feet
    axis = np.cross(dv, du)
    return feet, axis / np.linalg.norm(axis, axis=1, keepdims=True)


def _pauldron(side: str, sign: float, seed: int) -> list[Piece]:
    shape = pauldron_shape(sign)
    stops = shape.profile.stops
    pins = ring_of(shape, 0.008, 26) if side == "r" else ring_of(shape, 0.008, 26)

    def relief(s: Spots) -> Floats:
        upper = s.v > stops[2] - 0.02
        rim = ridge(s.a - 0.008, 0.010, 0.003) * upper
        flutes = stripes(s.u, 2 * np.pi / 20, -0.002) * band(s.a - 0.052, 0.014, 0.006, 1)
        flutes = flutes * (upper if side == "r" else 0)
        crown = ridge(s.r - 0.040, 0.004, -0.003) * upper
        return (
            rim
            + flutes
            + crown
            + domes(s.points, pins, 0.006, 0.002)
            + hammered(s, seed, 0.018, 0.0009)
        )

    pieces = [
        Piece(f"pauldron_{side}", shape, 20, 5, rows=(stops[1], stops[2], stops[4]), sculpt=relief)
    ]
    if side == "l":
        for k, (foot, axis) in enumerate(zip(*bolt_places(shape), strict=True)):
            pieces.append(_bolt(f"pauldron_{side}", foot, axis, seed + k))
    return pieces


def _bolt(part: str, foot: Floats, axis: Floats, seed: int) -> Piece:
    tall = BOLT_TOP - BOLT_FOOT
    r = BOLT_RADIUS
    outline = [
        (0.0, 0.0),
        (0.0, r),
        (0.4 * tall, r),
        (0.75 * tall, 0.8 * r),
        (0.97 * tall, 0.45 * r),
        (tall, 0.0),
    ]
    start = foot + axis * BOLT_FOOT
    spine = Spine([tuple(start), tuple(start + axis * tall)], (0.0, 0.0, 1.0))  # type: ignore[list-item]
    shape = Turned(spine, Profile(outline, 0.0012))
    slot = lambda s: np.where(
        s.v > shape.profile.stops[2], band(s.r * np.sin(s.u), 0.0015, 0.001, -0.002), 0.0
    )  # noqa: E731
    return Piece(
        part, shape, 12, 1, rows=(shape.profile.stops[1], shape.profile.stops[2]), sculpt=slot,
        high_part=f"{part}_bolts", in_low=False, fineness=0.4,
    )  # fmt: skip


def _arm(side: str, sign: float, seed: int) -> list[Piece]:
    at = arm_points(side)
    upper = _limb(at["shoulder"], at["shoulder"] + at["arm"] * 0.235, 0.054, 0.056)
    fore = forearm_shape(side)

    def bands(s: Spots) -> Floats:
        return band(s.a - 0.055, 0.008, 0.003, 0.003) + band(s.a - 0.18, 0.008, 0.003, 0.003)

    def sleeve(s: Spots) -> Floats:
        rings = stripes(s.a, 0.0235, -0.004) * band(s.a - 0.118, 0.047, 0.006, 1)
        return rings + bands(s) + 0.0008 * fbm(s.points, 0.03, seed, 3)

    def guard(s: Spots) -> Floats:
        panel = (
            smooth_pad(s.arc(FRONT), s.a - 0.165, (0.024, 0.022), 0.003, 0.003)
            if side == "l"
            else (smooth_pad(s.arc(FRONT), s.a - 0.11, (0.026, 0.055), 0.004, 0.0035))
        )
        side_seams = sum(ridge(s.arc(x), 0.003, -0.003) for x in (-0.3, np.pi + 0.3))
        tube = np.clip(s.a / 0.02, 0, 1) * np.clip((0.215 - s.a) / 0.02, 0, 1)
        return panel + side_seams * tube + hammered(s, seed + 5, 0.014, 0.0008)

    ball = _ball(at["elbow"], 0.044)
    out = [
        *_pauldron(side, sign, seed + 10),
        Piece(f"arm_{side}", upper, 16, 5, rows=_rows_of(upper), sculpt=sleeve),
        Piece(
            f"elbow_{side}", ball, 16, 4, rows=(0.22, 0.78),
            sculpt=lambda s: ridge(s.a - 0.044, 0.004, -0.004) + 0.0006 * fbm(s.points, 0.02, seed, 3),
        ),
        Piece(f"forearm_{side}", fore, 16, 6, rows=_rows_of(fore), sculpt=guard),
        *_hand(side, at, seed + 40),
    ]  # fmt: skip
    if side == "l":
        out.append(_strap(fore, seed + 60))
    return out


def _strap(fore: Turned, seed: int) -> Piece:
    """A strap closely round the forearm: a thin closed band; the low poly is its outside only."""
    height, half, gap, thick = STRAP
    first, last = (
        float(fore.profile.at(np.array([fore.profile.v_of(height + s * half, 0.1, 0.9)]))[1][0])
        for s in (-1, 1)
    )
    corners = [
        (height - half, first + gap), (height - half, first + gap + thick),
        (height + half, last + gap + thick), (height + half, last + gap),
    ]  # fmt: skip
    section = Profile([*corners, corners[0]], 0.0009)
    axis = fore.spine.frame(np.array([0.0]))
    centre, right, tangent = axis[0][0], axis[1][0], axis[3][0]
    hoop = Hoop(tuple(centre), tuple(tangent), tuple(right), section)  # type: ignore[arg-type]
    trim = 0.0025
    slope = (last - first) / (2 * half)
    outside = Profile(
        [
            (height - half + trim, first + gap + thick + slope * trim),
            (height + half - trim, last + gap + thick - slope * trim),
        ]
    )
    low = Hoop(tuple(centre), tuple(tangent), tuple(right), outside)  # type: ignore[arg-type]

    def relief(s: Spots) -> Floats:
        outer = np.clip((s.r - first - gap - 0.6 * thick) / 0.001, 0, 1)
        stitch = stripes(s.arc(0.0), 0.008, 0.0008) * np.exp(
            -(((np.abs(s.a - height) - 0.017) / 0.0015) ** 2)
        )
        return outer * (stitch + 0.0004 * fbm(s.points, 0.01, seed, 2))

    return Piece(
        "strap", hoop, 20, 2, rows=(0.0, 1.0), low_shape=low, sculpt=relief, fineness=0.6,
        band_only=True, inflate=0.0004,
    )  # fmt: skip


def hand_frame(side: str) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the hand's knuckle middle, finger direction, across direction and palm normal."""
    at = arm_points(side)
    ahead = at["fore"]
    across = np.array([0.0, 0.0, 1.0]) if side == "l" else np.array([0.0, 1.0, 0.0])
    across = across - ahead * (across @ ahead)
    across /= np.linalg.norm(across)
    return at["wrist"] + ahead * 0.018, ahead, across, np.cross(ahead, across)


def finger_lines(side: str) -> list[tuple[Floats, Floats]]:
    """Return start and end of the axes of the two fingers, tips included."""
    root, ahead, across, _ = hand_frame(side)
    gap = FINGER_GAP if side == "l" else 0.024
    base = root + ahead * (0.082 + 0.018)
    offset = FINGER_RADIUS + gap / 2
    return [
        (base + across * s * offset, base + across * s * offset + ahead * long)
        for s, long in ((1, 0.115), (-1, 0.108))
    ]


def _hand(side: str, at: dict[str, Floats], seed: int) -> list[Piece]:
    root, ahead, across, out = hand_frame(side)
    palm_spine = Spine([tuple(root), tuple(root + ahead * 0.082)], tuple(across))  # type: ignore[arg-type,list-item]
    outline = [
        (0.0, 0.0),
        (0.004, 0.034),
        (0.014, 0.046),
        (0.066, 0.052),
        (0.078, 0.042),
        (0.082, 0.0),
    ]
    palm = Turned(palm_spine, Profile(outline, 0.005), oval(1.05, 0.62, 2.6))
    part = f"hand_{side}"

    def knuckles(s: Spots) -> Floats:
        tube = (s.v > 0.2) & (s.v < 0.8)
        plate = smooth_pad(s.arc(FRONT), s.a - 0.040, (0.026, 0.018), 0.003, 0.003)
        under = smooth_pad(s.arc(BACK), s.a - 0.040, (0.026, 0.018), 0.003, 0.002)
        return tube * (plate + under) + 0.0007 * fbm(s.points, 0.02, seed, 3)

    def joints(s: Spots) -> Floats:
        rings = sum(ridge(s.a - x, 0.0035, -0.0035) for x in (0.036, 0.072))
        return rings + 0.0005 * fbm(s.points, 0.02, seed + 1, 3)

    pieces = [Piece(part, palm, 12, 3, rows=(0.30, 0.72), sculpt=knuckles, fineness=0.7)]
    for start, end in finger_lines(side):
        shape = _limb(start, end, FINGER_RADIUS, FINGER_RADIUS, 0.8)
        pieces.append(
            Piece(
                part,
                shape,
                12,
                4,
                rows=_rows_of(shape),
                sculpt=joints,
                fineness=0.7,
                inflate=0.0006,
            )
        )
    thumb_dir = 0.55 * ahead - 0.83 * out if side == "l" else 0.75 * ahead - 0.66 * out
    thumb_dir = thumb_dir / np.linalg.norm(thumb_dir)
    base = root + ahead * 0.030 - out * 0.055 + across * 0.02
    thumb = _limb(base, base + thumb_dir * 0.088, 0.021, 0.019, 0.8)
    pieces.append(
        Piece(part, thumb, 12, 3, rows=_rows_of(thumb), sculpt=joints, fineness=0.7, inflate=0.0006)
    )
    return pieces


# --- legs ----------------------------------------------------------------------------------

BOOT_X = 0.135
CUFF = (0.088, 0.078, 0.300, 0.350)  # outer radius, shin radius, lower edge y, upper edge y


def boot_shapes(sign: float) -> tuple[Turned, Turned]:
    """Return (high, low) base surfaces: toe to shin, with a turned-down cuff at the top."""
    x = sign * BOOT_X
    toe_in = sign * 0.02
    points: list[Point] = [
        (x + toe_in, 0.062, 0.185), (x + toe_in * 0.8, 0.066, 0.09), (x, 0.085, -0.012), (x, 0.20, -0.022),
        (x, 0.375, -0.012),
    ]  # fmt: skip
    spine = Spine(points, RIGHT, 0.020)
    end = spine.length
    outer, shin, low_y, high_y = CUFF
    cuff_top, cuff_low = end - (0.375 - high_y), end - (0.375 - low_y)
    foot = [
        (0.0, 0.0), (0.004, 0.030), (0.022, 0.054), (0.060, 0.064), (0.150, 0.063), (0.215, 0.066),
        (end - 0.14, 0.067),
    ]  # fmt: skip
    folded = [
        (cuff_top - 0.008, shin), (cuff_top - 0.006, outer - 0.007), (cuff_low, outer - 0.004),
        (cuff_low, outer), (cuff_top, outer), (cuff_top + 0.006, outer - 0.006), (cuff_top + 0.006, 0.0),
    ]  # fmt: skip
    stepped = [
        (cuff_low - 0.004, shin - 0.004), (cuff_low, outer), (cuff_top, outer),
        (cuff_top + 0.006, outer - 0.006), (cuff_top + 0.006, 0.0),
    ]  # fmt: skip
    section = oval(1.0, 0.95, 2.2)
    high = Turned(spine, Profile([*foot, *folded], 0.0022), section, 0.004)
    low = Turned(spine, Profile([*foot, *stepped], 0.0022), section, 0.004)
    return high, low


def _legs(seed: int) -> list[Piece]:
    pieces: list[Piece] = []
    for side, sign in (("l", 1.0), ("r", -1.0)):
        high, low = boot_shapes(sign)
        top = np.array([sign * BOOT_X, 0.486, -0.012])
        foot = np.array([sign * BOOT_X, 0.376, -0.012])
        leg = _limb(foot, top, 0.060, 0.066, 0.25)
        bump = bump_place(sign) if side == "l" else None

        def relief(
            s: Spots, high: Turned = high, bump: Floats | None = bump, k: float = sign
        ) -> Floats:
            stops = high.profile.stops
            outside = 1 - np.clip((s.v - stops[6]) / 0.02, 0, 1) * np.clip(
                (stops[9] - s.v) / 0.02, 0, 1
            )
            welt = ridge(s.points[:, 1] - 0.022, 0.004, -0.0035)
            creases = leather(s, seed + int(k) + 3) * np.clip(s.r / 0.04, 0, 1)
            ankle = stripes(s.a, 0.018, 0.003) * np.exp(-(((s.a - 0.20) / 0.035) ** 2))
            out = outside * (creases + welt * (s.a < 0.3) - ankle * (s.points[:, 1] > 0.04))
            if bump is not None:
                out = np.where(
                    np.linalg.norm(s.points - bump, axis=1) < BUMP[0],
                    domes(s.points, bump[None], BUMP[0], BUMP[1]),
                    out,
                )
            return out

        rows = (high.profile.stops[2], high.profile.stops[-2])
        low_piece = Piece(
            f"boot_{side}", high, 16, 12, rows=rows, sculpt=relief, low_shape=low,
        )  # fmt: skip
        pieces.append(low_piece)
        pieces.append(
            Piece(
                f"leg_{side}", leg, 16, 2, rows=_rows_of(leg),
                sculpt=lambda s: 0.002 * fbm(s.points, 0.04, seed, 3),
            )
        )  # fmt: skip
    return pieces


def bump_place(sign: float) -> Floats:
    """Where the boot's toe cap bulges."""
    high, _ = boot_shapes(sign)
    v = high.profile.v_of(0.105, 0.0, 0.6)
    return high.points(np.array([FRONT]), np.array([v]))[0]


# --- props ---------------------------------------------------------------------------------


def lantern_shapes() -> tuple[Turned, Turned]:
    """Return (high, low) base surfaces of the eight-sided lantern."""
    outline = [(1.792, 0.0), (1.792, 0.078), (1.952, 0.078), (1.952, 0.0)]
    spine = _upright(STAFF[0], STAFF[1])
    high = Turned(spine, Profile(outline, 0.003), prism(8, 1 / 40))
    low = Turned(spine, Profile(outline), prism(8, 0.0))
    return high, low


STAFF = (-0.560, 0.312)


def reel_shapes() -> tuple[Turned, Turned]:
    """Return (high, low) base surfaces of the chain reel with its narrow channel."""
    edge = 0.026
    outline = [
        (0.0, 0.0), (0.0, 0.062), (edge, 0.062), (edge, 0.040), (edge + CHANNEL, 0.040),
        (edge + CHANNEL, 0.062), (2 * edge + CHANNEL, 0.062), (2 * edge + CHANNEL, 0.0),
    ]  # fmt: skip
    spine = Spine([(-0.285, 0.775, 0.02), (-0.5, 0.775, 0.02)], (0.0, 0.0, 1.0))
    return Turned(spine, Profile(outline, 0.0015)), Turned(spine, Profile(outline))


def _props(seed: int) -> list[Piece]:
    lantern_high, lantern_low = lantern_shapes()
    reel_high, reel_low = reel_shapes()
    stops = lantern_high.profile.stops
    sides = np.arange(9) / 8

    def panes(s: Spots) -> Floats:
        turn = (s.u - SEAM_ANGLE) % (np.pi / 4) - np.pi / 8
        across = 0.078 * np.tan(turn)
        side = (s.v > stops[1] + 0.01) & (s.v < stops[2] - 0.01)
        pane = smooth_pad(across, s.a - 1.872, (0.022, 0.062), 0.003, -0.006)
        return side * (pane + 0.0 * s.a) + 0.0005 * fbm(s.points, 0.02, seed, 3)

    def rope(s: Spots) -> Floats:
        return 0.0006 * fbm(s.points, 0.01, seed + 3, 3)

    def box_relief(s: Spots) -> Floats:
        assert s.place is not None
        half = np.array(PACK.half)
        local = s.place * half
        face = np.argmax(np.abs(s.place), axis=1)
        across = np.stack([(face + 1) % 3, (face + 2) % 3], axis=1)
        rows = np.arange(len(face))
        x, y = local[rows, across[:, 0]], local[rows, across[:, 1]]
        hx, hy = half[across[:, 0]], half[across[:, 1]]
        to_edge = np.minimum(hx - np.abs(x), hy - np.abs(y))
        frame = 0.007 * np.clip((0.026 - to_edge) / 0.005, 0, 1) * np.clip(to_edge / 0.006, 0, 1)
        planks = np.where(
            to_edge > 0.03,
            stripes(x, 0.035, -0.0) + ridge((x + 0.0175) % 0.035 - 0.0175, 0.0025, -0.003),
            0,
        )
        grain = 0.0012 * fbm(s.points * np.array([1.0, 0.25, 1.0]), 0.02, seed + 5, 3)
        pins = domes(s.points, _pack_pins(), 0.007, 0.0024)
        return frame + planks + grain * (to_edge > 0.004) + pins

    roof_outline = [
        (1.972, 0.0), (1.972, 0.098), (1.984, 0.104), (2.020, 0.060), (2.050, 0.030), (2.066, 0.022),
        (2.082, 0.020), (2.092, 0.0),
    ]  # fmt: skip
    roof = Turned(_upright(*STAFF), Profile(roof_outline, 0.005))
    staff_outline = [
        (0.03, 0.0), (0.03, 0.018), (0.05, 0.020), (0.09, 0.015), (1.66, 0.014), (1.70, 0.020),
        (1.73, 0.034), (1.766, 0.040), (1.774, 0.036), (1.774, 0.0),
    ]  # fmt: skip
    staff = Turned(_upright(*STAFF), Profile(staff_outline, 0.004))
    key_outline = [
        (-0.085, 0.0), (-0.080, 0.022), (-0.055, 0.042), (-0.025, 0.036), (0.0, 0.016), (0.025, 0.036),
        (0.055, 0.042), (0.080, 0.022), (0.085, 0.0),
    ]  # fmt: skip
    key = Turned(
        Spine([(0.0, 1.17, -0.455), (1.0, 1.17, -0.455)], UP),
        Profile(key_outline, 0.006),
        oval(1.0, 0.28),
    )

    def staff_relief(s: Spots) -> Floats:
        grip = np.exp(-(((s.a - 1.02) / 0.10) ** 8))
        wrap = stripes(s.a + s.u * 0.012 / (2 * np.pi), 0.012, 0.0025) * grip
        knots = sum(ridge(s.a - y, 0.008, 0.003) for y in (0.35, 0.62, 1.3, 1.5))
        return wrap + knots + 0.0008 * fbm(s.points * np.array([1, 0.15, 1]), 0.008, seed + 9, 2)

    return [
        Piece(
            "pack", replace_radius(PACK, 0.008), counts=(6, 6, 3), low_shape=PACK, sculpt=box_relief,
            hard=True, inflate=0.001, fineness=0.9,
        ),
        Piece("key", key, 12, 6, rows=(0.08, 0.92), high_part=None),
        Piece(
            "reel", reel_high, 20, 7, rows=tuple(reel_high.profile.stops[1:-1]), low_shape=reel_low,
            poles=("rim", "rim"), hard=True, sculpt=rope, fineness=0.6, inflate=0.0006,
            stops_v=_fractions(reel_low.profile.stops[1:-1]),
        ),
        Piece("staff", staff, 8, 16, rows=tuple(staff.profile.stops[[1, 3, 4, 5, 7, 8]]), sculpt=staff_relief, fineness=0.7, inflate=0.0004),
        Piece(
            "lantern", lantern_high, 8, 2, rows=(stops[1], stops[2]), low_shape=lantern_low,
            poles=("rim", "rim"), hard=True, sculpt=panes, stops_u=tuple(sides), fineness=0.6,
            inflate=-0.0005,
        ),
        Piece(
            "roof", roof, 16, 5, rows=(roof.profile.stops[1], roof.profile.stops[2], roof.profile.stops[6]),
            sculpt=lambda s: 0.0025 * np.cos(16 * s.u) * np.clip((s.r - 0.03) / 0.04, 0, 1) * (s.v > roof.profile.stops[2])
            + 0.0006 * fbm(s.points, 0.02, seed + 11, 3),
            fineness=0.7,
        ),
    ]  # fmt: skip


SEAM_ANGLE = -np.pi / 2
PACK = Box((0.0, 1.165, -0.325), (0.150, 0.150, 0.072))


def replace_radius(box: Box, radius: float) -> Box:
    """The same box with rounded edges."""
    return replace(box, radius=radius)


def _pack_pins() -> Floats:
    half = np.array(PACK.half) - 0.014
    signs = np.array(np.meshgrid([-1, 1], [-1, 1])).reshape(2, -1).T
    back = [(sx * half[0], sy * half[1], -PACK.half[2] - 0.006) for sx, sy in signs]
    return np.array(PACK.centre) + np.array(back)


def _fractions(stops: Floats) -> tuple[float, ...]:
    return tuple((stops - stops[0]) / (stops[-1] - stops[0]))
