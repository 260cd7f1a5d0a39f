"""Colours of the defects and of measures, colour-blind safe.

Defects: Paul Tol's "muted" qualitative scheme (Tol, "Colour Schemes", SRON/EPS/TN/09-002, 2021),
which stays apart under the common colour-vision deficiencies, with black as a tenth and the blue of
the same note's "vibrant" scheme as an eleventh. No two things have one colour; the least distance
between two is measured in `tests/report/test_colours.py`. The cage's is the orange of its "light"
scheme. Measures:
cividis (Nunez, Anderton, Renslow, "Optimizing colormaps with consideration for color vision
deficiency", PLoS ONE 13(7), 2018). Every region also has a name and a number.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.kinds import CLEAN, Defect
from cagecheck.report.cividis import cividis_table

Rgb = tuple[int, int, int]

_CIVIDIS = np.column_stack([cividis_table(), np.full(256, 255, np.uint8)])

CLEAN_COLOUR: Rgb = (221, 221, 221)
DEFECT_COLOURS: dict[Defect, Rgb] = {
    Defect.MISS_TIGHT: (204, 102, 119),  # rose
    Defect.MISS_NOTHING: (0, 0, 0),  # black
    Defect.MISS_DEEP: (136, 34, 85),  # wine
    Defect.OVERSHOOT_OWN: (51, 34, 136),  # indigo
    Defect.OVERSHOOT_OTHER: (136, 204, 238),  # cyan
    Defect.BACK_FACING: (153, 153, 51),  # olive
    Defect.SKEW: (221, 204, 119),  # sand
    Defect.STEEP: (68, 170, 153),  # teal
    Defect.FOLD: (17, 119, 51),  # green
    Defect.SPLIT: (170, 68, 153),  # purple
    Defect.UNSEEN: (0, 119, 187),  # blue
}
# The cage's lines: no defect's colour.
CAGE_COLOUR: Rgb = (238, 136, 102)
# The high poly where it is drawn as a line: a dark shade of its surface's.
HIGH_LINE_COLOUR: Rgb = (130, 112, 86)


def defect_colours(main: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return (N, 4) RGBA of main defects (N,) uint8."""
    table = np.full((256, 4), 255, np.uint8)
    table[:, :3] = CLEAN_COLOUR
    for defect, colour in DEFECT_COLOURS.items():
        table[defect, :3] = colour
    assert table[CLEAN, 0] == CLEAN_COLOUR[0]
    out: NDArray[np.uint8] = table[main]
    return out


def hex_colour(defect: Defect | None) -> str:
    """Return ``#rrggbb`` of a defect (None is clean)."""
    return hex_of(CLEAN_COLOUR if defect is None else DEFECT_COLOURS[defect])


def hex_of(colour: Rgb) -> str:
    """Return ``#rrggbb``."""
    return "#" + "".join(f"{c:02x}" for c in colour)


def cividis(share: Floats) -> NDArray[np.uint8]:
    """Return (..., 4) uint8 RGBA colours of the ramp for numbers from 0 to 1, clipped."""
    step = np.clip(np.asarray(share, np.float64) * 256, 0, 255).astype(np.uint8)
    return _CIVIDIS[step]
