"""The defects: one row each, with what is measured and why the threshold is where it is."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np


class Trouble(IntEnum):
    """A numbered kind of trouble, of a bake to come or of a baked map; it has a title."""

    @property
    def title(self) -> str:
        """The name for people and files."""
        raise NotImplementedError

    @property
    def sight(self) -> str:
        """What one will see of it, in words that stand after “one will see”."""
        raise NotImplementedError


class Defect(Trouble):
    """What can be wrong with a sample; bit ``1 << defect`` of its flags."""

    MISS_TIGHT = 0
    MISS_NOTHING = 1
    MISS_DEEP = 2
    OVERSHOOT_OWN = 3
    OVERSHOOT_OTHER = 4
    BACK_FACING = 5
    SKEW = 6
    STEEP = 7
    FOLD = 8
    SPLIT = 9
    UNSEEN = 10

    @property
    def flag(self) -> np.uint16:
        """The defect's bit."""
        return np.uint16(1 << self)

    @property
    def title(self) -> str:
        """The defect's name for people and files."""
        return KINDS[self].title

    @property
    def sight(self) -> str:
        """What one will see of it."""
        return KINDS[self].sight


@dataclass(frozen=True)
class Kind:
    """A defect's name, measure and unit, its definition in a sentence, and what one sees of it."""

    title: str
    measure: str
    unit: str
    definition: str
    sight: str


KINDS: dict[Defect, Kind] = {
    Defect.MISS_TIGHT: Kind(
        "miss: cage too tight",
        "how much the cage is short",
        "units",
        "the surface that belongs here lies above the start of the ray",
        "blank patches where the sculpt rises through the cage",
    ),
    Defect.MISS_NOTHING: Kind(
        "miss: nothing there",
        "distance to the nearest crossing that was recorded instead",
        "units",
        "no surface that belongs here is crossed between reach and depth",
        "patches without any sculpt of their own",
    ),
    Defect.MISS_DEEP: Kind(
        "miss: too deep",
        "how much the depth is short",
        "units",
        "the surface that belongs here lies deeper than the ray looks",
        "blank patches in deep hollows",
    ),
    Defect.OVERSHOOT_OWN: Kind(
        "overshoot: own part",
        "distance above the surface that belongs here",
        "units",
        "the ray starts beyond another layer of the same part and records that",
        "a neighbouring fold printed over the surface",
    ),
    Defect.OVERSHOOT_OTHER: Kind(
        "overshoot: other part",
        "distance above the surface that belongs here",
        "units",
        "the ray records another part",
        "another part printed over the surface",
    ),
    Defect.BACK_FACING: Kind(
        "back-facing",
        "angle between ray and recorded normal",
        "degrees",
        "the recorded surface is seen from behind",
        "patches lit from the wrong side",
    ),
    Defect.SKEW: Kind(
        "skew",
        "sideways slide of the hit",
        "texels",
        "the ray is slanted to the low-poly face, so detail slides sideways",
        "detail that slid sideways",
    ),
    Defect.STEEP: Kind(
        "steep normals",
        "angle between shading normal and recorded normal",
        "degrees",
        "the recorded normal leans so far that 8 bits hold it coarsely",
        "bands on steep walls",
    ),
    Defect.FOLD: Kind(
        "fold",
        "signed volume ratio of the shell (below zero is folded)",
        "ratio",
        "the shell between low poly and cage turns inside out and rays cross",
        "smeared detail in tight corners",
    ),
    Defect.SPLIT: Kind(
        "split",
        "width of the uncovered wedge",
        "texels",
        "rays part company at a hard edge and leave a wedge unrecorded",
        "lost detail along hard edges",
    ),
    Defect.UNSEEN: Kind(
        "unseen high poly",
        "distance to the nearest recorded point",
        "units",
        "high-poly surface that no ray records",
        "sculpted detail that is lost",
    ),
}

# A sample has one main defect for colour and tables: the first of these that it has.
PRECEDENCE = (
    Defect.MISS_NOTHING,
    Defect.OVERSHOOT_OTHER,
    Defect.OVERSHOOT_OWN,
    Defect.MISS_TIGHT,
    Defect.MISS_DEEP,
    Defect.BACK_FACING,
    Defect.FOLD,
    Defect.SPLIT,
    Defect.SKEW,
    Defect.STEEP,
    Defect.UNSEEN,
)
CLEAN = 255


@dataclass(frozen=True)
class Thresholds:
    """Where a measure becomes a defect.

    Attributes
    ----------
    skew_texels : float
        A slide of two texels is where a straight line drawn across two faces visibly breaks after
        bilinear filtering (common practice, no source).
    skew_degrees : float
        Below this slant the slide is less than a quarter of the height of the detail itself, which
        reads as height, not as slant (tan 14 = 0.25).
    skew_share : float
        Without UVs, the slide as a share of the part's size (the root of its area) that counts
        instead of texels: two texels of a part that fills a 1,024-texel tile.
    steep_degrees : float
        Where one 8-bit step of a tangent-space component turns the normal by more than one degree:
        acos(180 / (127.5 pi)) = 63.3 degrees.
    split_texels : float
        An uncovered wedge narrower than a texel falls between texel centres.
    """

    skew_texels: float = 2.0
    skew_degrees: float = 14.0
    skew_share: float = 2.0 / 1024
    steep_degrees: float = float(np.degrees(np.arccos(180 / (127.5 * np.pi))))
    split_texels: float = 1.0
