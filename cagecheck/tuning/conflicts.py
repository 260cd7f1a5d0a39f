"""What no offset cures: which surfaces collide, by how much, and what would mend it.

A remedy is never only proposed. Each is applied to the scene, the samples around the place are
judged again, and it says how many were wrong before and are wrong after.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.rows import rows_of_runs
from cagecheck.arrays.types import Floats
from cagecheck.defects.harm import harm
from cagecheck.defects.kinds import Defect
from cagecheck.defects.match import Matched
from cagecheck.defects.measures import measure_at
from cagecheck.defects.reasons import Reason, Values
from cagecheck.defects.regions import Region
from cagecheck.defects.targets import Targets
from cagecheck.defects.visible import Ideal, visible_error
from cagecheck.predicting.result import Prediction
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage, cage_from_push
from cagecheck.rays.layers import NO_LAYER
from cagecheck.tuning.assurance import wrong_points
from cagecheck.tuning.conflict_reasons import ConflictCause
from cagecheck.tuning.folds import check_prisms
from cagecheck.tuning.loops import LoopMove, least_move
from cagecheck.tuning.tune import Tuning
from cagecheck.tuning.words import AT_LIMIT, nought
from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import count_text
from cagecheck.words.sentences import count_words, names_words

Mask = NDArray[np.bool_]

KINDS = (
    Defect.MISS_TIGHT,
    Defect.MISS_DEEP,
    Defect.OVERSHOOT_OWN,
    Defect.OVERSHOOT_OTHER,
)
# What bends detail without losing it. Folds are counted by prism, not by sample.
BENT = (Defect.SKEW, Defect.BACK_FACING)
# Places explained, the most harmful first: each costs a few small casts.
MOST = 30
# A lift goes this far beyond the largest shortfall, as corners weigh less than 1.
LIFT_SPARE = 1.25
# Said where no change that was tried left fewer samples wrong.
NOTHING_HELPS = "none that was tried helps"
# File vertices of a move that are told by number.
VERTICES_NAMED = 6


@dataclass(frozen=True)
class Remedy:
    """One change and what it did when it was applied.

    Attributes
    ----------
    kind : str
        ``raise depth``, ``raise offset``, ``exclude part``, ``bake apart``, ``split part`` or
        ``move loop``.
    words : str
        The change in a sentence.
    amount : float
        Its length in world units, 0 where it has none.
    wrong_before, wrong_after : int
        Samples wrong around the place, for whatever reason: misses, overshoots, slides, backs and
        folds that a change adds count as well.
    harm_before, harm_after : float
        What of that will be seen: degrees that show, times texels (square units without UVs).
    vertex_count : int
        For ``move loop``: how many file vertices move.
    vertices : tuple[int, ...]
        The first few of them, from 0.
    place : tuple[float, float, float] | None
        Their centre, world space.
    """

    kind: str
    words: str
    amount: float
    wrong_before: int
    wrong_after: int
    harm_before: float = 0.0
    harm_after: float = 0.0
    vertex_count: int = 0
    vertices: tuple[int, ...] = ()
    place: tuple[float, float, float] | None = None

    @property
    def cures(self) -> bool:
        """True when nothing around the place is wrong any more."""
        return self.wrong_after == 0

    @property
    def mended(self) -> int:
        """How many fewer samples are wrong."""
        return self.wrong_before - self.wrong_after


@dataclass(frozen=True)
class Conflict:
    """A place that the tuned offsets leave wrong.

    Attributes
    ----------
    number : int
        Counts from 1 in order of harm.
    name : str
        The defect's title.
    part : str
        The low part it is on.
    centroid : tuple[float, float, float]
        Its middle, world space.
    samples : int
        Number of samples that are wrong there.
    harm : float
        What of them will be seen: degrees that show, times texels.
    own : str
        The high part that belongs there; the paired ones where nothing is met that does.
    other : str | None
        The high part whose surface collides with it; None for a miss that nothing blocks.
    clash : float
        By how much, world units: how far the start lies below the target, above the next layer, or
        the depth above the target.
    reason : Reason
        Why, as code and values.
    remedies : tuple[Remedy, ...]
        Changes that were applied, the best first.
    """

    number: int
    name: str
    part: str
    centroid: tuple[float, float, float]
    samples: int
    harm: float
    own: str
    other: str | None
    clash: float
    reason: Reason
    remedies: tuple[Remedy, ...]

    @property
    def why(self) -> str:
        """Why it stays wrong, in a sentence."""
        return self.reason.words

    @property
    def best(self) -> Remedy | None:
        """The change that mended most, None where none mended anything."""
        return next((r for r in self.remedies if r.mended > 0), None)

    @property
    def best_words(self) -> str:
        """That change in a sentence, or that there is none."""
        return self.best.words if self.best else NOTHING_HELPS

    def to_dict(self) -> dict[str, Any]:
        """Return the conflict as plain JSON values."""
        remedies = [
            asdict(r)
            | {"vertices": list(r.vertices), "place": None if r.place is None else list(r.place)}
            for r in self.remedies
        ]
        out = asdict(self) | {"centroid": list(self.centroid), "remedies": remedies}
        del out["reason"]
        return out | {"why": self.why, **self.reason.to_dict("why")}


def explain_conflicts(tuning: Tuning, *, progress: Progress = silent) -> tuple[Conflict, ...]:
    """Explain the places that the tuned cage leaves missed or overshot, the worst first.

    Parameters
    ----------
    tuning : Tuning
        What `tune` returns.
    progress : Progress, optional
        Called now and then with stage, done and total.
    """
    regions = [r for r in tuning.after.regions if r.defect in KINDS and len(r.samples)][:MOST]
    out = []
    for k, region in enumerate(regions):
        progress("explaining conflicts", k, len(regions))
        out.append(_explain(tuning, region))
    progress("explaining conflicts", 1, 1)
    return tuple(out)


def _explain(tuning: Tuning, region: Region) -> Conflict:
    after = tuning.after
    rows = region.samples
    kind = next(k for k in KINDS if k is region.defect)
    clash = measure_at(after.findings.measures, kind, rows)
    if kind in (Defect.OVERSHOOT_OWN, Defect.OVERSHOOT_OTHER):
        clash = (after.rays.start - after.targets.t_next)[rows]
    clash = clash[np.isfinite(clash)]
    amount = float(clash.max()) if len(clash) else 0.0
    own, other = _surfaces(after, rows)
    around = _around(after, rows)
    remedies = [
        remedy
        for make in _MAKERS[kind]
        if (remedy := make(tuning, region, around, amount, other)) is not None
    ]
    # Remedies are judged on the samples whose rays they change, so what counts is how many they
    # mend. Ties go to the smaller change, and the makers are listed smallest first.
    order = sorted(range(len(remedies)), key=lambda k: (-remedies[k].mended, k))
    return Conflict(
        number=region.number,
        name=region.name,
        part=region.part,
        centroid=region.centroid,
        samples=len(rows),
        harm=region.harm,
        own=own or _partners(tuning, region.part),
        other=other,
        clash=amount,
        reason=_why(tuning, kind, rows, own, other, amount),
        remedies=tuple(remedies[k] for k in order),
    )


def _surfaces(after: Prediction, rows: NDArray[np.int64]) -> tuple[str | None, str | None]:
    """Return the names of the high parts of the targets and of what lies next above them.

    Where nothing belongs, the other one is what is recorded there.
    """
    surface = after.scene.surface

    def most(layer: NDArray[np.int64]) -> str | None:
        layer = layer[layer != NO_LAYER]
        if len(layer) == 0:
            return None
        part = np.bincount(surface.triangle_part[after.layers.face[layer]]).argmax()
        return surface.part_names[int(part)]

    own = most(after.targets.layer[rows])
    other = after.targets.next_layer if own is not None else after.findings.recorded
    return own, most(other[rows])


def _partners(tuning: Tuning, part: str) -> str:
    """Name the high parts that belong to a low part."""
    names = tuning.scene.surface.part_names
    mine = np.flatnonzero(tuning.paired[tuning.low.part_names.index(part)])
    return names_words([names[k] for k in mine], 2) if len(mine) else "no high part"


def _around(after: Prediction, rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the samples of all triangles that share a corner with the region's."""
    low = after.low
    corner = np.zeros(low.position_count, bool)
    corner[low.welded[after.points.triangle[rows]].ravel()] = True
    near: Mask = np.any(corner[low.welded], axis=1)
    return np.flatnonzero(near[after.points.triangle])


def _why(
    tuning: Tuning,
    kind: Defect,
    rows: NDArray[np.int64],
    own: str | None,
    other: str | None,
    amount: float,
) -> Reason:
    after, low = tuning.after, tuning.low
    if own is None:
        if other is None:
            return Reason(ConflictCause.NOTHING_NEAR, Values())
        return Reason(ConflictCause.NOTHING_BELONGS, Values(other_part=other))
    if tuning.given_up_triangles[after.points.triangle[rows]].mean() > 0.5:
        return Reason(ConflictCause.GIVEN_UP, Values(part=own))
    if nought(amount, tuning.margin) == 0:
        return Reason(ConflictCause.TOUCHING, Values(part=own))
    vertices = np.unique(low.triangles[after.points.triangle[rows]])
    length = nought(amount, tuning.margin)
    if kind == Defect.MISS_DEEP:
        depth = nought(after.settings.depth or 0.0, tuning.margin)
        return Reason(ConflictCause.TOO_DEEP, Values(part=own, deep=length, depth=depth))
    values = Values(part=own, short=length)
    if kind == Defect.MISS_TIGHT and tuning.kept[vertices].any():
        return Reason(ConflictCause.KEPT, values)
    if kind == Defect.MISS_TIGHT and (tuning.offset_out[vertices] >= AT_LIMIT * tuning.limit).any():
        cause = ConflictCause.LIMIT if tuning.limit_given else ConflictCause.AUTOMATIC_LIMIT
        return Reason(cause, replace(values, limit=nought(tuning.limit, tuning.margin)))
    if other is None:
        return Reason(ConflictCause.ENDS_BELOW, values)
    beside = kind == Defect.MISS_TIGHT
    if other == own:
        return Reason(ConflictCause.FOLD_BESIDE if beside else ConflictCause.FOLD_ABOVE, values)
    cause = ConflictCause.PART_BESIDE if beside else ConflictCause.PART_ABOVE
    return Reason(cause, replace(values, other_part=other))


@dataclass(frozen=True)
class _Toll:
    """What is wrong around a place: samples, and what of it will be seen."""

    wrong: int
    harm: float


def _toll(
    tuning: Tuning, around: NDArray[np.int64], cast: Matched, cage: Cage, depth: float
) -> _Toll:
    """Count what is wrong under a changed bake, whatever it is called.

    A sample is wrong that misses or overshoots, has lost its target, slides too far, is met from
    behind or lies in a prism that folds.
    """
    after, matcher = tuning.after, tuning.matcher
    findings = matcher.classify(
        cage, cast, depth=depth, map_size=after.settings.map_size,
        thresholds=after.settings.thresholds,
    )  # fmt: skip
    lost = after.targets.found[around] & ~cast.targets.found
    bad = lost | cast.wrong_at(depth) | wrong_points(findings, BENT)
    triangle, place = np.unique(cast.points.triangle, return_inverse=True)
    low = tuning.low
    shell = check_prisms(
        low.positions[low.triangles[triangle]], cage.displacement[triangle],
        flat=low.area[triangle] <= 0,
    )  # fmt: skip
    bad |= shell.folded[place.ravel()]
    ideal = Ideal(after.ideal.normal[around], after.ideal.straight[around])
    error = visible_error(
        matcher, cast, findings.recorded, ideal, thresholds=after.settings.thresholds
    )
    texels = after.texel_area[around]
    weight = texels if after.texel_area.any() else after.points.area[around]
    return _Toll(int(bad.sum()), harm(error, weight))


def _in_table(
    tuning: Tuning,
    around: NDArray[np.int64],
    *,
    kept: Mask | None = None,
    depth: float | None = None,
) -> _Toll:
    """Return what is wrong when some crossings are left out, or the depth changes."""
    after = tuning.after
    limit = float(after.settings.depth or 0.0) if depth is None else depth
    return _toll(tuning, around, _thinned(after.cast, around, kept), after.cage, limit)


def _thinned(cast: Matched, around: NDArray[np.int64], kept: Mask | None) -> Matched:
    """Return some samples of a cast, with only `kept` crossings, renumbered."""
    layers, targets = cast.layers, cast.targets
    kept = np.ones(len(layers.t), bool) if kept is None else kept
    thin = layers.where(kept)
    # What a crossing is called in the table of the chosen rays.
    number = np.full(len(layers.t) + 1, NO_LAYER, np.int64)
    rows = np.flatnonzero(kept)[rows_of_runs(thin.first, around)]
    number[rows] = np.arange(len(rows))
    few = thin.take(around)
    mine = Targets(
        few, number[targets.layer[around]], targets.belongs[rows], targets.doubtful[around]
    )
    return Matched(cast.points.take(around), cast.rays.take(around), few, mine)


def _own_crossings(tuning: Tuning) -> Mask:
    """Return (L,) bool, the crossing is of a high part that is paired with the ray's part."""
    after = tuning.after
    low_part = after.low.triangle_part[after.points.triangle[after.layers.ray]]
    high_part = after.scene.surface.triangle_part[after.layers.face]
    return np.asarray(tuning.paired[low_part, high_part])


def _new_cast(
    tuning: Tuning,
    offsets: Floats,
    around: NDArray[np.int64],
    without: str | None = None,
) -> _Toll:
    """Return what is wrong in a new cast through a changed cage.

    without : a high part that is left out.
    """
    points, settings = tuning.after.points.take(around), tuning.after.settings
    cage = cage_from_push(tuning.low, offsets, settings.directions)
    part = None if without is None else tuning.scene.surface.part_names.index(without)
    depth, reach = settings.depth_and_reach()
    cast = tuning.matcher.cast(cage, points, depth, reach, without=part)
    return _toll(tuning, around, cast, cage, depth)


def _remedy(kind: str, words: str, amount: float, before: _Toll, after: _Toll) -> Remedy:
    return Remedy(kind, words, amount, before.wrong, after.wrong, before.harm, after.harm)


# Each maker applies one change and returns its remedy, or None where it has nothing to change.
_Maker = Callable[[Tuning, Region, NDArray[np.int64], float, str | None], Remedy | None]


def _raise_depth(
    tuning: Tuning, region: Region, around: NDArray[np.int64], amount: float, other: str | None
) -> Remedy:
    deepest = float(-np.nanmin(tuning.after.targets.t[region.samples]))
    depth = deepest + tuning.margin
    return _remedy(
        "raise depth",
        f"raise the depth to {length_words(depth)}",
        depth,
        _in_table(tuning, around),
        _in_table(tuning, around, depth=depth),
    )


def _raise_offset(
    tuning: Tuning, region: Region, around: NDArray[np.int64], amount: float, other: str | None
) -> Remedy:
    lift, offsets = _lifted(tuning, region, amount)
    raised = offsets > tuning.offset_out
    return _remedy(
        "raise offset",
        f"let the {count_text(raised.sum())} vertices here rise by {length_words(lift)} (to "
        f"{length_words(float(offsets[raised].max()))})",
        lift,
        _in_table(tuning, around),
        _new_cast(tuning, offsets, around),
    )


def _exclude_and_raise(
    tuning: Tuning, region: Region, around: NDArray[np.int64], amount: float, other: str | None
) -> Remedy | None:
    after, low = tuning.after, tuning.low
    names = after.scene.surface.part_names
    mine = low.part_names.index(region.part)
    if other is None or tuning.paired[mine, names.index(other)]:
        return None
    around = around[low.triangle_part[after.points.triangle[around]] == mine]
    lift, offsets = _lifted(tuning, region, amount)
    return _remedy(
        "exclude part",
        f"leave {other} out when {region.part} is baked, and let the vertices here rise by "
        f"{length_words(lift)}",
        lift,
        _in_table(tuning, around),
        _new_cast(tuning, offsets, around, without=other),
    )


def _lifted(tuning: Tuning, region: Region, amount: float) -> tuple[float, Floats]:
    """Return the lift that a shortfall needs, and the offsets with the region's corners lifted."""
    low = tuning.low
    lift = LIFT_SPARE * amount + 2 * tuning.margin
    corner = np.unique(low.welded[tuning.after.points.triangle[region.samples]])
    return lift, tuning.offset_out + np.where(np.isin(low.position_id, corner), lift, 0.0)


def _exclude_part(
    tuning: Tuning, region: Region, around: NDArray[np.int64], amount: float, other: str | None
) -> Remedy | None:
    after = tuning.after
    names = after.scene.surface.part_names
    mine = after.low.part_names.index(region.part)
    if other is None or tuning.paired[mine, names.index(other)]:
        return None
    ray = after.layers.ray
    of_part = after.low.triangle_part[after.points.triangle[ray]] == mine
    seen = after.scene.surface.triangle_part[after.layers.face] == names.index(other)
    return _remedy(
        "exclude part",
        f"leave {other} out when {region.part} is baked",
        0.0,
        _in_table(tuning, around),
        _in_table(tuning, around, kept=~(of_part & seen)),
    )


def _bake_apart(
    tuning: Tuning, region: Region, around: NDArray[np.int64], amount: float, other: str | None
) -> Remedy | None:
    after = tuning.after
    if len(after.scene.surface.part_names) < 2 or after.settings.apart:
        return None
    return _remedy(
        "bake apart",
        f"bake {region.part} with nothing but its own high parts",
        0.0,
        _in_table(tuning, around),
        _in_table(tuning, around, kept=_own_crossings(tuning)),
    )


def _split_part(
    tuning: Tuning, region: Region, around: NDArray[np.int64], amount: float, other: str | None
) -> Remedy:
    own = _own_crossings(tuning)
    return _remedy(
        "split part",
        f"split {region.part} here, so that the fold beside it is another part, and bake the "
        "pieces apart",
        0.0,
        _in_table(tuning, around),
        _in_table(tuning, around, kept=tuning.after.targets.belongs | ~own),
    )


def _move_out(
    tuning: Tuning, region: Region, around: NDArray[np.int64], amount: float, other: str | None
) -> Remedy | None:
    guess = LIFT_SPARE * amount + 2 * tuning.margin
    return _moved(least_move(tuning, region.samples, guess, outward=True))


def _move_to_open(
    tuning: Tuning, region: Region, around: NDArray[np.int64], amount: float, other: str | None
) -> Remedy | None:
    """Move to where offsets between 0 and the limit leave a way between target and next layer.

    Inward, below a next layer that lies at or below the low poly. Else out towards the target,
    where the limit is in the way, or inward where the offset 0 is.
    """
    targets = tuning.after.targets
    lowest = float(np.nanmin(targets.t_next[region.samples], initial=np.inf))
    if lowest <= tuning.margin:
        guess = LIFT_SPARE * (tuning.margin - lowest) + 2 * tuning.margin
        return _moved(least_move(tuning, region.samples, guess, outward=False))
    highest = float(np.nanmax(targets.t[region.samples], initial=0.0))
    move = least_move(tuning, region.samples, highest, outward=True)
    if move is None:
        guess = LIFT_SPARE * amount + 2 * tuning.margin
        move = least_move(tuning, region.samples, guess, outward=False)
    return _moved(move)


def _moved(move: LoopMove | None) -> Remedy | None:
    if move is None:
        return None
    count = len(move.vertices)
    few = tuple(int(v) for v in move.vertices[:VERTICES_NAMED])
    names = ", ".join(map(str, few)) + (", ..." if count > len(few) else "")
    return Remedy(
        "move loop",
        f"move the {count_words(count, 'low-poly vertex', 'low-poly vertices')} here ({names}) "
        f"{'outward' if move.outward else 'inward'} by {length_words(move.distance)} and tune "
        "again",
        move.distance,
        move.wrong_before,
        move.wrong_after,
        move.harm_before,
        move.harm_after,
        count,
        few,
        move.place,
    )


_MAKERS: dict[Defect, tuple[_Maker, ...]] = {
    Defect.MISS_DEEP: (_raise_depth,),
    Defect.MISS_TIGHT: (_raise_offset, _exclude_and_raise, _move_out),
    Defect.OVERSHOOT_OWN: (_split_part, _move_to_open),
    Defect.OVERSHOOT_OTHER: (_exclude_part, _bake_apart, _move_to_open),
}
