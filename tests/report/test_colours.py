"""One colour, one meaning, and told apart by colour-blind eyes.

What such eyes see: Machado, Oliveira, Fernandes, "A Physiologically-based Model for Simulation of
Color Vision Deficiency", IEEE TVCG 15(6), 2009, matrices for severity 1. How far colours lie apart:
CIEDE2000 (Sharma, Wu, Dalal, Color Research & Application 30(1), 2005).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from cagecheck.defects.kinds import CLEAN, PRECEDENCE, Defect
from cagecheck.report.colours import (
    CAGE_COLOUR,
    CLEAN_COLOUR,
    DEFECT_COLOURS,
    Rgb,
    defect_colours,
    hex_colour,
    hex_of,
)
from cagecheck.report.fields import category_colours
from cagecheck.viewing.panels import CUT_COLOURS, region_colour

EYES = {
    "all three cones": np.eye(3),
    "no long cones": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "no middle cones": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "no short cones": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# With muted, black and light grey alone it is 11.5; what one can just tell is about 1.
LEAST_APART = 9.0


def lab(colour: Rgb, eyes: np.ndarray) -> np.ndarray:
    """CIE L*a*b* (D65) of an sRGB colour as such eyes see it."""
    share = np.array(colour) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.asarray(eyes) @ linear, 0, 1)
    xyz = np.array([[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
                    [0.0193339, 0.1191920, 0.9503041]]) @ seen  # fmt: skip
    ratio = xyz / [0.95047, 1.0, 1.08883]
    root = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])


def ciede2000(one: np.ndarray, two: np.ndarray) -> float:
    (l1, a1, b1), (l2, a2, b2) = one, two
    mean = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = (1 - np.sqrt(mean**7 / (mean**7 + 25**7))) / 2
    c1, c2 = np.hypot((1 + g) * a1, b1), np.hypot((1 + g) * a2, b2)
    h1 = np.degrees(np.arctan2(b1, (1 + g) * a1)) % 360 if c1 else 0.0
    h2 = np.degrees(np.arctan2(b2, (1 + g) * a2)) % 360 if c2 else 0.0
    turn = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    hue = h1 + h2 if c1 * c2 == 0 else (h1 + turn / 2) % 360
    across = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    waves = ((-0.17, 1, -30), (0.24, 2, 0), (0.32, 3, 6), (-0.20, 4, -63))
    t = 1 + sum(height * np.cos(np.radians(k * hue + turn)) for height, k, turn in waves)
    sl = 1 + 0.015 * (light - 50) ** 2 / np.sqrt(20 + (light - 50) ** 2)
    sc, sh = 1 + 0.045 * chroma, 1 + 0.015 * chroma * t
    turned = 30 * np.exp(-(((hue - 275) / 25) ** 2))
    rt = -np.sin(np.radians(2 * turned)) * 2 * np.sqrt(chroma**7 / (chroma**7 + 25**7))
    dl, dc, dh = (l2 - l1) / sl, (c2 - c1) / sc, across / sh
    return float(np.sqrt(dl**2 + dc**2 + dh**2 + rt * dc * dh))


@pytest.mark.parametrize(("one", "two", "apart"), [
    # Pairs 1, 4, 7, 17 and 25 of the table in Sharma, Wu, Dalal (2005).
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0000),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
])  # fmt: skip
def test_the_yardstick(one: tuple[float, ...], two: tuple[float, ...], apart: float) -> None:
    assert ciede2000(np.array(one), np.array(two)) == pytest.approx(apart, abs=1e-4)


@pytest.mark.parametrize("eyes", EYES)
def test_defects_stay_apart_for_all_eyes(eyes: str) -> None:
    shown = {d.title: c for d, c in DEFECT_COLOURS.items()} | {"clean": CLEAN_COLOUR}
    for (a, one), (b, two) in itertools.combinations(shown.items(), 2):
        apart = ciede2000(lab(one, EYES[eyes]), lab(two, EYES[eyes]))
        assert apart > LEAST_APART, f"{a} and {b}"


def test_every_defect_has_a_colour_of_its_own_and_the_same_everywhere() -> None:
    assert set(DEFECT_COLOURS) == set(PRECEDENCE) == set(Defect)
    every = [*DEFECT_COLOURS.values(), CLEAN_COLOUR, CAGE_COLOUR]
    assert len(set(every)) == len(every)
    codes = np.array([*DEFECT_COLOURS, CLEAN], np.uint8)
    rows = [*DEFECT_COLOURS.values(), CLEAN_COLOUR]
    assert np.array_equal(defect_colours(codes)[:, :3], rows)
    assert np.array_equal(category_colours(codes), rows)
    for defect, colour in DEFECT_COLOURS.items():
        assert hex_colour(defect) == hex_of(colour)
        assert region_colour(defect.title) == colour
    assert not {*CUT_COLOURS.values()} & {*DEFECT_COLOURS.values()}
