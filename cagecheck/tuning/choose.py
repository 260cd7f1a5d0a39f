"""The last choice: of all cages known by then, the one that shows least, part by part.

What the search found is steadied (`cagecheck.tuning.steady`) and compared with those that an artist
could have had without it: one number for the asset, one for each part, and the cage before. All are
cast on the same points and judged by the same measure. Where another of them shows less, its
offsets are taken over place by place; a part that shows more all the same takes them as a whole.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage, Directions, cage_from_offset
from cagecheck.tuning.corridors import Graph
from cagecheck.tuning.measure import Measure
from cagecheck.tuning.single import limits_of, number_with_least_wrong
from cagecheck.tuning.steady import (
    SPIKE_SLOPE,
    SmoothPoint,
    cage_of,
    less_seen,
    smooth_curve,
    steadied,
    steady_above,
    steady_below,
)

Mask = NDArray[np.bool_]

# Distances tried for the number that shows least, between nothing and twice what the least wrong
# one is: harm changes slowly with distance.
DISTANCES = 9
# A part takes another cage's offsets where that shows less by more than this share: below it the
# points compared tell no difference.
WORTHWHILE = 1e-6
# Spikes are tried at these slopes, one after the other: one that pays as a whole may be worth
# taking the top off.
SLOPES = (2.0, 1.0, SPIKE_SLOPE, 0.25)
# Places where another cage shows less are taken over so many times at most, those that hold this
# share of what it saves.
MENDINGS = 3
MOST_OF = 0.95


@dataclass(frozen=True)
class HarmSummary:
    """What will be seen under every way of choosing offsets, degrees x texels, on the same points.

    Attributes
    ----------
    points : int
        How many points were compared.
    before : float
        Under the cage before.
    asset : float
        Under the best single number for all parts.
    parts : float
        Under the best single number for each part.
    solved : float
        Under the offsets that the search ended with.
    tuned : float
        Under those that are handed out.
    by_part : dict[str, float]
        Of that, each part's.
    taken : dict[str, str]
        The parts that took other offsets than the search's, and which: ``part number``,
        ``asset number`` or ``before``.
    """

    points: int
    before: float
    asset: float
    parts: float
    solved: float
    tuned: float
    by_part: dict[str, float]
    taken: dict[str, str]


@dataclass(frozen=True, eq=False)
class Choice:
    """The offsets that are handed out.

    Attributes
    ----------
    offsets : (P,) float64 per welded position.
    changed : (P,) bool, differs from what the search ended with.
    harm : HarmSummary
    curve : tuple[SmoothPoint, ...], harm over smoothness.
    """

    offsets: Floats
    changed: Mask
    harm: HarmSummary
    curve: tuple[SmoothPoint, ...]


def choose(
    low: LowPoly,
    graph: Graph,
    solved: Floats,
    held: Mask,
    before: Cage,
    measure: Measure,
    directions: Directions,
    *,
    margin: float,
    limit: float,
    smooth: float | None,
    as_it_is: bool = False,
) -> Choice:
    """Return the offsets that show least.

    solved : (P,) what the search ended with; held : (P,) bool, kept by the artist. smooth : the
    steepest rise that is let be; by default spikes stay where they pay. as_it_is : only compare.
    """
    if as_it_is:
        held = np.ones(len(solved), bool)
    slope = SPIKE_SLOPE if smooth is None else smooth
    steady = solved
    for limit_of_rise in SLOPES if smooth is None else (smooth,):
        steady = steadied(
            low, graph, steady, limit_of_rise, held, measure, directions,
            forced=smooth is not None,
        )  # fmt: skip
    part = low.triangle_part[measure.points.triangle]

    def of_parts(harm: Floats) -> Floats:
        return np.asarray(np.bincount(part, harm, len(low.part_names)), np.float64)

    def of_field(name: str, offsets: Floats) -> _Field:
        return _Field(name, offsets, measure.harm(cage_of(low, offsets, directions)))

    first = of_field("", solved)
    mine = first if steady is solved else of_field("", steady)
    harm_before = measure.harm(before)
    known = offsets_of(low, before, directions)
    others = [] if known is None else [_Field("before", known, harm_before)]
    others += _least_harm_numbers(low, measure, part, directions, margin, limit)
    by_name = {other.name: float(other.harm.sum()) for other in others}
    for k, other in enumerate(others):
        allowed = np.where(held, solved, np.minimum(other.offsets, limit))
        if not np.array_equal(allowed, other.offsets):
            others[k] = of_field(other.name, allowed)
    for other in others:
        mine = _mended(low, graph, mine, other, held, measure, directions, min(slope, SPIKE_SLOPE))
    best, taken = _best_of_parts(low, [mine, *others], of_parts)
    tuned = of_field("", best) if taken else mine
    # Parts may share positions, so that one's choice is felt by another: all or nothing then.
    whole = min((mine, *others), key=lambda f: float(f.harm.sum()))
    if float(tuned.harm.sum()) > float(whole.harm.sum()) * (1 + WORTHWHILE):
        tuned = whole
        taken = dict.fromkeys(low.part_names, whole.name) if whole.name else {}
    return Choice(
        offsets=tuned.offsets,
        changed=tuned.offsets != solved,
        harm=HarmSummary(
            points=len(measure.points),
            before=float(harm_before.sum()),
            asset=by_name["asset number"],
            parts=by_name["part number"],
            solved=float(first.harm.sum()),
            tuned=float(tuned.harm.sum()),
            by_part=dict(zip(low.part_names, map(float, of_parts(tuned.harm)), strict=True)),
            taken=taken,
        ),
        curve=smooth_curve(low, graph, tuned.offsets, held, measure, directions),
    )


@dataclass(frozen=True, eq=False)
class _Field:
    """Offsets (P,), where they come from, and the harm (N,) that points show under them."""

    name: str
    offsets: Floats
    harm: Floats


def _mended(
    low: LowPoly,
    graph: Graph,
    mine: _Field,
    other: _Field,
    held: Mask,
    measure: Measure,
    directions: Directions,
    slope: float,
) -> _Field:
    """Take another field's offsets at the places where they show less, and rise to them steadily.

    A triangle whose corners all take them gets the other field's rays.
    """
    triangle = measure.points.triangle
    for _ in range(MENDINGS):
        gain = np.bincount(triangle, mine.harm - other.harm, len(low.triangles))
        order = np.argsort(-gain, kind="stable")
        order = order[gain[order] > 0]
        total = np.cumsum(gain[order])
        if len(order) == 0 or total[-1] <= WORTHWHILE * float(mine.harm.sum()):
            break
        chosen = order[: int(np.searchsorted(total, MOST_OF * total[-1])) + 1]
        mark = np.zeros(low.position_count, bool)
        mark[low.welded[chosen]] = True
        nothing = np.zeros(low.position_count, bool)
        up = steady_above(graph, np.where(mark, other.offsets, -np.inf), slope, nothing)
        down = steady_below(graph, np.where(mark, other.offsets, np.inf), slope, nothing)
        field = np.where(mark, other.offsets, np.clip(mine.offsets, up, np.maximum(up, down)))
        field = np.where(held, mine.offsets, field)
        offsets = less_seen(low, mine.offsets, field, measure, directions, mine.harm)
        if offsets is None:
            break
        mine = _Field(mine.name, offsets, measure.harm(cage_of(low, offsets, directions)))
    return mine


def _best_of_parts(
    low: LowPoly, fields: list[_Field], of_parts: Callable[[Floats], Floats]
) -> tuple[Floats, dict[str, str]]:
    """Return the offsets that show least part by part, and what parts took another than the first.

    of_parts : sums harm (N,) by part.
    """
    offsets, taken = fields[0].offsets.copy(), {}
    harms = np.stack([of_parts(field.harm) for field in fields])
    harms[0] -= WORTHWHILE * harms[0]
    for k, part in enumerate(low.part_names):
        best = int(np.argmin(harms[:, k]))
        if best > 0:
            mine = np.unique(low.welded[low.triangle_part == k])
            offsets[mine] = fields[best].offsets[mine]
            taken[part] = fields[best].name
    return offsets, taken


def _least_harm_numbers(
    low: LowPoly,
    measure: Measure,
    part: NDArray[np.integer],
    directions: Directions,
    margin: float,
    limit: float,
) -> list[_Field]:
    """Try distances around the one that leaves least area wrong, and return those that show least.

    First one for each part, then one for all.

    Under one distance rays keep their lines, so one cast answers for all.
    """
    cast = measure.cast(cage_from_offset(low, limit, directions))
    seen = measure.seen_on(cast, measure.errors(cast), np.arange(len(cast)))
    lean = cast.rays.start / limit
    needed, beyond = limits_of(cast.rays, cast.targets, limit)
    area, count = measure.points.area, len(low.part_names)

    def least_wrong(rows: Mask) -> float:
        return number_with_least_wrong(needed[rows], beyond[rows], area[rows], margin, limit)

    whole = least_wrong(np.ones(len(part), bool))
    each = np.full(count, whole)
    for k in np.unique(part):
        each[k] = least_wrong(part == k)
    shares = np.concatenate([[1.0], np.linspace(0.25, 2.0, DISTANCES - 1)])
    best_whole, best_each = np.inf, np.full(count, np.inf)
    asset, parts = whole, each.copy()
    asset_harm, parts_harm = np.zeros(len(part)), np.zeros(len(part))
    for share in shares:
        number = min(share * whole, limit)
        harm = seen(lean * number) * measure.texels
        if harm.sum() < best_whole:
            best_whole, asset, asset_harm = float(harm.sum()), number, harm
        numbers = np.minimum(share * each, limit)
        harm = seen(lean * numbers[part]) * measure.texels
        sums = np.bincount(part, harm, count)
        better = sums < best_each
        best_each[better], parts[better] = sums[better], numbers[better]
        parts_harm = np.where(better[part], harm, parts_harm)
    of_position = np.full(low.position_count, asset)
    of_position[low.welded.ravel()] = np.repeat(parts[low.triangle_part], 3)
    return [
        _Field("part number", of_position, parts_harm),
        _Field("asset number", np.full(low.position_count, asset), asset_harm),
    ]


def offsets_of(low: LowPoly, cage: Cage, directions: Directions) -> Floats | None:
    """Return the offsets (P,) that give a cage, None where none do."""
    length = np.linalg.norm(cage.displacement, axis=2)
    out = np.zeros(low.position_count)
    out[low.welded.ravel()] = length.ravel()
    again = cage_of(low, out, directions).displacement
    near = 1e-6 * max(float(length.max(initial=0.0)), 1e-300)
    return out if np.abs(again - cage.displacement).max(initial=0.0) <= near else None
