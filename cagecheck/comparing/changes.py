"""What became of every place: mended, new, grown, shrunk, moved or unchanged.

The measure is harm (`cagecheck.defects.harm`). It is a sum over samples, and where those fall is
chance: two runs that differ in nothing but their seed differ in it, too. A change is told from
that chance by `Tolerance`; docs/compare.md has the figures it was chosen by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from cagecheck.comparing.match import Match
from cagecheck.comparing.placed import PlacedRegion
from cagecheck.defects.unseen import SEEN_SPACINGS
from cagecheck.options import LIMITS, option


class Became(StrEnum):
    """What became of a place."""

    NEW = "new"
    GROWN = "grown"
    MOVED = "moved"
    UNCHANGED = "unchanged"
    SHRUNK = "shrunk"
    MENDED = "mended"

    @property
    def worse(self) -> bool:
        """Whether that is worse than before."""
        return self in (Became.NEW, Became.GROWN)

    @property
    def better(self) -> bool:
        """Whether that is better than before."""
        return self in (Became.SHRUNK, Became.MENDED)


# A place moved when its middle lies more than this share of its radius from where it was: two
# discs so far apart share two thirds of their area.
MOVED_SHARE = 0.5


# Standard errors for a place that only one of two results with the same samples has.
ONE_SIDED_ERRORS = 1.0


@dataclass(frozen=True)
class Tolerance:
    """How much harm may differ before it counts.

    Attributes
    ----------
    errors : float
        As many standard errors of sampling. Samples that lay wholly at random would stray by one
        with two of three places; those here are spread evenly and stray less.
    share : float
        And at least this share of the larger harm.
    """

    errors: float = option(
        3.0, LIMITS, "Harm must differ by more than so many standard errors of sampling.",
        metavar="NUMBER", least=0.0,
    )  # fmt: skip
    share: float = option(
        0.05, LIMITS, "And by more than this share of the larger harm.", metavar="NUMBER",
        least=0.0, most=1.0,
    )  # fmt: skip


@dataclass(frozen=True)
class Change:
    """What became of one place.

    Attributes
    ----------
    became : Became
        The change.
    name, part : str
        The defect and the low part (of the new result, where it is there).
    old, new : tuple[dict[str, Any], ...]
        The regions that are this place, as the results hold them, most harmful first.
    harm_old, harm_new : float
        Their harm together.
    within : float
        A difference up to this is not told from chance.
    moved_by : float | None
        How far the middle moved, world units; None for what is mended or new.
    sure : bool
        Whether the change is larger than `within`; of what moved, whether both places are.
    """

    became: Became
    name: str
    part: str
    old: tuple[dict[str, Any], ...]
    new: tuple[dict[str, Any], ...]
    harm_old: float
    harm_new: float
    within: float
    moved_by: float | None
    sure: bool

    @property
    def worse(self) -> bool:
        """Whether the place is surely worse than before."""
        return self.sure and self.became.worse

    @property
    def better(self) -> bool:
        """Whether the place is surely better than before."""
        return self.sure and self.became.better

    @property
    def difference(self) -> float:
        """The harm that was added; below zero for what went away."""
        return self.harm_new - self.harm_old

    @property
    def shown(self) -> dict[str, Any]:
        """The region that stands for the place: the worst of the new result, or else of the old."""
        return (self.new or self.old)[0]

    def to_dict(self) -> dict[str, Any]:
        """Return the change as plain JSON values."""
        return {
            "change": self.became.value,
            "sure": self.sure,
            "name": self.name,
            "part": self.part,
            "old_part": self.old[0]["part"] if self.old else None,
            "tile": self.shown["tile"],
            "centroid": list(self.shown["centroid"]),
            "old": [row["number"] for row in self.old],
            "new": [row["number"] for row in self.new],
            "harm_old": self.harm_old,
            "harm_new": self.harm_new,
            "within": self.within,
            "moved_by": self.moved_by,
            "texels_old": sum(row["texels"] for row in self.old),
            "texels_new": sum(row["texels"] for row in self.new),
            "texels_seen_old": sum(row["texels_seen"] for row in self.old),
            "texels_seen_new": sum(row["texels_seen"] for row in self.new),
            "area_old": sum(row["area"] for row in self.old),
            "area_new": sum(row["area"] for row in self.new),
        }


def tell_changes(
    matches: Sequence[Match],
    old: Sequence[PlacedRegion],
    new: Sequence[PlacedRegion],
    *,
    same_samples: bool = False,
    exact: bool = False,
    spacings: tuple[float, float] = (0.0, 0.0),
    tolerance: Tolerance | None = None,
) -> list[Change]:
    """Return what became of every place: what is worse first, then by how much harm changed.

    same_samples : both results cast the same samples. exact : both looked at every texel.
    spacings : how far apart the samples of both lie, 0 where that is not known.
    """
    tolerance = tolerance or Tolerance()
    out = []
    for match in matches:
        a, b = [old[k] for k in match.old], [new[k] for k in match.new]
        errors = (0.0, 0.0, 0.0)
        if not exact:
            # Points on the high poly hang on the hits around them, so they are never the same.
            same = same_samples and not any(region.lost for region in (*a, *b))
            both = sampling_error(a, b, same) * missed_factor(a, b, spacings)
            if same and not (a and b):
                # Where the very same rays tell otherwise now, something has changed: one sample
                # does not tell how much, two do.
                both *= min(ONE_SIDED_ERRORS / tolerance.errors, 1.0) if tolerance.errors else 0.0
            errors = (both, sampling_error(a, [], False), sampling_error([], b, False))
        rim = rim_harm([*a, *b], spacings)
        out.append(_change(a, b, errors, rim, match.apart, tolerance))
    order = {became: k for k, became in enumerate(Became)}
    return sorted(
        out,
        key=lambda c: (not c.sure, order[c.became], -abs(c.difference), -c.harm_new, -c.harm_old,
                       c.name, c.shown["number"]),
    )  # fmt: skip


def sampling_error(
    old: Sequence[PlacedRegion], new: Sequence[PlacedRegion], same_samples: bool
) -> float:
    """Return the standard error of the difference between two sums over samples.

    A sum over samples that lie at random has the sum of their squares for its variance (Campbell's
    theorem for Poisson processes). Where both results cast the same samples, only what changed at
    a sample counts, since what did not is the same chance twice.
    """
    if not same_samples:
        return float(np.sqrt(sum(_squares(region) for region in (*old, *new))))
    parts = [(r.samples, sign * r.harms) for sign, rs in ((-1, old), (1, new)) for r in rs]
    samples = np.concatenate([p[0] for p in parts])
    _, of_sample = np.unique(samples, return_inverse=True)
    change = np.bincount(of_sample, weights=np.concatenate([p[1] for p in parts]))
    return float(np.sqrt((change**2).sum()))


def _squares(region: PlacedRegion) -> float:
    if len(region.harms) == region.counted:
        return float((region.harms**2).sum())
    # Only the sum is known, and how many samples it is of.
    return region.harm**2 / region.counted


def _change(
    old: list[PlacedRegion],
    new: list[PlacedRegion],
    errors: tuple[float, float, float],
    rim: float,
    apart: bool,
    tolerance: Tolerance,
) -> Change:
    """Name a change.

    errors : standard errors of the difference, of the old and of the new harm. rim : see
    `rim_harm`.
    """
    old, new = (sorted(rs, key=lambda r: (-r.harm, r.number)) for rs in (old, new))
    before, after = (sum(r.harm for r in rs) for rs in (old, new))
    within = max(tolerance.errors * errors[0] + rim, tolerance.share * max(before, after))
    moved = _moved_by(old, new) if old and new else None
    became, sure = Became.UNCHANGED, abs(after - before) > within
    if not old or not new:
        became = Became.MENDED if old else Became.NEW
    elif sure:
        became = Became.GROWN if after > before else Became.SHRUNK
    else:
        # Of a few samples neither the middle nor whether they are one place is known.
        there = all(
            harm > tolerance.errors * error
            for harm, error in zip((before, after), errors[1:], strict=True)
        )
        one_to_one = len(old) == len(new) == 1
        far = moved is not None and moved > MOVED_SHARE * min(old[0].radius, new[0].radius)
        if apart or (one_to_one and far and there):
            became = Became.MOVED
        sure = there or not apart
    shown = (new or old)[0]
    return Change(
        became=became,
        name=shown.name,
        part=shown.part,
        old=tuple(r.row for r in old),
        new=tuple(r.row for r in new),
        harm_old=before,
        harm_new=after,
        within=within,
        moved_by=moved,
        sure=sure,
    )


def missed_factor(
    old: Sequence[PlacedRegion], new: Sequence[PlacedRegion], spacings: tuple[float, float]
) -> float:
    """Return by how much the error grows where only one result has the place.

    No sample of the other fell there, which tells less the wider they are spread: of two Poisson
    counts with exposures 1 and 1 / k, of which the second is 0, the difference of the rates under
    one common rate has k times the variance of the first count.
    """
    if old and new:
        return 1.0
    here, there = spacings if old else spacings[::-1]
    return max(there / here, 1.0) if here > 0 else 1.0


def rim_harm(regions: Sequence[PlacedRegion], spacings: tuple[float, float]) -> float:
    """Return the harm of lost surface in the difference of the rims that two results leave out.

    Lost surface is drawn smaller by `SEEN_SPACINGS`. A region of an area has at least the edge of
    a disc of that area.
    """
    wide = SEEN_SPACINGS * abs(spacings[0] - spacings[1])
    lost = [r for r in regions if r.lost and r.area > 0]
    return sum(min(2 * float(np.sqrt(np.pi / r.area)) * wide, 1.0) * r.harm for r in lost)


def _moved_by(old: list[PlacedRegion], new: list[PlacedRegion]) -> float:
    def middle(regions: list[PlacedRegion]) -> np.ndarray:
        area = np.array([max(r.area, np.finfo(float).tiny) for r in regions])
        out: np.ndarray = np.average([r.middle for r in regions], axis=0, weights=area)
        return out

    return float(np.linalg.norm(middle(new) - middle(old)))
