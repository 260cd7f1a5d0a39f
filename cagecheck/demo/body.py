"""Breastplate, belt, coat skirt."""

from __future__ import annotations

import numpy as np

from cagecheck.arrays.types import Floats
from cagecheck.demo import measures as at
from cagecheck.demo.materials import cloth, hammered, leather
from cagecheck.demo.noise import fbm
from cagecheck.demo.pieces import Piece
from cagecheck.demo.sculpt import Spots, domes, fade, pad, ridge, smooth_band, smooth_pad, stripes
from cagecheck.demo.shapes import Profile, Turned, fillet, oval, pleated
from cagecheck.demo.turned_places import (
    across,
    borders_u,
    borders_v,
    inside,
    point_at,
    ring_of,
    upright,
)


def torso_shape() -> Turned:
    """The breastplate's base surface; heights are y."""
    outline = [
        (0.962, 0.0), (0.962, 0.203, 0.020), (1.10, 0.238), (1.25, 0.240), (1.325, 0.218),
        (1.388, 0.135, 0.08), (1.405, 0.0),
    ]  # fmt: skip
    return Turned(upright(), Profile(fillet(outline), 0.020), oval(1.12, 0.88, 2.5))


def skirt_shape() -> Turned:
    """The coat's skirt: a pleated bell closed below."""
    outline = [
        (0.505, 0.0), (0.505, 0.312, 0.022), (0.62, 0.286), (0.75, 0.248),
        (0.865, 0.216, 0.012), (0.865, 0.0),
    ]  # fmt: skip
    section = pleated(
        oval(1.05, 0.92, 2.2), 9, lambda a: 0.045 * np.clip((0.86 - a) / 0.34, 0, 1) ** 1.3
    )
    return Turned(upright(), Profile(fillet(outline), 0.004), section)


def belt_shape() -> Turned:
    """The belt: a flat drum between skirt and breastplate."""
    outline = [(0.886, 0.0), (0.886, 0.232, 0.010), (0.941, 0.232, 0.010), (0.941, 0.0)]
    return Turned(upright(), Profile(fillet(outline), 0.0015), oval(1.10, 0.90, 2.4))


def body(seed: int) -> list[Piece]:
    """Return the pieces of the body."""
    return [_torso(seed), _belt(seed + 20), _skirt(seed + 40)]


def _torso(seed: int) -> Piece:
    shape = torso_shape()
    rows = ring_of(shape, 1.03, 32), ring_of(shape, 1.305, 28, 0.05)
    rivets = np.concatenate(rows)

    def relief(s: Spots) -> Floats:
        gx, gy = across(shape, at.GROOVE, s.u), s.a - at.GROOVE[1]
        px, py = across(shape, at.PLAQUE, s.u), s.a - at.PLAQUE[1]
        groove = pad(gx, gy, at.GROOVE[2:], at.GROOVE_WALL, -at.GROOVE_DEPTH)
        plaque = plaque_height(px, py)
        calm = (1 - smooth_pad(gx, gy, (0.052, 0.080), 0.02, 1)) * (
            1 - smooth_pad(px, py, (0.090, 0.095), 0.02, 1)
        )
        seams = sum(ridge(s.arc(x), 0.0035, -0.0035) for x in (0.15, np.pi - 0.15, at.BACK))
        plates = smooth_band(s.a - 1.03, 0.020, 0.005, 0.0026)
        plates = plates + smooth_band(s.a - 1.305, 0.020, 0.005, 0.0026)
        relief = seams * fade(s.r, 0.05, 0.1) + plates
        relief = relief + domes(s.points, rivets, 0.0110, 0.0034) + hammered(s, seed)
        return calm * relief + groove + plaque - _gear(px, py)

    return Piece(
        "torso", shape, 28, 0, fineness=0.75, rows=shape.profile.rows(1, -2, 0.05), sculpt=relief,
        lines_u=(
            *borders_u(shape, at.GROOVE, at.GROOVE_WALL),
            *borders_u(shape, at.PLAQUE, at.PLAQUE_WALL, 0.016, 0.021),
        ),
        lines_v=(
            *borders_v(shape, at.GROOVE, at.GROOVE_WALL),
            *borders_v(shape, at.PLAQUE, at.PLAQUE_WALL, 0.016, 0.021),
        ),
    )  # fmt: skip


def plaque_height(x: Floats, y: Floats) -> Floats:
    """A plaque with straight steep walls down into a moat that rises gently outside."""
    far = np.maximum(np.abs(x) - at.PLAQUE[2], np.abs(y) - at.PLAQUE[3])
    return np.interp(
        far,
        [0.0, at.PLAQUE_WALL, 0.016, 0.021],
        [at.PLAQUE_HEIGHT, -at.PLAQUE_MOAT, -at.PLAQUE_MOAT, 0.0],
    )


def _gear(x: Floats, y: Floats) -> Floats:
    """A toothed wheel sunk 0.003 into the plaque."""
    radius, angle = np.hypot(x, y), np.arctan2(y, x)
    teeth = 0.037 + 0.006 * np.clip(1.6 * np.cos(9 * angle), -1, 1)
    ring = fade(-radius, -teeth - 0.002, -teeth + 0.002) * fade(radius, 0.018, 0.023)
    hub = fade(-radius, -0.012, -0.007)
    return 0.003 * (ring + hub)


def _belt(seed: int) -> Piece:
    shape = belt_shape()

    def relief(s: Spots) -> Floats:
        outer = fade(s.r, 0.226, 0.231)
        y = s.a - 0.9135
        plate = smooth_pad(s.arc(at.FRONT), y, (0.044, 0.026), 0.005, 0.0045)
        window = smooth_pad(s.arc(at.FRONT), y, (0.028, 0.014), 0.005, -0.004)
        holes = sum(
            ridge(np.hypot(s.arc(at.FRONT + x), y), 0.0045, -0.0035)
            for x in (-0.55, -0.45, -0.35, 0.35, 0.45, 0.55)
        )
        edge = np.exp(-(((np.abs(y) - 0.0175) / 0.0025) ** 2))
        stitch = stripes(s.arc(0.0), 0.232 * 2 * np.pi / 130, 0.0012) * edge
        away = 1 - smooth_pad(s.arc(at.FRONT), y, (0.05, 0.04), 0.004, 1)
        return outer * (plate + window + away * (holes + stitch)) + away * leather(s, seed)

    return Piece("belt", shape, 28, 0, rows=shape.profile.rows(1, -2, 0.06), sculpt=relief)


def _skirt(seed: int) -> Piece:
    shape = skirt_shape()
    buttons = np.array([point_at(shape, at.FRONT - 0.15, y) for y in (0.81, 0.74, 0.67, 0.60)])

    def relief(s: Spots) -> Floats:
        side = fade(s.a, 0.52, 0.54) * fade(-s.a, -0.86, -0.845)
        waver = fbm(s.points, 0.3, seed + 7, 2)
        hem = np.clip((0.84 - s.a) / 0.3, 0, 1)
        folds = 0.0016 * np.cos(27 * s.u + 5 * waver) * hem * np.clip(0.5 + 2 * waver, 0, 1)
        seam = ridge(s.a - 0.560, 0.004, -0.0028)
        stitch = stripes(s.arc(0.0), 0.3 * 2 * np.pi / 160, 0.0014) * np.exp(
            -(((s.a - 0.572) / 0.004) ** 2)
        )
        placket = ridge(s.arc(at.FRONT) - 0.008, 0.004, -0.0035)
        torn = smooth_pad(across(shape, at.HOLE, s.u), s.a - at.HOLE[1], (0.075, 0.065), 0.02, 1)
        detail = side * (1 - torn) * (folds + seam + stitch + placket)
        return detail + domes(s.points, buttons, 0.013, 0.0045) + cloth(s, seed + 8)

    return Piece(
        "skirt", shape, 44, 0, rows=shape.profile.rows(1, -2, 0.055), sculpt=relief,
        hole=inside(shape, at.HOLE), lines_u=borders_u(shape, at.HOLE),
        lines_v=borders_v(shape, at.HOLE),
    )  # fmt: skip
