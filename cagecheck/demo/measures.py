"""The lamplighter's measures that more than one file needs: rules, tiles and planted places.

About two units tall, facing +z, +y up, its left at +x.
"""

from __future__ import annotations

import numpy as np

# The bake that the scene is made for, and what the rest of it keeps to.
OFFSET = 0.012
DEPTH = 0.012
CLEARANCE = 0.018  # least distance between parts, and between shells of a part
DETAIL = 0.0105  # most distance between low and high poly
SLANT_DEG = 25.0  # most angle between averaged normal and face normal

UP = (0.0, 1.0, 0.0)
RIGHT = (1.0, 0.0, 0.0)
FRONT, BACK = np.pi / 2, -np.pi / 2

Place = tuple[float, float, float, float]  # angle, height, half width, half height

GROOVE: Place = (0.55, 1.10, 0.022, 0.050)
GROOVE_DEPTH, GROOVE_WALL = 0.030, 0.010
PLAQUE: Place = (FRONT, 1.17, 0.055, 0.060)
PLAQUE_HEIGHT, PLAQUE_MOAT, PLAQUE_WALL = 0.009, 0.004, 0.003
FLIPPED: Place = (BACK + 0.9, 1.830, 0.035, 0.030)
HOLE: Place = (BACK + 0.5, 0.68, 0.045, 0.035)
BUMP_RADIUS, BUMP_HEIGHT = 0.046, 0.025
FINGER_RADIUS, FINGER_GAP = 0.024, 0.006
BOLT_RADIUS, BOLT_FOOT, BOLT_TOP = 0.013, 0.019, 0.028
STRAP_AT, STRAP_HALF, STRAP_GAP, STRAP_THICK = 0.105, 0.022, 0.003, 0.004
CHANNEL = 0.014
CUFF_OUTER, CUFF_SHIN, CUFF_LOW, CUFF_HIGH = 0.092, 0.078, 0.300, 0.352
PACK_CENTRE, PACK_HALF = (0.0, 1.165, -0.325), (0.150, 0.150, 0.072)
KEY_CENTRE = (0.0, 1.17, -0.462)

TILES: dict[str, int] = {
    **dict.fromkeys(("torso", "belt", "collar", "head", "hat"), 1001),
    **dict.fromkeys(("moustache", "eye_l", "eye_r"), 1001),
    **{
        f"{limb}_{side}": 1002
        for limb in ("pauldron", "arm", "elbow", "forearm", "hand")
        for side in "lr"
    },
    "strap": 1002,
    **dict.fromkeys(("skirt", "leg_l", "leg_r", "boot_l", "boot_r"), 1003),
    **dict.fromkeys(("pack", "key", "reel", "staff", "lantern", "roof"), 1011),
}
MATERIALS = {
    1001: "lamplighter_body",
    1002: "lamplighter_arms",
    1003: "lamplighter_legs",
    1011: "lamplighter_gear",
}
