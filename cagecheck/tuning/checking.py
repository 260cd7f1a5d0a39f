"""Checking offsets on points that they were not made from, and mending what shows there.

First everything is settled anew with the wrong samples of a check, as many of them show where the
samples were too few. Then places are mended one by one, until a check on new points finds nothing
open. That check is the one that is reported: its points were used for nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.rays.layers import NO_LAYER
from cagecheck.rays.points import SurfacePoints, join_points, sample_points
from cagecheck.tuning.mend import Group, mend
from cagecheck.tuning.peaks import BESIDE, BESIDE_POINTS, dip_points, with_beside
from cagecheck.tuning.prisms import points_at, prisms_of
from cagecheck.tuning.rings import NEIGHBOUR_RINGS, triangles_around
from cagecheck.tuning.search import (
    FEW,
    Cast,
    Mask,
    Search,
    missing,
)
from cagecheck.tuning.single import part_numbers
from cagecheck.tuning.texels import TexelWatch

# Corners and crossings of the high poly within this many margins of the cage are watched; faces
# above it when the ray that met them would reach them from this many times as far.
PEAK_MARGINS = 4.0
LOOK_UP = 2.0
# Rise of the cage against the low poly's edge, allowed where corridors exclude each other. Of 0.1,
# 0.25, 0.5, 1 and none this left the least wrong on the open meshes of the tests.
MODERATE = 0.5
# All is settled anew while wrong samples lie in this share of the triangles; fewer are mended.
MANY = 0.01
# Points are scattered around so many wrong ones at most, evenly chosen: bounds the memory.
MOST_SCATTERED = 20_000
# Around a wrong sample so many points are cast within this many sample spacings, and then around
# the worst of them within a quarter of that.
SCATTERED = 16
NEIGHBOURHOOD = 0.7
NARROWINGS = 2
NARROWER = 0.25
# The seed of the check of offsets that were chosen is this far from those of the other checks.
CHOSEN_SEED = 500_000
# What a mending changed is looked at so many times before all is, and on points this much nearer
# to each other, though no more of them than a check has: it costs little, and what shows there need
# not wait for the next check of all.
CLOSE_LOOKS = 3
FINER = 2.0
# Where so small a share of what is wrong is open, all the rest being in conflict, mending ends.
LITTLE_OPEN = 1e-3
# Seeds of close looks begin this far from each other and from those of the checks.
FAR_SEEDS = 1000


@dataclass(frozen=True, eq=False)
class Checked:
    """What the last check came to, on points that were used for nothing else (`Search.check`).

    watched_open : places of the high poly near the cage that rays there still get wrong;
    looks : how many checks there were that would have been the last had nothing been open;
    numbers : the parts whose offsets began again from one distance, as that left less wrong.
    """

    watched_open: int
    looks: int
    numbers: tuple[str, ...] = ()


def settle_and_check(
    search: Search, factor: int, checks: int, mends: int, texels: TexelWatch | None = None
) -> Checked:
    """Settle, and check on new points until a check finds nothing open.

    factor : a check casts this many times the samples. checks : how often everything is settled
    anew with the wrong samples of a check; mends : how often places are mended one by one. texels :
    looked at with every check of the mending.
    """
    spacing = finer_spacing(search.low, search.points, factor)
    seed = search.settings.seed + 1
    search.settle("samples")
    _level(search)
    _begin_with_numbers(search)
    watched: Cast | None = None
    for k in range(checks):
        search.progress("checking", k, checks + 1)
        watched = _look_at_all(search, spacing, seed + k)
        if not _settle_again(search, watched, spacing):
            break
        watched = None
    seed += checks
    checked = _mend_and_check(search, spacing, seed, mends, texels, watched)
    before = search.offsets, search.conflict
    numbers = _numbers_where_better(search, search.check)
    if not numbers:
        return checked
    check = search.check
    again = _mend_and_check(search, spacing, seed + mends + 1, mends, texels)
    looks = checked.looks + again.looks
    if _is_better(search.check, check):
        return replace(again, looks=looks, numbers=numbers)
    search.offsets, search.conflict = before
    search.last_check = check
    return replace(checked, looks=looks)


def _settle_again(search: Search, watched: Cast, spacing: float) -> bool:
    """Settle anew with what a check left open; False, and nothing is done, where that is little."""
    check = search.check
    wrong, left = search.open_samples(check), search.open_samples(watched)
    search.note("check", check, int(wrong.sum()))
    search.note("watch", watched, int(left.sum()))
    if search.touched(check, wrong) + search.touched(watched, left) < MANY:
        return False
    _add_wrong(search, check, wrong, spacing)
    _add_wrong(search, watched, left, spacing)
    search.settle("wrong samples of the check")
    _level(search)
    return True


def check_chosen(
    search: Search, checked: Checked, offsets: Floats, mends: int, texels: TexelWatch | None
) -> Checked:
    """Take other offsets than the search's, mend what they leave wrong, and check on new points.

    mends : 0 leaves the offsets as they are; what is wrong where they differ was given up then.
    """
    changed = (offsets != search.offsets)[search.low.welded].any(axis=1)
    given_up = changed | search.conflict
    # What no offsets serve stays so where they have stayed.
    search.conflict = search.conflict & ~changed
    search.offsets = offsets
    spacing = finer_spacing(search.low, search.check.points, 1)
    seed = search.settings.seed + CHOSEN_SEED
    # What the last check showed holds wherever the cage has stayed.
    search.last_check = search.cast_again(search.check)
    watched = _watched(search, search.check)
    again = _mend_and_check(search, spacing, seed, mends, texels, watched, keep_conflicts=True)
    if mends == 0:
        search.conflict = given_up
        again = replace(again, watched_open=0)
    return replace(again, looks=checked.looks + again.looks, numbers=checked.numbers)


def check_and_mend(
    search: Search, factor: int, mends: int, texels: TexelWatch | None = None
) -> Checked:
    """Check the offsets that the search begins with, and mend only places that show wrong.

    The arguments are those of `settle_and_check`.
    """
    spacing = finer_spacing(search.low, search.points, factor)
    return _mend_and_check(search, spacing, search.settings.seed + 1, mends, texels)


def _is_better(one: Cast, other: Cast) -> bool:
    """Tell whether a cage leaves less wrong than another, and folds no more."""
    folds = [float(cast.low.area[cast.folded].sum()) for cast in (one, other)]
    return _wrong_area(one) < _wrong_area(other) and folds[0] <= folds[1]


def _wrong_area(cast: Cast) -> float:
    return float(cast.points.area[cast.wrong].sum())


def _look_at_all(search: Search, spacing: float, seed: int) -> Cast:
    """Check the offsets on new points; return what is watched besides."""
    return _watched(search, search.check_on(sample_points(search.low, spacing, seed=seed)))


def _mend_and_check(
    search: Search,
    spacing: float,
    seed: int,
    mends: int,
    texels: TexelWatch | None,
    watched: Cast | None = None,
    keep_conflicts: bool = False,
) -> Checked:
    """Mend places until a check on new points finds nothing open, and say what that came to.

    watched : what is watched besides the search's check, where that is of the offsets as they are.
    keep_conflicts : else what the search holds for conflicts is tried as well.
    """
    still_open = _still_open(search)
    if not keep_conflicts:
        search.conflict = np.zeros_like(search.conflict)
    for k in range(mends + 1):
        search.progress("checking", k, mends + 1)
        if watched is None or k > 0:
            watched = _look_at_all(search, spacing, seed + k)
        more = [still_open] if k == 0 else []
        if not _mend_what_shows(search, watched, texels, more, k, mends, spacing, seed):
            break
    search.progress("checking", 1, 1)
    assert watched is not None
    return Checked(_places_open(search.open_samples(watched)), k + 1)


def _mend_what_shows(
    search: Search,
    watched: Cast,
    texels: TexelWatch | None,
    more: list[Group],
    k: int,
    mends: int,
    spacing: float,
    seed: int,
) -> bool:
    """Mend what the check and what is watched show open; False where that ends here.

    more : points to mend besides. k : how many times was mended before, of at most `mends`.
    """
    check = search.check
    wrong, left = search.open_samples(check), search.open_samples(watched)
    search.note("last check", check, int(wrong.sum()))
    groups = [Group(check.points, wrong, check), Group(watched.points, left, watched)]
    if texels is not None:
        groups.append(Group(*texels.look(search)))
    groups += more
    # By number: samples on edges and watched places stand for no area.
    little = all(
        open_ones.sum() <= LITTLE_OPEN * cast.wrong.sum()
        for cast, open_ones in ((check, wrong), (watched, left))
    )
    if k == mends or not any(g.wrong.any() for g in groups) or (k > 0 and little):
        return False
    # The first look also takes up what no offsets serve: no need to know more of that.
    if k > 0:
        groups.append(_neighbourhood(search, groups, spacing))
    _mend_closely(search, groups, spacing, seed + (k + 1) * FAR_SEEDS)
    return True


def _still_open(search: Search) -> Group:
    """Return the search's own samples that settling left open."""
    cast = search.cast_samples()
    left = search.open_samples(cast)
    return Group(cast.points.take(left), np.ones(int(left.sum()), bool))


def _mend_closely(search: Search, groups: list[Group], spacing: float, seed: int) -> None:
    """Mend what is wrong, look more closely at what that changed, and mend what shows there."""
    for k in range(CLOSE_LOOKS + 1):
        before = search.offsets
        search.conflict = search.conflict | mend(search, groups)
        for group in groups:
            search.add(group.points.take(group.wrong))
        changed = np.asarray((search.offsets != before)[search.low.welded].any(axis=1))
        if k == CLOSE_LOOKS or not changed.any():
            break
        near = triangles_around(search.low, changed, NEIGHBOUR_RINGS)
        share = float(search.low.area[near].sum() / search.low.area.sum())
        closer = spacing / min(FINER, share**-0.5)
        points = sample_points(search.low, closer, seed=seed + k, triangles=np.flatnonzero(near))
        check = search.cast(points)
        watched = _watched(search, check, near)
        groups = []
        for cast in (check, watched):
            wrong = search.open_samples(cast) & changed[cast.points.triangle]
            groups.append(Group(cast.points, wrong, cast))
        search.note("close look", check, int(groups[0].wrong.sum()))
        if not any(group.wrong.any() for group in groups):
            break


def _level(search: Search) -> None:
    """Limit steepness around samples that stay wrong; keep that where it leaves fewer wrong.

    A row near one corner can be kept by a large offset at another. Where other rows then break as
    the rays turn, nothing was won.
    """
    cast = search.cast_samples()
    left = search.open_samples(cast)
    trouble = search.conflict.copy()
    trouble[cast.points.triangle[left]] = True
    if trouble.mean() < FEW:
        return
    corner = np.zeros(search.low.position_count, bool)
    corner[search.low.welded[trouble]] = True
    edge = corner[search.graph.edges].any(axis=1) & ~search.levelled
    if not edge.any():
        return
    search.levelled[edge] = True
    before = search.state()
    score = search.score(cast, left)
    search.limits.steepness[edge] = MODERATE
    search.radius[corner] = np.inf
    search.settle("less steep")
    cast = search.cast_samples()
    if search.score(cast, search.open_samples(cast)) > score:
        search.restore(before)
        search.limits.steepness[edge] = np.inf


def _begin_with_numbers(search: Search) -> None:
    """Settle again from the best number of each part; keep that where it leaves fewer wrong.

    What rows are given up depends on where the search begins, and one number leaves rays where
    they are.
    """
    low = search.low
    cast = search.cast_samples()
    trouble = cast.wrong & ~cast.clash
    if search.touched(cast, trouble) < FEW:
        return
    troubled = np.unique(low.triangle_part[cast.points.triangle[trouble]])
    score, before = search.score(cast, search.open_samples(cast)), search.state()
    best = _best_numbers(search, search.points)
    for part in troubled[np.isfinite(best[troubled])]:
        _give_number(search, int(part), float(best[part]))
    search.radius[:] = np.inf
    search.settle("from one number")
    cast = search.cast_samples()
    if search.score(cast, search.open_samples(cast)) >= score:
        search.restore(before)


def _numbers_where_better(search: Search, check: Cast) -> tuple[str, ...]:
    """Give parts one number each where that leaves less of their area wrong; return their names.

    Slack is priced by length, so where corridors exclude each other a solution may leave more
    places wrong by less. A number that folds more of a part is not taken for what misses less.
    """
    low, count = search.low, len(search.low.part_names)
    troubled = np.zeros(count, bool)
    troubled[low.triangle_part[check.points.triangle[check.wrong]]] = True
    rows = np.flatnonzero(troubled[low.triangle_part[check.points.triangle]])
    points = check.points.take(rows)
    part = low.triangle_part[points.triangle]

    def wrong_of(cast: Cast, rows: NDArray[np.int64] | slice = slice(None)) -> Floats:
        wrong = cast.wrong[rows]
        return np.asarray(np.bincount(part[wrong], points.area[wrong], count), np.float64)

    def folded_of(cast: Cast) -> Floats:
        folded = cast.folded
        return np.asarray(
            np.bincount(low.triangle_part[folded], low.area[folded], count), np.float64
        )

    before = wrong_of(check, rows)
    if not before.any():
        return ()
    solved, best = search.offsets, _best_numbers(search, points)
    for k in np.flatnonzero(np.isfinite(best)):
        _give_number(search, int(k), float(best[k]))
    given = search.cast(points)
    chosen = np.flatnonzero((wrong_of(given) < before) & (folded_of(given) <= folded_of(check)))
    search.offsets = solved
    for k in chosen:
        _give_number(search, int(k), float(best[k]))
    return tuple(low.part_names[k] for k in chosen)


def _best_numbers(search: Search, points: SurfacePoints) -> Floats:
    """Return (parts,) the best one offset of every part, NaN where it has none."""
    settings, before = search.settings, search.offsets
    step = settings.offset or settings.depth_and_reach()[1] / 3
    search.offsets = np.full(len(before), step)
    uniform = search.cast(points)
    search.offsets = before
    return part_numbers(search.low, uniform, step, search.margin, search.limits.ceiling)


def _give_number(search: Search, part: int, number: float) -> None:
    """Give a part's positions one offset; kept ones stay."""
    low = search.low
    mine = np.zeros(low.position_count, bool)
    mine[low.welded[low.triangle_part == part]] = True
    mine &= ~np.isfinite(search.limits.kept)
    search.offsets = np.where(mine, number, search.offsets)


def _add_wrong(search: Search, cast: Cast, wrong: Mask, spacing: float) -> None:
    """Add wrong points, and the worst of the points around each that are wrong as well."""
    points = cast.points.take(wrong)
    if len(points) == 0:
        return
    search.add(points)
    radius = NEIGHBOURHOOD * spacing
    for _ in range(NARROWINGS):
        near = search.cast(_scattered(search.low, points, radius, search.settings.seed))
        worse = search.open_samples(near)
        if not worse.any():
            break
        by = (missing(near).max(axis=1) * worse).reshape(SCATTERED, -1)
        best = np.argmax(by, axis=0) * len(points) + np.arange(len(points))
        points = near.points.take(best[worse[best]])
        search.add(points)
        radius *= NARROWER


def _neighbourhood(search: Search, groups: list[Group], spacing: float) -> Group:
    """Return points all around the wrong ones: where one is wrong others often are."""
    points = join_points([group.points.take(group.wrong) for group in groups])
    points = points.take(np.arange(0, len(points), -(-len(points) // MOST_SCATTERED) or 1))
    near = search.cast(
        _scattered(search.low, points, NEIGHBOURHOOD * spacing, search.settings.seed)
    )
    return Group(near.points, search.open_samples(near), near)


def _watched(search: Search, check: Cast, chosen: Mask | None = None) -> Cast:
    """Cast through, and just beside, corners and edges of the high poly that come near the cage.

    chosen : (T,) bool, only what is nearest to these low triangles.
    """
    prisms = prisms_of(search.low, search.cage(), search.settings.along)
    clearance = PEAK_MARGINS * search.margin
    following = check.targets.next_layer
    above = LOOK_UP * np.maximum(check.rays.start, 0.0) + clearance
    near = np.flatnonzero((following != NO_LAYER) & (check.targets.t_next < above))
    points = join_points(
        [
            search.peaks.points(prisms, clearance, chosen),
            dip_points(
                prisms, search.scene, check.layers.face[following[near]],
                check.points.triangle[near], clearance,
            ),
        ]
    )  # fmt: skip
    return search.cast(with_beside(search.low, points, BESIDE * search.scene.scale))


def _places_open(left: Mask) -> int:
    """Return at how many watched places a ray through or beside them is open."""
    return int(left.reshape(BESIDE_POINTS, -1).any(axis=0).sum())


def _scattered(low: LowPoly, points: SurfacePoints, radius: float, seed: int) -> SurfacePoints:
    """Return points of no area spread around others, within their triangles."""
    rng = np.random.default_rng([seed, len(points)])
    triangle = np.tile(points.triangle, SCATTERED)
    corners = low.positions[low.triangles[triangle]]
    size = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    shift = rng.uniform(-1.0, 1.0, (len(triangle), 3))
    shift -= shift.mean(axis=1, keepdims=True)
    reach = np.minimum(radius / np.maximum(size, 1e-300), 0.5)
    moved = np.tile(points.barycentric, (SCATTERED, 1)) + reach[:, None] * shift
    barycentric = np.clip(moved, 0, None)
    return points_at(triangle, barycentric / barycentric.sum(axis=1, keepdims=True))


def finer_spacing(low: LowPoly, points: SurfacePoints, factor: int) -> float:
    """Return the spacing that gives `factor` times as many area samples as `points` holds."""
    count = int((points.area > 0).sum())
    return float(np.sqrt(low.area.sum() / max(factor * count, 1)))
