"""What the last check says: what is known to be wrong, and how much more may be.

Two numbers stand side by side. What the samples of the last check show is known: conflicts, places
without surface, surface beyond the depth. What they do not show is bounded, with 95 % confidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.defects.classify import Findings
from cagecheck.defects.kinds import Defect
from cagecheck.rays.points import SurfacePoints

Mask = NDArray[np.bool_]

# Claims hold with 95 % confidence, see `surface_bound`.
DOUBT = 0.05
# Steps of halving an interval: to the last bits of a double.
_HALVINGS = 60

BLOCKED = (Defect.MISS_TIGHT, Defect.OVERSHOOT_OWN, Defect.OVERSHOOT_OTHER)
# What a tuned cage leaves wrong, whatever the reason.
MET_WRONG = (*BLOCKED, Defect.MISS_DEEP)
WRONG = (*MET_WRONG, Defect.MISS_NOTHING)


@dataclass(frozen=True)
class Assurance:
    """What the last check, on points never used for solving, says about the offsets.

    Attributes
    ----------
    samples : int
        Area samples cast.
    edge_samples : int
        Samples on edges and at vertices, besides.
    spacing : float
        Typical distance between area samples, world units.
    open : int
        Wrong samples that corridors would have allowed.
    open_edge : int
        The same on edges, and where rays run through corners and edges of the high poly that come
        near the cage.
    conflicting : int
        Wrong samples in triangles where no offsets near these keep all corridors without another
        fold, or that no offset at all can serve.
    given_up : int
        Wrong samples where offsets were found that serve them, but show more elsewhere.
    area_share : float
        Share of the low poly's area that open samples stand for.
    known : float
        Share that all samples stand for that miss or overshoot, whatever the reason.
    blocked : float
        Of that, too tight or overshooting (conflicts, limits, open ones).
    bare : float
        Of that, nothing there.
    deeper : float
        Of that, beyond the depth.
    known_samples : int
        How many samples miss or overshoot.
    known_edge_samples : int
        The same on edges, without those where nothing is: on the rim of an open surface rounding
        decides that.
    looks : int
        Checks on new points that would have been the last had nothing been open there.
    bound : float
        The share that is wrong besides what is known is below this with 95 % confidence
        (`surface_bound`, for that many looks, less what is known).
    """

    samples: int
    edge_samples: int
    spacing: float
    open: int
    open_edge: int
    conflicting: int
    given_up: int
    area_share: float
    known: float
    blocked: float
    bare: float
    deeper: float
    known_samples: int
    known_edge_samples: int
    looks: int
    bound: float

    @property
    def clean(self) -> bool:
        """True when no sample misses or overshoots, on edges neither."""
        return not (self.known_samples or self.known_edge_samples or self.open or self.open_edge)


def wrong_points(findings: Findings, kinds: tuple[Defect, ...] = WRONG) -> Mask:
    """Return (N,) bool: points with one of these defects."""
    out = np.zeros(len(findings.flags), bool)
    for kind in kinds:
        out |= findings.has(kind)
    return out


def assure(
    points: SurfacePoints,
    findings: Findings,
    wrong: Mask,
    still_open: Mask,
    given_up: Mask,
    watched_open: int,
    looks: int,
) -> Assurance:
    """Say how far a check reaches.

    findings : of the check's points, at the depth that is handed out. wrong : (N,) bool, missed or
    overshot along the check's rays; still_open : those of them that corridors would allow;
    given_up : (N,) bool, where a cage that serves all was known.
    """
    area = points.area > 0
    count = int(area.sum())
    total = float(points.area.sum()) or 1.0
    bad = wrong_points(findings)

    def share(mark: Mask) -> float:
        return float(points.area[mark].sum()) / total

    known = share(bad)
    return Assurance(
        samples=count,
        edge_samples=len(points) - count,
        spacing=float(np.sqrt(total / max(count, 1))),
        open=int((still_open & area).sum()),
        open_edge=int((still_open & ~area).sum()) + watched_open,
        conflicting=int((wrong & ~still_open & ~given_up).sum()),
        given_up=int((wrong & ~still_open & given_up).sum()),
        area_share=share(still_open),
        known=known,
        blocked=share(wrong_points(findings, BLOCKED)),
        bare=share(wrong_points(findings, (Defect.MISS_NOTHING,))),
        deeper=share(wrong_points(findings, (Defect.MISS_DEEP,))),
        known_samples=int((bad & area).sum()),
        known_edge_samples=int((wrong_points(findings, MET_WRONG) & ~area).sum()),
        looks=looks,
        bound=max(surface_bound(points, looks, points.area[bad]) - known, 0.0),
    )


def surface_bound(points: SurfacePoints, looks: int, wrong_area: Floats | None = None) -> float:
    """Return the share of the surface below which what is wrong lies, with 95 % confidence.

    points : drawn anew, used for nothing else; wrong_area : (K,) what the wrong ones of them stand
    for, none by default. In units of the point that stands for most, let y be the wrong area found
    and m the wrong area that there is. Sums of independent numbers between 0 and 1 with mean m fall
    to y or less with a chance of at most

        exp(-m) (e m / y)^y,

    Chernoff's bound: Hoeffding, "Probability Inequalities for Sums of Bounded Random Variables",
    J. American Statistical Association 58, 1963, in its form for small chances. Points that are
    spread evenly over their triangle do no worse. The bound is the m for which that is 0.05. With
    nothing found it is the rule of three, log(1 / 0.05) / n (Hanley and Lippman-Hand, "If Nothing
    Goes Wrong, Is Everything All Right?", JAMA 249(13), 1983), for n as if all points stood for as
    much as the one that stands for most.

    Where the k-th look is the one reported, it may fail with only 0.05 / (k (k + 1)): these chances
    add up to 0.05 over all looks there could be (Bonferroni's inequality).
    """
    largest = float(points.area.max(initial=0.0))
    if largest == 0:
        return 1.0
    found = 0.0 if wrong_area is None else float(wrong_area.sum()) / largest
    most = _largest_mean(found, DOUBT / (looks * (looks + 1)))
    return min(most * largest / float(points.area.sum()), 1.0)


def _largest_mean(found: float, doubt: float) -> float:
    """Return the mean at which so little being found has a chance of `doubt` (see above)."""
    if found == 0:
        return -log(doubt)

    def chance(mean: float) -> float:
        return exp(found - mean + found * log(mean / found))

    low, high = found, 2 * found - 2 * log(doubt)
    while chance(high) > doubt:
        high *= 2
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if chance(middle) > doubt else (low, middle)
    return high
