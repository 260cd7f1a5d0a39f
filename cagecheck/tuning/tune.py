"""Tuning: the offsets that a bake needs, found, cast again, and compared with before."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.comparing.changes import Change
from cagecheck.comparing.compare import compare
from cagecheck.defects.kinds import Defect
from cagecheck.defects.match import Matcher
from cagecheck.errors import InputError, Notice, takes
from cagecheck.memory import give_back
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Surface
from cagecheck.options import OFFSETS, Option, check_number, option
from cagecheck.predicting.predict import (
    build_scene,
    place_points,
    predict_cast,
    predict_points,
    resolve,
)
from cagecheck.predicting.result import Prediction
from cagecheck.predicting.settings import Settings, check_settings
from cagecheck.progress import Progress, silent
from cagecheck.rays.cage import Cage, cage_from_offset
from cagecheck.rays.scene import Scene
from cagecheck.tuning.assurance import Assurance, assure
from cagecheck.tuning.checking import (
    Checked,
    check_and_mend,
    check_chosen,
    settle_and_check,
)
from cagecheck.tuning.choose import Choice, HarmSummary, choose
from cagecheck.tuning.corridors import Corridors, Limits, automatic_margin, corridors_of
from cagecheck.tuning.depth import EDGE_SPARE, Depths, find_depths, inward_distances
from cagecheck.tuning.folds import CageCrossings, ShellCheck, cage_crossings, check_shell
from cagecheck.tuning.measure import Measure, measure_on
from cagecheck.tuning.needles import needle_notice
from cagecheck.tuning.search import Cast, DecideName, Round, Search
from cagecheck.tuning.solver.solve import SolverName
from cagecheck.tuning.start import Start, as_it_was, start_notices, start_of
from cagecheck.tuning.steady import SmoothPoint, Steadiness, cage_of, steadiness
from cagecheck.tuning.texels import TexelCheck, TexelWatch
from cagecheck.words.lengths import length_words
from cagecheck.words.numbers import as_given, count_text, figures
from cagecheck.words.sentences import count_words, names_words

Mask = NDArray[np.bool_]

# The check casts this many times the samples that the offsets were made from.
CHECK_FACTOR = 4
CHECKS = 2
MENDS = 20
# What was chosen at the end was mended before; little is left to mend, and it ends when nothing is.
CHOSEN_MENDS = 8
# Mending may show this much more, as it mends what does not show as well.
MENDING_COSTS = 1e-3
# Rays need a cage some way off the low poly, or a baker's float32 positions give them a random
# lean: this many roundings of the largest coordinate keep it under a thousandth.
STEADY_ROUNDINGS = 2048
# Layers are known as far as the reach; offsets may go this much further, as the corners of a
# triangle lie farther out than the surface that it must clear.
CEILING_REACHES = 1.5
_LENGTH = Option("", OFFSETS, least=0)
# Distances this many times what the scene suggested get a notice: with the headroom that
# suggestions carry, some of the surface lies farther off than nearly all of it.
FAR_FACTOR = 2.5
FAR_CURES = {
    "offset": "See where in offsets.ply. Low and high poly lie far apart there; --limit holds it.",
    "depth": "See which part asks for it in tuning.json; --depth holds it lower.",
}


@dataclass(frozen=True)
class TuneSettings:
    """How offsets are tuned. None means: taken from the scene.

    Lengths are in world units, or text in % of the low poly's diagonal (``"0.5%"``).

    Attributes
    ----------
    margin : float | str | None
        Clearance kept from target and next layer (see `automatic_margin`).
    limit : float | str | None
        Largest offset allowed.
    smooth : float | None
        The steepest rise between neighbours, as a share of the edge between them. By default rises
        of more than half stay only where a cast shows that they pay.
    check_factor : int
        The check casts this many times the samples.
    checks : int
        How often all offsets are solved again with the wrong samples of a check. The last check is
        never used.
    mends : int
        How often places that a check shows wrong are mended one by one.
    solver : SolverName
        What solves for the offsets.
    decide : DecideName
        What is given up where not all can be had: what will be seen least (``harm``; also where a
        cage that reaches everything shows more than one that leaves a hair), the corridor with less
        area (``area``), or only what no offsets serve (``reach``: what the search reached stays).
    """

    margin: float | str | None = option(
        None, OFFSETS,
        "Least clearance from surfaces, as 0.001 (units) or 0.1% (of the low poly's diagonal); "
        "else found from the scene.",
        metavar="LENGTH", typed=str,
    )  # fmt: skip
    limit: float | str | None = option(
        None, OFFSETS, "Largest offset allowed, as 0.05 or 2%; else found from the scene.",
        metavar="LENGTH", typed=str,
    )  # fmt: skip
    smooth: float | None = option(
        None, OFFSETS,
        "Steepest rise of offsets between neighbours, as a share of the edge between them (0.5: "
        "half as high as the edge is long); else steep places stay where a cast shows that they "
        "pay.",
        metavar="SLOPE", above=0,
    )  # fmt: skip
    check_factor: int = CHECK_FACTOR
    checks: int = CHECKS
    mends: int = MENDS
    solver: SolverName = "interior"
    decide: DecideName = option(
        "harm", OFFSETS,
        "What is given up where not all can be had: what shows least (harm), what has less area "
        "(area), or only what no offset serves, though more may show (reach).",
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Tuning:
    """Tuned offsets and what they change.

    Attributes
    ----------
    matcher : Matcher
        The low poly and the scene around it, and which parts may be baked onto which.
    settings : Settings
        The numbers in force, as for `predict`.
    margin : float
        Clearance in force, world units.
    limit : float
        Largest offset in force, world units.
    limit_given : bool
        The artist set the limit.
    preferred : float
        The offset that vertices without demands fall back to, world units.
    offset_out, offset_in : (V,) float64
        Per file vertex, how far rays start outside and look inside, world units.
    lower, upper : (V,) float64
        World units, how far each vertex alone could move while all others stay.
    conflict_triangles : (T,) bool
        No offsets near these keep all corridors here without another fold.
    conflict : (V,) bool
        The vertex belongs to such a triangle.
    given_up_triangles : (T,) bool
        Offsets were found that serve everything here, but the cage that shows less does not.
    kept : (V,) bool
        Held by the artist.
    depth : float
        One depth for the whole asset, world units: it finds all targets but those that
        `depths` gives up.
    depths : Depths
        What depth every part needs, and what lies deeper.
    cage : Cage
        The tuned cage.
    before, after : Prediction
        Predictions on the same points, never used for solving.
    last : Cast
        The last check's cast.
    assurance : Assurance
        How far the last check reaches.
    texels : TexelCheck | None
        What all texel centres show, where ``settings.texels`` asked for them.
    shell : ShellCheck
        What every prism between low poly and cage does.
    crossings : CageCrossings
        Where the cage passes through itself.
    low_crossings : int
        Places where the low poly itself passes through itself within a part.
    steadiness : Steadiness
        How steadily the offsets rise.
    harm : HarmSummary
        What will be seen, against the best single numbers and before.
    smooth_curve : tuple[SmoothPoint, ...]
        Harm over smoothness.
    rounds : tuple[Round, ...]
        What every cast of the search showed.
    solver : str
        The solver that was used.
    gap : float
        How far the solver's objective can be above the true optimum (NaN where unknown).
    notices : tuple[Notice, ...]
        What the artist should know besides.

    Notes
    -----
    `shell` asks that the determinant of every prism keeps its sign, which the condition of [1]_
    implies.

    References
    ----------
    .. [1] Z. Jiang, T. Schneider, D. Zorin and D. Panozzo, "Bijective Projection in a Shell", ACM
       Transactions on Graphics 39(6), 2020.
    """

    matcher: Matcher
    settings: Settings
    margin: float
    limit: float
    limit_given: bool
    preferred: float
    offset_out: Floats
    offset_in: Floats
    lower: Floats
    upper: Floats
    conflict_triangles: Mask
    conflict: Mask
    given_up_triangles: Mask
    kept: Mask
    depth: float
    depths: Depths
    cage: Cage
    before: Prediction
    after: Prediction
    last: Cast
    assurance: Assurance
    texels: TexelCheck | None
    shell: ShellCheck
    crossings: CageCrossings
    low_crossings: int
    steadiness: Steadiness
    harm: HarmSummary
    smooth_curve: tuple[SmoothPoint, ...]
    rounds: tuple[Round, ...]
    solver: str
    gap: float
    notices: tuple[Notice, ...] = ()

    @property
    def low(self) -> LowPoly:
        """The low poly."""
        return self.matcher.low

    @property
    def scene(self) -> Scene:
        """The high poly as a scene."""
        return self.matcher.scene

    @property
    def paired(self) -> Mask:
        """(low parts, high parts) bool, which may be baked onto which."""
        return self.matcher.paired

    def __repr__(self) -> str:
        return (
            f"<Tuning of {self.low!r}: {'clean' if self.clean else 'not clean'}, "
            f"margin {figures(self.margin, 3)}, depth {figures(self.depth, 3)}>"
        )

    def table(self) -> list[dict[str, Any]]:
        """Return one row per defect: name, and samples, percent and texels before and after.

        Defects that were not looked for (unseen high poly, with no points for it) have no row.
        """
        rows = []
        for old, new in zip(self.before.totals(), self.after.totals(), strict=True):
            if old["name"] == Defect.UNSEEN.title and self.before.unseen is None:
                continue
            row: dict[str, Any] = {"name": old["name"]}
            for when, values in (("before", old), ("after", new)):
                row |= {f"{key}_{when}": values[key] for key in ("samples", "percent", "texels")}
            rows.append(row)
        return rows

    @cached_property
    def changes(self) -> tuple[Change, ...]:
        """What became of every place of `before`, see `compare`."""
        return compare(self.before, self.after).changes

    @property
    def clean(self) -> bool:
        """True when nothing misses and nothing overshoots in the last check, nor any texel.

        Whatever the reason: a place without surface, or beyond the depth or the limit, misses too.
        """
        return self.assurance.clean and (self.texels is None or self.texels.clean)


@takes(
    low=LowPoly,
    high=(Surface, Scene),
    cage=Cage,
    start=Cage,
    settings=Settings,
    tuning=TuneSettings,
)
def tune(
    low: LowPoly,
    high: Surface | Scene,
    *,
    paired: Mask | None = None,
    settings: Settings | None = None,
    tuning: TuneSettings | None = None,
    cage: Cage | None = None,
    start: Cage | None = None,
    keep: Floats | None = None,
    progress: Progress = silent,
) -> Tuning:
    """Find per-vertex offsets for a bake of `high` onto `low`, and check them by casting again.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    high : Surface | Scene
        The high poly, or a scene already built from it.
    paired : (low parts, high parts) bool, optional
        See `pair_parts`; everything with everything by default.
    settings : Settings, optional
        See `cagecheck.predict`. With `texels` the offsets are made to hold at the centre of every
        texel of maps of that size; about `samples` of them are samples from the start.
    tuning : TuneSettings, optional
        How offsets are tuned; the defaults of `TuneSettings` by default.
    cage : Cage, optional
        The cage to compare with; the uniform offset of `settings` by default.
    start : Cage, optional
        The cage to begin from. Offsets and directions stay wherever the check finds nothing wrong.
    keep : (V,) float64, optional
        Offsets that stay as they are, world units, NaN where free.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        Settings out of range, kept offsets that are negative or differ at one position.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> high = cagecheck.read_surface("hero_high.ply")
    >>> few = cagecheck.Settings(offset=0.05, depth=0.05, samples=200, unseen_points=0)
    >>> tuned = cagecheck.tune(low, high, settings=few)
    >>> tuned.clean
    True
    >>> float(tuned.offset_out.max().round(4))
    0.01
    """
    tuning = tuning or TuneSettings()
    margin, limit = _lengths(tuning, low)
    tuning = replace(tuning, margin=margin, limit=limit)
    settings = check_settings(settings or Settings())
    scene = high if isinstance(high, Scene) else build_scene(high, progress)
    if paired is None:
        paired = np.ones((len(low.part_names), len(scene.surface.part_names)), bool)
    automatic = settings.offset is None and cage is None, settings.depth is None
    matcher = Matcher(low, scene, paired, settings.along, settings.apart)
    settings, notices = resolve(matcher, settings, cage is not None)
    texels = None if settings.texels is None else TexelWatch(low, settings.texels)
    # What checks draw is no texel: texels are looked at besides.
    size, settings = settings.texels, replace(settings, texels=None)
    before_cage = cage or cage_from_offset(low, settings.offset or 0.0, settings.directions)
    begun = None if start is None else start_of(low, start, settings.directions)
    search, checked = _search(matcher, settings, tuning, keep, progress, texels, begun)
    depth = _deep_enough(search, automatic[1])
    measure = measure_on(search.matcher, search.check.points, settings, depth)
    held = np.isfinite(search.limits.kept)
    choice = choose(
        search.low, search.graph, search.offsets, held, before_cage, measure, settings.directions,
        margin=search.margin, limit=search.limits.ceiling, smooth=tuning.smooth,
        as_it_is=begun is not None or tuning.decide == "reach",
    )  # fmt: skip
    harm, served = choice.harm, ~search.conflict
    if choice.changed.any():
        checked, harm = _check_choice(search, checked, choice, measure, tuning, texels)
    # What the search knew of its samples is large, and nothing asks for it any more.
    search.known = None
    check, vertex = search.check, low.position_id
    depths = find_depths(low, check, search.margin, search.limits.preferred)
    inward, lower, upper = _from_corridors(search, check, depths)
    give_back()
    before = predict_points(matcher, before_cage, check.points, settings, progress=progress)
    texel_check = None if texels is None else texels.result(search)
    depth = _deep_enough(search, automatic[1])
    if texels is not None and texel_check is not None:
        limit = EDGE_SPARE * depth if automatic[1] else depth
        depth, texel_check = texels.at_depth(search, texel_check, depth, limit)
    cage_after, deeper = search.cage(), replace(settings, depth=depth)
    if begun is not None:
        cage_after = as_it_was(begun, cage_after, search.offsets, low)
    if begun is None and depth == settings.depth:
        after = predict_cast(matcher, cage_after, check.matched(), deeper, progress=progress)
    else:
        after = predict_points(matcher, cage_after, check.points, deeper, progress=progress)
    touched = np.zeros(low.position_count, bool)
    touched[low.welded[search.conflict].ravel()] = True
    changed = choice.changed[low.welded].any(axis=1)
    given_up = search.conflict & served & changed
    shell, crossings = check_shell(low, cage_after), cage_crossings(low, _cage_positions(search))
    return Tuning(
        matcher=search.matcher,
        settings=replace(deeper, texels=size),
        margin=search.margin,
        limit=search.limits.ceiling,
        limit_given=limit is not None,
        preferred=search.limits.preferred,
        offset_out=search.offsets[vertex],
        offset_in=inward[vertex],
        lower=lower[vertex],
        upper=upper[vertex],
        conflict_triangles=search.conflict,
        conflict=touched[vertex],
        given_up_triangles=given_up,
        kept=np.isfinite(search.limits.kept)[vertex],
        depth=depth,
        depths=depths,
        cage=cage_after,
        before=before,
        after=after,
        last=check,
        assurance=assure(
            check.points,
            after.findings,
            check.wrong,
            search.open_samples(check),
            given_up[check.points.triangle],
            checked.watched_open,
            checked.looks,
        ),
        texels=texel_check,
        shell=shell,
        crossings=crossings,
        low_crossings=int(cage_crossings(low, low.positions).same_part.sum()),
        steadiness=steadiness(low, search.graph, search.offsets, search.limits.preferred),
        harm=harm,
        smooth_curve=choice.curve,
        rounds=tuple(search.rounds),
        solver=search.solution.solver if search.solution else search.solver,
        gap=search.solution.gap if search.solution else float("nan"),
        notices=(
            *notices,
            *(() if begun is None else start_notices(begun, search.offsets)),
            *_far_notices(settings, search.limits, search.offsets, depth, automatic),
            *_number_notice(checked.numbers),
            *_unsolved_notice(search.unsolved),
            *needle_notice(low, shell, crossings),
        ),
    )


def _check_choice(
    search: Search,
    checked: Checked,
    choice: Choice,
    measure: Measure,
    tuning: TuneSettings,
    texels: TexelWatch | None,
) -> tuple[Checked, HarmSummary]:
    """Take what was chosen, mend it where that shows no more, and check it on new points."""
    mends = 0 if tuning.smooth is not None else min(tuning.mends, CHOSEN_MENDS)
    solved, conflict = search.offsets, search.conflict
    again = check_chosen(search, checked, choice.offsets, mends, texels)
    mended, chosen = (
        cage_of(search.low, offsets, search.settings.directions)
        for offsets in (search.offsets, choice.offsets)
    )
    h, tuned = choice.harm, float(measure.harm(mended).sum())
    # On the points that it was chosen by the choice shows less than it does elsewhere.
    new = measure_on(search.matcher, search.check.points, measure.settings, measure.depth)
    most = (1 + MENDING_COSTS) * float(new.harm(chosen).sum())
    if float(new.harm(mended).sum()) <= most and tuned <= max(
        h.tuned, min(h.before, h.asset, h.parts)
    ):
        return again, replace(h, tuned=tuned)
    search.offsets, search.conflict = solved, conflict
    return check_chosen(search, again, choice.offsets, 0, texels), h


def _deep_enough(search: Search, automatic: bool) -> float:
    """Return one depth for the asset: the given one, or what the parts need."""
    depth = float(search.settings.depth or 0.0)
    if not automatic:
        return depth
    found = find_depths(search.low, search.check, search.margin, search.limits.preferred)
    return max(depth, found.largest)


def _from_corridors(search: Search, check: Cast, depths: Depths) -> tuple[Floats, Floats, Floats]:
    """Return (P,) inward distances, and lower and upper of `vertex_corridors`.

    The corridors of the last check, the most there are, are let go again.
    """
    low = search.low
    corridors = corridors_of(low, check.cage.normals, check, search.margin)
    inward = inward_distances(
        low, search.graph, check, corridors, depths, search.margin, search.limits.preferred,
        search.solver,
    )  # fmt: skip
    return inward, *vertex_corridors(low, corridors, search.offsets)


def length_of(value: float | str | None, name: str, low: LowPoly) -> float | None:
    """Return a length that is given in world units or, as text, in % of the low poly's diagonal."""
    if not isinstance(value, str):
        return value
    try:
        found = float(value.strip().removesuffix("%"))
    except ValueError:
        raise InputError(
            f"`{name}` must be a length or a percentage, not {value!r}.",
            cure=f"For example `{name}` 0.02 or `{name}` 1.5%.",
        ) from None
    return found * low.diagonal() / 100 if value.strip().endswith("%") else found


def _lengths(tuning: TuneSettings, low: LowPoly) -> tuple[float | None, float | None]:
    """Return margin and limit in world units; raise `InputError` for what is none."""
    margin = length_of(tuning.margin, "margin", low)
    limit = length_of(tuning.limit, "limit", low)
    for name, value in (("margin", margin), ("limit", limit)):
        if value is not None:
            check_number(name, value, _LENGTH)
    if limit == 0:
        raise InputError("`limit` 0 leaves no room for a cage.", cure="Raise `limit`.")
    return margin, limit


def _search(
    matcher: Matcher,
    settings: Settings,
    tuning: TuneSettings,
    keep: Floats | None,
    progress: Progress,
    texels: TexelWatch | None,
    start: Start | None,
) -> tuple[Search, Checked]:
    """Settle the offsets; return them with the last check, whose points were not used."""
    low = matcher.low
    rounding = automatic_margin(low, matcher.scene)
    margin = rounding if tuning.margin is None else float(tuning.margin)
    _, reach = settings.depth_and_reach()
    ceiling = float(tuning.limit) if tuning.limit is not None else CEILING_REACHES * reach
    largest = float(np.abs(low.positions[low.triangles.ravel()]).max(initial=0.0))
    steady = STEADY_ROUNDINGS * float(np.finfo(np.float32).eps) * largest
    limits = Limits(ceiling, min(steady, ceiling), kept_positions(low, keep), np.zeros(0))
    points = place_points(low, settings) if texels is None else texels.starting_points(settings)
    if start is not None:
        if tuning.limit is None:
            limits = replace(limits, ceiling=max(ceiling, float(start.offsets.max(initial=0.0))))
        if start.turned:
            matcher = matcher.on(start.low)
    search = Search(
        matcher, settings, margin, limits, points, tuning.solver, progress, tuning.decide
    )
    if start is None:
        return search, settle_and_check(
            search, tuning.check_factor, tuning.checks, tuning.mends, texels
        )
    kept = limits.kept
    search.offsets = np.where(np.isfinite(kept), kept, np.minimum(start.offsets, limits.ceiling))
    return search, check_and_mend(search, tuning.check_factor, tuning.mends, texels)


def kept_positions(low: LowPoly, keep: Floats | None) -> Floats:
    """Return (P,) the kept offsets per welded position, NaN where free.

    Raises `InputError` for a wrong count, for negative values, and where vertices at one position
    are kept at different offsets.
    """
    out = np.full(low.position_count, np.nan)
    if keep is None:
        return out
    if keep.shape != (low.mesh.vertex_count,):
        raise InputError(
            f"{count_text(keep.size)} kept offsets do not fit {count_text(low.mesh.vertex_count)} "
            "vertices."
        )
    held = np.flatnonzero(np.isfinite(keep))
    if (keep[held] < 0).any():
        worst = int(held[np.argmin(keep[held])])
        raise InputError(
            f"vertex {worst} is kept at a negative offset.", cure="Offsets go outward: 0 or more."
        )
    position = low.position_id[held]
    out[position] = keep[held]
    differs = np.flatnonzero(out[position] != keep[held])
    if len(differs):
        k = int(differs[0])
        raise InputError(
            f"vertex {int(held[k])} is kept at {as_given(keep[held[k]])}, another vertex at the "
            "same place "
            f"at {as_given(out[position[k]])}.",
            cure="Give vertices that share a position one offset, or the cage would crack.",
        )
    return out


def _cage_positions(search: Search) -> Floats:
    """Return (V, 3) the cage's vertices, along averaged normals where their corners part."""
    positions = search.cage().positions
    if positions is not None:
        return positions
    low, vertex = search.low, search.low.position_id
    return low.positions + search.offsets[vertex, None] * low.ray_normals[vertex]


def _far_notices(
    settings: Settings, limits: Limits, offsets: Floats, depth: float, automatic: tuple[bool, bool]
) -> tuple[Notice, ...]:
    """Say where distances leave what the scene suggested.

    automatic : whether the offset and the depth of the settings were taken from the scene.
    """
    out = []
    free = offsets[~np.isfinite(limits.kept)]
    largest = float(free.max(initial=0.0))
    for name, handed, suggested, found in (
        ("offset", largest, settings.offset, automatic[0]),
        ("depth", depth, settings.depth, automatic[1]),
    ):
        if found and suggested and handed > FAR_FACTOR * suggested:
            out.append(
                Notice(
                    f"far-{name}",
                    f"the largest {name} is {length_words(handed)}, "
                    f"{figures(handed / suggested, 2)} times the {length_words(suggested)} that "
                    "the scene suggested.",
                    FAR_CURES[name],
                )
            )
    return tuple(out)


def _number_notice(parts: tuple[str, ...]) -> tuple[Notice, ...]:
    if not parts:
        return ()
    return (
        Notice(
            "one-number",
            "one distance for the whole part left less wrong than distances found vertex by "
            f"vertex, so tuning began again from that distance on: {names_words(parts)}.",
            "Only places that it left wrong got other distances; what stays wrong there is among "
            "the conflicts.",
            count=len(parts),
        ),
    )


def _unsolved_notice(count: int) -> tuple[Notice, ...]:
    if count == 0:
        return ()
    problems = count_words(count, "step")
    return (
        Notice(
            "unsolved",
            f"no solver found an answer in {problems} of the search; the offsets are the best of "
            "those that were solved and cast.",
            "Look at what the check says is left; another --seed or more --samples change the "
            "steps.",
            count=count,
        ),
    )


def vertex_corridors(low: LowPoly, corridors: Corridors, offsets: Floats) -> tuple[Floats, Floats]:
    """Return (P,) lower and upper: where each position alone may go while the others stay.

    Margins are included. Rows that the position weighs little in say little about it, and rows
    that clash say nothing: both are left out. No bound: 0 and infinity.
    """
    c = corridors
    lower, upper = np.zeros(low.position_count), np.full(low.position_count, np.inf)
    height = np.einsum("ij,ij->i", c.coefficients, offsets[c.columns])
    for k in range(3):
        weight = c.coefficients[:, k]
        rows = np.flatnonzero((weight > 0.25) & ~c.clash)
        at, w = c.columns[rows, k], weight[rows]
        rest = height[rows] - w * offsets[at]
        np.maximum.at(lower, at, (c.lower[rows] - rest) / w)
        np.minimum.at(upper, at, (c.upper[rows] - rest) / w)
    return lower, np.maximum(upper, 0.0)
