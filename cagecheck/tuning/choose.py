"""The last choice: of all cages known by then, the one that shows least, part by part.

What the search found is steadied (`cagecheck.tuning.steady`) and compared with those that an artist
could have had without it: one number for the asset, one for each part, and the cage before. All are
cast on the same points and judged by the same measure. A part that would show more than under
another of them takes that one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.cage import Cage, Directions, cage_from_offset
from cagecheck.tuning.corridors import Graph
from cagecheck.tuning.measure import Measure
from cagecheck.tuning.single import limits_of, number_with_least_wrong
from cagecheck.tuning.steady import SPIKE_SLOPE, SmoothPoint, cage_of, smooth_curve, steadied

Mask = NDArray[np.bool_]

# Distances tried for the number that shows least, between nothing and twice what the least wrong
# one is: harm changes slowly with distance.
DISTANCES = 9
# A part takes another cage's offsets where that shows less by more than this share: below it the
# points compared tell no difference.
WORTHWHILE = 1e-6


@dataclass(frozen=True)
class HarmSummary:
    """What will be seen under every way of choosing offsets, degrees x texels, on the same points.

    Attributes
    ----------
    points : how many points were compared. before : under the cage before. asset, parts : under
    the best single number, for all and for each part. solved : under the offsets that the search
    ended with. tuned : under those that are handed out. by_part : of that, each part's.
    taken : the parts that took other offsets than the search's, and which: ``part number``,
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
) -> Choice:
    """Return the offsets that show least.

    solved : (P,) what the search ended with; held : (P,) bool, kept by the artist. smooth : the
    steepest rise that is let be; by default spikes stay where they pay.
    """
    slope = SPIKE_SLOPE if smooth is None else smooth
    steady = steadied(
        low, graph, solved, slope, held, measure, directions, forced=smooth is not None
    )
    part = low.triangle_part[measure.points.triangle]
    count = len(low.part_names)

    def of_parts(harm: Floats) -> Floats:
        return np.asarray(np.bincount(part, harm, count), np.float64)

    def harm_of(cage: Cage) -> Floats:
        return of_parts(measure.harm(cage))

    first = harm_of(cage_of(low, solved, directions))
    mine = first if steady is solved else harm_of(cage_of(low, steady, directions))
    harm_before = harm_of(before)
    numbers = _least_harm_numbers(low, measure, part, directions, margin, limit)
    fields: list[tuple[str, Floats, Floats]] = [("", steady, mine)]
    known = offsets_of(low, before, directions)
    others = [] if known is None else [("before", known, harm_before)]
    others += [(name, field, of_parts(harm)) for name, field, harm in numbers.fields(low)]
    for name, field, harm in others:
        allowed = np.where(held, solved, np.minimum(field, limit))
        same = np.array_equal(allowed, field)
        fields.append((name, allowed, harm if same else harm_of(cage_of(low, allowed, directions))))
    offsets, taken = _best_of_parts(low, fields)
    tuned = mine if not taken else harm_of(cage_of(low, offsets, directions))
    # Parts may share positions, so that one's choice is felt by another: all or nothing then.
    whole = min(fields, key=lambda f: float(f[2].sum()))
    if float(tuned.sum()) > float(whole[2].sum()) * (1 + WORTHWHILE):
        offsets, tuned = whole[1], whole[2]
        taken = dict.fromkeys(low.part_names, whole[0]) if whole[0] else {}
    by_name = {name: float(harm.sum()) for name, _, harm in fields}
    return Choice(
        offsets=offsets,
        changed=offsets != solved,
        harm=HarmSummary(
            points=len(measure.points),
            before=float(harm_before.sum()),
            asset=by_name["asset number"],
            parts=by_name["part number"],
            solved=float(first.sum()),
            tuned=float(tuned.sum()),
            by_part=dict(zip(low.part_names, map(float, tuned), strict=True)),
            taken=taken,
        ),
        curve=smooth_curve(low, graph, offsets, held, measure, directions),
    )


def _best_of_parts(
    low: LowPoly, fields: list[tuple[str, Floats, Floats]]
) -> tuple[Floats, dict[str, str]]:
    """Return the offsets that show least part by part, and what parts took another than the first.

    fields : name, (P,) offsets and (parts,) harm.
    """
    offsets, taken = fields[0][1].copy(), {}
    for k, part in enumerate(low.part_names):
        harm = np.array([field[2][k] for field in fields])
        harm[0] -= WORTHWHILE * harm[0]
        best = int(np.argmin(harm))
        if best > 0:
            mine = np.unique(low.welded[low.triangle_part == k])
            offsets[mine] = fields[best][1][mine]
            taken[part] = fields[best][0]
    return offsets, taken


@dataclass(frozen=True, eq=False)
class _Numbers:
    """The number that shows least for the asset, and (parts,) for each part; their harm (N,)."""

    asset: float
    asset_harm: Floats
    parts: Floats
    parts_harm: Floats

    def fields(self, low: LowPoly) -> list[tuple[str, Floats, Floats]]:
        of_position = np.full(low.position_count, self.asset)
        of_position[low.welded.ravel()] = np.repeat(self.parts[low.triangle_part], 3)
        return [
            ("part number", of_position, self.parts_harm),
            ("asset number", np.full(low.position_count, self.asset), self.asset_harm),
        ]


def _least_harm_numbers(
    low: LowPoly,
    measure: Measure,
    part: NDArray[np.integer],
    directions: Directions,
    margin: float,
    limit: float,
) -> _Numbers:
    """Try distances around the one that leaves least area wrong, and return those that show least.

    Under one distance rays keep their lines, so one cast answers for all.
    """
    cast = measure.cast(cage_from_offset(low, limit, directions))
    ideal = measure.ideal(cast)
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
        harm = measure.seen(cast, ideal, lean * number) * measure.texels
        if harm.sum() < best_whole:
            best_whole, asset, asset_harm = float(harm.sum()), number, harm
        numbers = np.minimum(share * each, limit)
        harm = measure.seen(cast, ideal, lean * numbers[part]) * measure.texels
        sums = np.bincount(part, harm, count)
        better = sums < best_each
        best_each[better], parts[better] = sums[better], numbers[better]
        parts_harm = np.where(better[part], harm, parts_harm)
    return _Numbers(asset, asset_harm, parts, parts_harm)


def offsets_of(low: LowPoly, cage: Cage, directions: Directions) -> Floats | None:
    """Return the offsets (P,) that give a cage, None where none do."""
    length = np.linalg.norm(cage.displacement, axis=2)
    out = np.zeros(low.position_count)
    out[low.welded.ravel()] = length.ravel()
    again = cage_of(low, out, directions).displacement
    near = 1e-6 * max(float(length.max(initial=0.0)), 1e-300)
    return out if np.abs(again - cage.displacement).max(initial=0.0) <= near else None
