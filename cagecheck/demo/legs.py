"""Legs and boots."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from cagecheck.arrays.types import Floats
from cagecheck.demo import measures as at
from cagecheck.demo.arms import limb
from cagecheck.demo.materials import cloth, leather
from cagecheck.demo.pieces import Piece
from cagecheck.demo.sculpt import Spots, domes, fade, ridge, stripes
from cagecheck.demo.shapes import Profile, Section, Turned, fillet, shaped
from cagecheck.demo.turned_places import upright

BOOT_X, BOOT_Z, TOES_OUT = 0.140, -0.012, 0.22
_SOLE_Y = 0.012

# Half widths of a boot by height y: across, and from the shin's axis to toe and heel.
_HEIGHT = [0.0, 0.03, 0.075, 0.115, 0.155, 0.22, 0.29, 0.50]
_FRONT = [0.190, 0.205, 0.178, 0.108, 0.085, 0.076, 0.078, 0.078]
_WIDE = [0.070, 0.075, 0.070, 0.066, 0.066, 0.069, 0.078, 0.078]
_HEEL = [0.078, 0.086, 0.080, 0.072, 0.070, 0.071, 0.078, 0.078]


def legs(seed: int) -> list[Piece]:
    """Return the pieces of both legs."""
    return [piece for side in "lr" for piece in (_boot(side, seed), _leg(side, seed + 50))]


def _side(side: str) -> float:
    return 1.0 if side == "l" else -1.0


def boot_section() -> Section:
    """The boot's outline by height, relative to its profile (which reaches to the toe)."""
    wide = PchipInterpolator(_HEIGHT, np.divide(_WIDE, _FRONT))
    heel = PchipInterpolator(_HEIGHT, np.divide(_HEEL, _FRONT))
    return shaped(lambda a: wide(a), lambda a: np.ones_like(a), lambda a: heel(a))


def boot_shapes(side: str) -> tuple[Turned, Turned]:
    """Return (high, low) base surfaces; heights are y. The high's cuff is folded down."""
    front = PchipInterpolator(_HEIGHT, _FRONT)
    heights = [0.045, 0.06, 0.075, 0.09, 0.105, 0.12, 0.14, 0.165, 0.20, 0.24]
    foot: list[tuple[float, ...]] = [(_SOLE_Y, 0.0), (_SOLE_Y, float(front(_SOLE_Y)), 0.012)]
    foot += [(y, float(front(y))) for y in heights]
    shin, outer, low, high = at.CUFF_SHIN, at.CUFF_OUTER, at.CUFF_LOW, at.CUFF_HIGH
    top: list[tuple[float, ...]] = [(high + 0.008, outer - 0.002, 0.006), (high + 0.008, 0.0)]
    folded = [
        (high - 0.006, shin, 0.002), (high - 0.006, shin + 0.0055, 0.002),
        (low, outer - 0.0065, 0.003), (low, outer, 0.003), *top,
    ]  # fmt: skip
    stepped = [(low - 0.018, shin), (low + 0.004, outer), *top]
    sign = _side(side)
    spine = upright(sign * BOOT_X, BOOT_Z, sign * TOES_OUT)
    section = boot_section()
    return (
        Turned(spine, Profile(fillet([*foot, *folded]), 0.0012), section),
        Turned(spine, Profile(fillet([*foot, *stepped]), 0.0012), section),
    )


def bump_place(side: str) -> Floats:
    """Where the left boot's toe cap bulges: on the slope above the toes."""
    shape, _ = boot_shapes(side)
    v = shape.profile.v_of(0.082, 0.08, 0.6)
    return shape.points(np.array([at.FRONT]), np.array([v]))[0]


def _boot(side: str, seed: int) -> Piece:
    high, low = boot_shapes(side)
    bump = bump_place(side)
    bulges = side == "l"

    def relief(s: Spots) -> Floats:
        # Behind the cuff, where nothing is seen, the surface stays plain.
        pocket = fade(s.a, at.CUFF_LOW - 0.010, at.CUFF_LOW - 0.004) * fade(-s.r, -0.0885, -0.086)
        welt = ridge(s.a - 0.030, 0.0035, -0.0032)
        ankle = stripes(s.a, 0.022, 0.003) * np.exp(-(((s.a - 0.185) / 0.04) ** 2))
        ankle = ankle * (0.6 + 0.4 * np.sin(s.u))
        lace = stripes(s.a, 0.016, 0.0026) * np.exp(-((s.arc(at.FRONT) / 0.020) ** 4))
        lace = lace * fade(s.a, 0.14, 0.15) * fade(-s.a, -0.28, -0.27)
        near = np.linalg.norm(s.points - bump, axis=1)
        calm = fade(near, at.BUMP_RADIUS, at.BUMP_RADIUS + 0.02) if bulges else 1.0
        out = calm * (leather(s, seed) + welt - ankle + lace) * (1 - pocket)
        if bulges:
            out = out + domes(s.points, bump[None], at.BUMP_RADIUS, at.BUMP_HEIGHT)
        return out

    return Piece(
        f"boot_{side}", high, 28, 0, rows=low.profile.rows(1, -2, 0.05), sculpt=relief,
        low_shape=low, high_rows=(high.profile.stops[1], high.profile.stops[-2]),
    )  # fmt: skip


def _leg(side: str, seed: int) -> Piece:
    x = _side(side) * BOOT_X
    shape = limb(np.array([x, 0.382, BOOT_Z]), np.array([x, 0.484, BOOT_Z]), 0.062, 0.066, 0.012)
    return Piece(
        f"leg_{side}", shape, 16, 0, rows=shape.profile.rows(1, -2, 0.04),
        sculpt=lambda s: cloth(s, seed),
    )  # fmt: skip
