"""Causes and cures as codes with values; the sentences that say them stand beside the codes.

A rule (`cagecheck.defects.causes`) finds a code and its values. Nothing else is passed on: what a
page or a terminal shows is made from them at the end, and lists are gathered by them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from cagecheck.words.fill import filled


class Code(Enum):
    """A cause or a cure: its name in files, its sentence, and what leads over to a second one.

    Names in files never change; sentences may.
    """

    def __init__(self, code: str, sentence: str, lead: str = "") -> None:
        self.code, self.sentence, self.lead = code, sentence, lead


class CauseCode(Code):
    """Why a place is wrong."""

    # Whole parts: until that is mended nothing else on the part counts.
    NOT_PAIRED = "not-paired", "no high-poly part is paired with {part}"
    NOT_PAIRED_RECORDS_OTHER = (
        "not-paired-records-other",
        "no high-poly part is paired with {part}; its rays record {other_part}",
    )
    NOT_ALIGNED = (
        "not-aligned",
        "most of {part} finds no surface of its own: low and high do not lie on each other",
    )
    LOW_INSIDE_OUT = (
        "low-inside-out",
        "{part} of the low poly is turned inside out: its faces look inward",
    )
    HIGH_INSIDE_OUT = (
        "high-inside-out",
        "the high poly is turned inside out here: most of the part shows its backs",
    )
    FACE_AGAINST = (
        "face-against",
        "low and high poly face against each other here, as if one of them were inside out: most "
        "of the part shows its backs",
    )
    # The high poly's surface.
    HOLE = "hole", "the high poly has a hole here"
    DOUBLED = (
        "doubled",
        "the high poly has doubled faces here, one of them turned inside out: which of the two "
        "a ray records is chance",
    )
    FLIPPED = "flipped", "the high poly's faces are flipped here: they show their backs"
    ROUGH = (
        "rough",
        "the high poly is rough here, as noise is: rays cross {other_part} more than once within "
        "{gap}, less than two of its faces are long",
    )
    # The low poly against the high poly.
    STICKS_OUT_PAST = (
        "sticks-out-past",
        "the low poly sticks out beyond the high poly: rays pass it and reach the far side",
    )
    STICKS_OUT = "sticks-out", "the low poly sticks out where the high poly ends"
    STEEP = "steep", "recorded normals lean up to {degrees} degrees from the shading normal"
    # Distances.
    TIGHT = (
        "tight",
        "the surface here rises {rise} above the low poly, rays start {short} too low",
    )
    DEEP = "deep", "the surface lies {deep} below the low poly, rays look {depth}"
    PIT = "pit", "a pit or groove goes {deep} below the low poly, rays look {depth}"
    RUNS_INTO = (
        "runs-into",
        "the cage pokes through another surface of {other_part} that runs into this one here",
    )
    FOLD_NEAR = (
        "fold-near",
        "the cage pokes through a neighbouring fold of {other_part}, {gap} away at the nearest",
    )
    RECORDS_OTHER = "records-other", "rays record {other_part} instead of this part's own surface"
    # Directions.
    SLANTED = (
        "slanted",
        "rays lean up to {degrees} degrees from the low-poly face, so detail at a height slides "
        "sideways",
    )
    CAGE_FOLDS = (
        "cage-folds",
        "the cage folds over in this concave corner, so neighbouring rays cross",
    )
    RAYS_PART = "rays-part", "rays follow split normals and part at this hard edge"
    # High poly that no ray records.
    ABOVE_CAGE = "above-cage", "this high-poly surface lies above the cage, where rays start"
    HIDDEN = (
        "hidden",
        "this high-poly surface is hidden from the rays (an undercut or a pocket)",
    )
    COVERED = (
        "covered",
        "{other_part} lies over this high-poly surface and is recorded in its place",
    )
    REPLACED = "replaced", "{other_part} is recorded in place of this high-poly surface"


class CureCode(Code):
    """What to do about it."""

    NAME_PARTNER = (
        "name-partner",
        "name a partner (see the pairing table; --pair gives the naming rule), or export the "
        "missing part",
    )
    ALIGN = "align", "check that both were exported with the same place, scale and axes"
    FLIP_LOW = "flip-low", "flip all faces of {part} in the low poly"
    FLIP_HIGH = "flip-high", "flip all faces of the high-poly part"
    FLIP_ONE = (
        "flip-one",
        "flip all faces of the high-poly part, or of {part} if it is that which looks inward",
    )
    CLOSE_HOLE = (
        "close-hole",
        "close the hole in the high poly; no offset can record what is not there",
    )
    DELETE_DOUBLED = "delete-doubled", "delete the doubled faces"
    FLIP_PATCH = "flip-patch", "flip the faces of this patch in the high poly"
    SMOOTH_HIGH = (
        "smooth-high",
        "smooth or remesh the high poly here: no offset tells apart surfaces that are nearer than "
        "its faces are long",
    )
    PULL_IN = "pull-in", "pull the low poly in here, or extend the high poly"
    MORE_SHAPE = (
        "more-shape",
        "give the low poly more shape here, or bake to 16 bits; expect banding in 8 bits and mip "
        "levels",
    )
    RAISE_CAGE = "raise-cage", "raise the cage here by more than {short}"
    RAISE_OFFSET = "raise-offset", "raise the offset here above {need}"
    ONE_VALUE_FAILS = (
        "one-value-fails",
        "another layer ({other_part}) begins at {room} within the same region, so one value will "
        "not do: tune per vertex, or split the parts",
    )
    RAISE_DEPTH = (
        "raise-depth",
        "raise the depth to more than {deep}, or pull the low poly in here",
    )
    MODEL_PIT = (
        "model-pit",
        "raise the depth to more than {deep}, or model the pit in the low poly",
    )
    KEEP_BETWEEN = "keep-between", "keep the offset here between {need} and {room}", "or "
    TUNE_PER_VERTEX = (
        "tune-per-vertex",
        "tune per vertex: no single offset fits the whole region (it needs {need}, the other "
        "surface begins at {room})",
        "or ",
    )
    NO_OFFSET_NOTHING = (
        "no-offset-nothing",
        "no offset helps: no surface of this part lies here",
        "or ",
    )
    NO_OFFSET_COVERED = (
        "no-offset-covered",
        "no offset helps: the other surface lies on this one or covers it",
        "or ",
    )
    SPLIT_PART = "split-part", "split the part here and bake the pieces apart"
    BAKE_APART = (
        "bake-apart",
        "bake each pair by itself (--apart shows what that gives)",
        "with all parts together: ",
    )
    STRAIGHTEN = (
        "straighten",
        "straighten the rays here (tune --straighten tries it), add an edge loop near the hard "
        "change, or bring the low poly nearer to the high poly",
    )
    LOWER_OR_STRAIGHTEN = (
        "lower-or-straighten",
        "lower the offset here, or straighten the rays",
    )
    AVERAGE_NORMALS = (
        "average-normals",
        "average the cage's normals here (keep the low poly's shading as it is)",
    )
    RAISE_OR_MODEL = "raise-or-model", "raise the offset here, or model it in the low poly"
    OPEN_UP = "open-up", "open the shape up, model it in the low poly, or accept the loss"
    ALLOW_COVER = (
        "allow-cover",
        "nothing to mend where it is meant to (floating detail); else give it a low part",
    )
    APART_OR_BELOW = (
        "apart-or-below",
        "bake each pair by itself (--apart), or keep the offset below it here",
    )


# What spoils a whole part, or tells that it is spoilt: to be mended before anything else on it.
OF_WHOLE_PARTS = frozenset(
    {
        CauseCode.NOT_PAIRED,
        CauseCode.NOT_PAIRED_RECORDS_OTHER,
        CauseCode.NOT_ALIGNED,
        CauseCode.LOW_INSIDE_OUT,
        CauseCode.HIGH_INSIDE_OUT,
        CauseCode.FACE_AGAINST,
    }
)
# What is worth knowing and may well be meant.
INFORMATION = frozenset({CauseCode.COVERED})


@dataclass(frozen=True)
class Values:
    """What a cause or cure is told with; None where it has no such value.

    part, other_part : names of parts. All lengths are in world units: rise, the surface above the
    low poly; short, how much the cage is short; need and room, the least offset that reaches the
    surface and the offset at which another layer begins; gap, between two layers; deep, the
    surface below the low poly; depth and start, how far rays look and how far out they begin.
    limit, how far out the cage may go;
    degrees : an angle. slide, texels : texels.
    """

    part: str | None = None
    other_part: str | None = None
    rise: float | None = None
    short: float | None = None
    need: float | None = None
    room: float | None = None
    gap: float | None = None
    deep: float | None = None
    depth: float | None = None
    start: float | None = None
    limit: float | None = None
    degrees: float | None = None
    slide: float | None = None
    texels: int | None = None

    def known(self) -> dict[str, float | str]:
        """Return the values that there are, by name."""
        return {name: value for name, value in vars(self).items() if value is not None}


@dataclass(frozen=True)
class Reason:
    """A cause or a cure: its code, its values, and for some cures a second way (`also`)."""

    code: Code
    values: Values = field(default_factory=Values)
    also: Code | None = None

    @property
    def words(self) -> str:
        """The sentence, without capital and full stop."""
        known = self.values.known()
        said = filled(self.code.sentence, known)
        if self.also is None:
            return said
        return f"{said}; {self.code.lead}{filled(self.also.sentence, known)}"

    def to_dict(self, name: str) -> dict[str, Any]:
        """Return code, values and second code as plain JSON values, their names after `name`."""
        out: dict[str, Any] = {
            f"{name}_code": self.code.code,
            f"{name}_values": plain_values(self.values),
        }
        if self.also is not None:
            out[f"{name}_also"] = self.also.code
        return out


def plain_values(values: Values) -> dict[str, float | str | None]:
    """Return the values that there are for JSON, which knows no infinity."""
    known = values.known().items()
    return {name: v if isinstance(v, str) or abs(v) < float("inf") else None for name, v in known}


@dataclass(frozen=True)
class Explanation:
    """Why a group of samples is wrong, what to do, and the other part that it is about, if any."""

    cause: Reason
    cure: Reason
    other_part: str | None = None
