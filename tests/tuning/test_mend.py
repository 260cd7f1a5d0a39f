"""Mending place by place: against a general solver, closed forms, and what it must not touch."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import LinearConstraint, minimize

from cagecheck.defects.match import Matcher
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface
from cagecheck.predicting.predict import build_scene, place_points
from cagecheck.predicting.settings import Settings
from cagecheck.rays.points import sample_points
from cagecheck.tuning import mend as mend_module
from cagecheck.tuning.corridors import Limits
from cagecheck.tuning.mend import Group, mend
from cagecheck.tuning.search import Search
from cagecheck.tuning.solver.problem import offset_problem
from cagecheck.tuning.solver.solve import solve_offsets
from tests.scenes.tuning import bumpy_pair, sheet, surface_of

SETTINGS = Settings(samples=3000, unseen_points=0, offset=0.05, depth=0.08, reach=0.25)


def search_of(low: LowPoly, high: Surface, paired: np.ndarray | None = None) -> Search:
    scene = build_scene(high)
    if paired is None:
        paired = np.ones((len(low.part_names), len(high.part_names)), bool)
    limits = Limits(0.2, 1e-4, np.full(low.position_count, np.nan), np.zeros(0), np.zeros(0))
    matcher = Matcher(low, scene, paired)
    return Search(matcher, SETTINGS, 1e-5, limits, place_points(low, SETTINGS))


def settled(seed: int) -> Search:
    search = search_of(*bumpy_pair(seed))
    search.settle("samples")
    cast = search.cast(search.points)
    assert not search.open_samples(cast).any() and not cast.wrong.any()
    return search


def group(search: Search, seed: int = 99) -> Group:
    points = sample_points(search.low, 0.02, seed=seed)
    cast = search.cast(points)
    return Group(points, cast.wrong & ~cast.clash)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_lowered_vertex_is_raised_again_and_all_else_stays(seed: int) -> None:
    search = settled(seed)
    before = search.offsets.copy()
    middle = int(np.argmax(before))
    search.offsets = before.copy()
    search.offsets[middle] = 0.0
    low, every = search.low, group(search)
    one = np.any(low.welded == middle, axis=1)
    wrong = Group(every.points, every.wrong & one[every.points.triangle])
    assert wrong.wrong.any()
    assert not mend(search, [wrong]).any()
    assert not search.cast(wrong.points).wrong[wrong.wrong].any()
    two = np.any(np.isin(low.welded, np.unique(low.welded[one])), axis=1)
    around = np.zeros(low.position_count, bool)
    around[low.welded[two]] = True
    assert not around.all()
    assert np.array_equal(search.offsets[~around], before[~around])


def test_kept_vertices_do_not_move_and_what_they_hold_is_a_conflict() -> None:
    search = settled(0)
    middle = int(np.argmax(search.offsets))
    search.offsets[middle] = 0.0
    search.limits.kept[:] = search.offsets
    wrong = group(search)
    before = search.offsets.copy()
    conflict = mend(search, [wrong])
    assert np.array_equal(search.offsets, before)
    held = np.unique(wrong.points.triangle[wrong.wrong])
    assert len(held) and np.array_equal(np.flatnonzero(conflict), held)


def bent(columns: int) -> tuple[Search, Group]:
    """A target bent along x = 1/2 under a second part a thousandth above it, and wrong offsets."""

    def bend(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(0.06 - 0.1 * np.abs(x - 0.5) + 0 * y)

    low = prepare_low(sheet(columns, lambda x, y: 0 * x))
    high = surface_of(sheet(20, bend), sheet(20, lambda x, y: bend(x, y) + 0.001))
    search = search_of(low, high, np.array([[True, False]]))
    search.offsets = np.full(low.position_count, 0.03)
    points = sample_points(low, 0.02, seed=3)
    return search, Group(points, search.cast(points).wrong)


@pytest.mark.parametrize("columns, fits", [(1, False), (3, False), (2, True), (4, True)])
def test_a_narrow_gap_with_a_bend_fits_where_the_low_poly_has_an_edge_there(
    columns: int, fits: bool
) -> None:
    """Over one column of faces offsets are linear, so only an even number of columns can follow."""
    search, group = bent(columns)
    points = group.points
    conflict = mend(search, [group])
    wrong = search.cast(points).wrong & (points.area > 0)
    assert group.wrong.any()
    assert wrong.any() != fits and conflict.any() != fits
    assert conflict[points.triangle[wrong]].all()


@pytest.mark.parametrize("asked, in_conflict", [(0, False), (4, True)])
def test_only_what_was_asked_for_is_mended_or_called_a_conflict(
    asked: int, in_conflict: bool
) -> None:
    """The search's own samples around are wrong as well, but nobody asked to mend those.

    Triangle 0 lies off the bend and can follow it, triangle 4 lies across.
    """
    search, every = bent(3)
    only = Group(every.points, every.wrong & (every.points.triangle == asked))
    conflict = mend(search, [only])
    assert np.flatnonzero(conflict).tolist() == [asked] * in_conflict
    assert search.cast(every.points).wrong[only.wrong].any() == in_conflict
    around = search.points.triangle[search.cast(search.points).wrong]
    assert len(np.setdiff1d(around, [asked]))


def radii_of_steps(monkeypatch: pytest.MonkeyPatch) -> list[np.ndarray]:
    """Return what will hold the radius of every step that mending takes from here on."""
    radii: list[np.ndarray] = []
    step = mend_module._least_change

    def watched(search, batch, view, ceiling, radius, active):  # type: ignore[no-untyped-def]
        radii.append(radius.copy())
        return step(search, batch, view, ceiling, radius, active)

    monkeypatch.setattr(mend_module, "_least_change", watched)
    return radii


def test_the_first_steps_may_be_of_any_length(monkeypatch: pytest.MonkeyPatch) -> None:
    """A place in conflict is given up after them; none of them is held to a part of the last."""
    radii = radii_of_steps(monkeypatch)
    monkeypatch.setattr(Search, "turned", lambda self, corner, *_: np.ones(len(corner), bool))
    search, group = bent(3)
    mend(search, [group])
    assert len(radii) == mend_module.FULL_STEPS and np.isinf(radii).all()


def test_steps_end_where_rays_stand_still(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another step would only find the same: the same places are in conflict without it."""
    patient, group = bent(3)
    with monkeypatch.context() as every:
        every.setattr(Search, "turned", lambda self, corner, *_: np.ones(len(corner), bool))
        conflict = mend(patient, [group])
    radii = radii_of_steps(monkeypatch)
    search, group = bent(3)
    assert np.array_equal(mend(search, [group]), conflict) and conflict.any()
    assert 1 <= len(radii) < mend_module.FULL_STEPS
    assert search.offsets == pytest.approx(patient.offsets, rel=2e-3)


def test_what_the_last_step_has_to_leave_is_a_conflict_as_well(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As where full steps went to and fro: else it would be tried again at every later check."""
    monkeypatch.setattr(Search, "turned", lambda self, corner, *_: np.ones(len(corner), bool))
    patient, group = bent(3)
    conflict = mend(patient, [group])
    monkeypatch.setattr(mend_module, "FULL_STEPS", 0)
    radii = radii_of_steps(monkeypatch)
    search, group = bent(3)
    assert np.array_equal(mend(search, [group]), conflict) and conflict.any()
    assert len(radii) == mend_module.SHORT_STEPS


def test_what_a_sample_shows_does_not_depend_on_what_is_cast_with_it() -> None:
    """A target beyond the reach is seen by all rays or by none, as one offset is large enough."""
    low = prepare_low(sheet(8, lambda x, y: 0 * x))
    above = sheet(8, lambda x, y: 0 * x + 1.2 * SETTINGS.reach)
    search = search_of(low, surface_of(above))
    search.offsets = np.full(low.position_count, 0.1)
    search.offsets[0] = 1.5 * SETTINGS.reach
    points = sample_points(low, 0.05, seed=5)
    whole = search.cast(points)
    far = np.flatnonzero((low.welded[points.triangle] != 0).all(axis=1))
    assert whole.short[far].all()
    assert np.array_equal(search.cast(points.take(far)).short, whole.short[far])


def test_the_least_change_is_the_least_of_a_general_solver() -> None:
    """`scipy.optimize.minimize` with SLSQP on the same quadratic and rows."""
    rng = np.random.default_rng(4)
    edges = np.array([[0, 1], [1, 2], [2, 3], [3, 0], [0, 2]])
    columns = np.array([[0, 1, 2], [1, 2, 3], [0, 2, 3]])
    coefficients = rng.dirichlet(np.ones(3), 3)
    offsets = rng.uniform(0.5, 1.0, 4)
    problem = offset_problem(
        4, columns, coefficients, [1.2, 0.3, 0.9], [2.0, 0.6, 2.0], edges,
        edge_weight=rng.uniform(0.5, 2, 5), attraction=0.3, preferred=0.1, ceiling=3.0,
    )  # fmt: skip
    change = problem.of_change(offsets)
    answer = solve_offsets(change)
    rows = np.zeros((3, 4))
    for k in range(3):
        np.add.at(rows[k], columns[k], coefficients[k])
    dense = change.smoothness().toarray()
    wanted = minimize(
        lambda d: 0.5 * d @ dense @ d,
        np.zeros(4),
        jac=lambda d: dense @ d,
        method="SLSQP",
        constraints=[LinearConstraint(rows, problem.lower - rows @ offsets,
                                      problem.upper - rows @ offsets)],
        bounds=[(-o, 3.0 - o) for o in offsets],
        options={"ftol": 1e-14, "maxiter": 500},
    )  # fmt: skip
    assert wanted.success
    assert answer.offsets == pytest.approx(wanted.x, abs=1e-5)
    assert not answer.conflicts.any()


def test_places_that_do_not_feel_each_other_are_mended_as_if_alone() -> None:
    low, high = bumpy_pair(1, count=16, fine=64)
    search = search_of(low, high)
    search.settle("samples")
    settled_offsets = search.offsets
    place = np.zeros((low.position_count, 3))
    place[low.position_id] = low.positions
    sides = (place[:, 0] < 0.3, place[:, 0] > 0.7)
    ends = [int(np.argmax(np.where(side, settled_offsets, -1.0))) for side in sides]
    points = sample_points(low, 0.01, seed=99)

    def spoilt(vertices: list[int]) -> tuple[np.ndarray, Group]:
        offsets = settled_offsets.copy()
        offsets[vertices] = 0.0
        search.offsets = offsets
        near = np.isin(low.welded, vertices).any(axis=1)
        return offsets, Group(points, search.cast(points).wrong & near[points.triangle])

    alone = []
    for vertex in ends:
        _, group = spoilt([vertex])
        assert group.wrong.any() and not mend(search, [group]).any()
        alone.append(search.offsets)
    _, group = spoilt(ends)
    assert not mend(search, [group]).any()
    expected = settled_offsets + sum(offsets - settled_offsets for offsets in alone)
    assert search.offsets == pytest.approx(expected, abs=1e-6)


def test_places_that_have_ended_are_cast_no_more_and_keep_what_they_have(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One place can follow its target at once; the other, across a bend, tries all full steps."""
    looked: list[int] = []
    look = mend_module._look

    def watched(search, casts, found):  # type: ignore[no-untyped-def]
        looked.append(sum(len(points) for points, _ in casts))
        return look(search, casts, found)

    def bend(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(0.06 - 0.1 * np.maximum(x - 0.725, 0) + 0 * y)

    monkeypatch.setattr(mend_module, "_look", watched)
    monkeypatch.setattr(Search, "turned", lambda self, corner, *_: np.ones(len(corner), bool))
    low = prepare_low(sheet(20, lambda x, y: 0 * x))
    high = surface_of(sheet(40, bend), sheet(40, lambda x, y: bend(x, y) + 0.0003))
    results = []
    for narrowed in (0.0, mend_module.NARROWED):
        monkeypatch.setattr(mend_module, "NARROWED", narrowed)
        search = search_of(low, high, np.array([[True, False]]))
        search.offsets = np.full(low.position_count, 0.0605)
        points = sample_points(low, 0.01, seed=3)
        middle = points.positions(low)
        at = ((middle - [0.25, 0.5, 0]) ** 2).sum(axis=1) < 0.06**2
        at |= ((middle - [0.725, 0.5, 0]) ** 2).sum(axis=1) < 0.06**2
        group = Group(points, search.cast(points).wrong & at)
        looked.clear()
        conflict = mend(search, [group])
        results.append((search.offsets, conflict, looked.copy()))
    (every, conflict, whole), (offsets, same, fewer) = results
    assert np.array_equal(offsets, every) and np.array_equal(same, conflict) and conflict.any()
    assert np.unique(whole).size == 1 and len(fewer) == len(whole) == mend_module.FULL_STEPS + 1
    assert fewer[1] == whole[1] and 0 < fewer[-1] < 0.6 * whole[-1]
