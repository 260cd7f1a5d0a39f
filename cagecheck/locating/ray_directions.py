"""Along which directions did a bake's rays run: averaged, corner or face normals?

All of them pass through the same points of the low poly, so that what they record differs by a
fraction of a texel only, most beside edges. Thousands of texels tell such fractions nonetheless: of
two rules, the map's normals lie at one end of the step between what either would record.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.locating.conventions import ConventionFault, Reading, turned
from cagecheck.locating.goals import DEPTH_SHARE, find_goals
from cagecheck.locating.variants import Variants
from cagecheck.rays.cage import Directions

RULES: tuple[Directions, ...] = ("averaged", "corner", "face")
WORDS: dict[Directions, str] = {
    "averaged": "averaged normals, as a closed cage has",
    "corner": "corner normals",
    "face": "face normals",
}
# Texels of a tile that are asked.
ASKED = 12_000
# Steps between two rules that say something: above what 8 bits hide of many texels together, below
# where another surface altogether is met; and how far off the map may be to have a say.
LEAST_STEP, MOST_STEP = np.radians(0.3), np.radians(20.0)
# Fewer such texels tell nothing.
LEAST_TEXELS = 300
# And it must lie nearer to the rule than to the other by this much; a map that shows something else
# altogether is as far from either.
NEARER = 0.8
# Where the map lies on the step from the rule that fits to another: 0 is the one, 1 the other.
# Halfway it is neither's; a quarter away from that leaves room for filters.
TOLD_SHARE, SURE_SHARE = 0.25, 0.1


@dataclass(frozen=True)
class ToldDirections:
    """rule : the one that fits best; alike : others that the map cannot tell from it; sure : the
    map lies within a tenth of a step of it, with all others.
    """

    rule: Directions
    alike: tuple[Directions, ...]
    sure: bool


def told_directions(
    variants: Variants, reading: Reading, shares: NDArray[np.float32]
) -> ToldDirections | None:
    """Tell by which rule a map's rays ran; None where the cage was given or nothing tells."""
    settings = variants.settings
    if not variants.uniform or settings.along != "cage":
        return None
    size = shares.shape[0]
    sample = variants.sampled(reading.tile, size, reading.quads, reading.normals).some(ASKED)
    values = turned(shares, reading.turn)[sample.y, sample.x]
    shown = reading.straight(values).astype(np.float64)
    if reading.space == "tangent":
        frames = variants.frames(reading.quads, reading.basis, reading.shading)
        shown = frames.decode(sample.triangle, sample.barycentric, shown)
    points = sample.points
    assert points is not None
    depth = DEPTH_SHARE * (settings.depth or 0.0)
    wanted: dict[Directions, Floats] = {}
    for rule in RULES:
        baker = variants.baker(reading.quads, reading.normals, rule)
        rays = baker.matcher.rays(baker.cage, points)
        goal = find_goals(baker, points, rays, depth)
        normal = baker.shading.along(goal.face, rays.origin, rays.direction, goal.t)
        wanted[rule] = np.where((goal.face >= 0)[:, None], normal, np.nan)
    return choose(shown, wanted, settings.directions)


def choose(
    shown: Floats, wanted: dict[Directions, Floats], assumed: Directions
) -> ToldDirections | None:
    """Return the rule from which the map does not lie on the way to any other.

    shown : (N, 3) unit; wanted : what each rule would record, NaN for nothing; assumed : the rule
    that stands where the map cannot tell another one from it.
    """
    order = sorted(RULES, key=lambda rule: rule != assumed)
    lies: dict[tuple[Directions, Directions], float | None] = {
        (a, b): share_of_step(shown, wanted[a], wanted[b]) for a in order for b in order if a != b
    }
    if all(share is None for share in lies.values()):
        return None
    for rule in order:
        others = {other: lies[rule, other] for other in order if other != rule}
        told = {other: share for other, share in others.items() if share is not None}
        if told and all(share <= TOLD_SHARE for share in told.values()):
            alike = tuple(other for other in order if other != rule and other not in told)
            if assumed in alike:
                continue  # nothing speaks against what was assumed, which fits worse elsewhere
            sure = all(share <= SURE_SHARE for share in told.values())
            return ToldDirections(rule, alike, sure)
    return None


def share_of_step(shown: Floats, one: Floats, other: Floats) -> float | None:
    """Return where the map lies on the step from `one` to `other`; None where too few tell.

    A half at least where the map is hardly nearer to the one than to the other.
    """
    told = step_share(shown, one, other, LEAST_TEXELS)
    if told is None:
        return None
    rows, weight = _telling(shown, one, other)
    near, far = (
        _weighted_median(np.linalg.norm(shown - ends, axis=1)[rows], weight)
        for ends in (one, other)
    )
    return told if near <= NEARER * far else max(told, 0.5)


def step_share(shown: Floats, one: Floats, other: Floats, least: int) -> float | None:
    """Return how far from `one` the map lies along the steps to `other`, as a share of them.

    The median of the texels' shares, each with the weight of its step squared; None where fewer
    than `least` texels tell.
    """
    rows, weight = _telling(shown, one, other)
    if len(weight) < least:
        return None
    share = ((shown - one)[rows] * (other - one)[rows]).sum(axis=1) / weight
    return abs(_weighted_median(share, weight))


def _telling(shown: Floats, one: Floats, other: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return the rows whose steps say something, and the squares of those steps."""
    length = np.linalg.norm(other - one, axis=1)
    off = np.minimum(*(np.linalg.norm(shown - ends, axis=1) for ends in (one, other)))
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero((length > LEAST_STEP) & (length < MOST_STEP) & (off < MOST_STEP))
    return rows, length[rows] ** 2


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def directions_fault(told: ToldDirections | None, assumed: Directions) -> ConventionFault | None:
    """Say that a bake's rays ran along other directions than those compared with."""
    if told is None or told.rule == assumed:
        return None
    return ConventionFault(
        "ray-directions",
        f"the rays of the bake ran along {WORDS[told.rule]}, not along {WORDS[assumed]}",
        "bake with averaged normals (a cage); or, if this is meant, compare with "
        f"--directions {told.rule}",
    )
