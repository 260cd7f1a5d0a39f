"""The offset solver against dense reference methods from SciPy and against Clarabel."""

from __future__ import annotations

import itertools
from dataclasses import replace

import clarabel
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog, nnls
from scipy.sparse import csc_array

from cagecheck.errors import InputError
from cagecheck.tuning.solver import general, interior, solve
from cagecheck.tuning.solver.general import minimise_with_clarabel
from cagecheck.tuning.solver.interior import InteriorResult, Sides
from cagecheck.tuning.solver.problem import OffsetProblem, UnsolvedError, offset_problem
from cagecheck.tuning.solver.solve import solve_offsets


def grid_problem(side: int, rows: int, seed: int, *, squeeze: float = 0.5) -> OffsetProblem:
    """Random corridors on a `side` x `side` grid of triangles; smaller `squeeze` conflicts more."""
    rng = np.random.default_rng(seed)
    i, j = np.meshgrid(np.arange(side - 1), np.arange(side - 1), indexing="ij")
    a = (i * side + j).ravel()
    triangles = np.concatenate(
        [np.stack([a, a + side, a + side + 1], 1), np.stack([a, a + side + 1, a + 1], 1)]
    )
    edges = np.unique(
        np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])),
        axis=0,
    )
    pick = rng.integers(0, len(triangles), rows)
    lower = rng.uniform(-0.3, 1.0, rows)
    upper = np.where(rng.random(rows) < 0.5, lower + rng.exponential(squeeze, rows), np.inf)
    return offset_problem(
        side * side,
        triangles[pick],
        rng.dirichlet([1.0, 1.0, 1.0], rows),
        lower,
        upper,
        edges,
        edge_weight=rng.uniform(0.2, 2.0, len(edges)),
        attraction=0.02,
    )


def dense_rows(problem: OffsetProblem) -> tuple[np.ndarray, np.ndarray]:
    """Return G and h of all rows and bounds as G d >= h."""
    n, p = problem.row_count, problem.position_count
    mix = np.zeros((n, p))
    np.add.at(mix, (np.arange(n)[:, None], problem.columns), problem.coefficients)
    low, high = np.isfinite(problem.lower), np.isfinite(problem.upper)
    floor, ceiling = np.isfinite(problem.floor), np.isfinite(problem.ceiling)
    eye = np.eye(p)
    return (
        np.concatenate([mix[low], -mix[high], eye[floor], -eye[ceiling]]),
        np.concatenate(
            [
                problem.lower[low],
                -problem.upper[high],
                problem.floor[floor],
                -problem.ceiling[ceiling],
            ]
        ),
    )


def least_distance(problem: OffsetProblem) -> np.ndarray:
    """Solve a feasible problem by Lawson and Hanson, "Solving Least Squares Problems", ch. 23.

    With H = L L' and z = L'd - L^-1 p the problem is least distance programming, and its answer
    comes from one non-negative least squares problem.
    """
    G, h = dense_rows(problem)
    H = problem.smoothness().toarray()
    pull = problem.attraction * problem.preferred
    L = np.linalg.cholesky(H)
    centre = np.linalg.solve(L, pull)
    E = np.linalg.solve(L, G.T).T
    f = h - E @ centre
    u, _ = nnls(np.vstack([E.T, f]), np.r_[np.zeros(len(H)), 1.0], maxiter=20000)
    r = np.vstack([E.T, f]) @ u - np.r_[np.zeros(len(H)), 1.0]
    z = -r[:-1] / r[-1]
    return np.linalg.solve(L.T, z + centre)


def least_slack(problem: OffsetProblem) -> float:
    """Return the least possible weighted slack, a linear program for SciPy's HiGHS."""
    n, p = problem.row_count, problem.position_count
    mix = np.zeros((n, p))
    np.add.at(mix, (np.arange(n)[:, None], problem.columns), problem.coefficients)
    eye, none = np.eye(n), np.zeros((n, n))
    low, high = np.isfinite(problem.lower), np.isfinite(problem.upper)
    A = np.concatenate([np.hstack([-mix, -eye, none])[low], np.hstack([mix, none, -eye])[high]])
    b = np.concatenate([-problem.lower[low], problem.upper[high]])
    cost = np.r_[np.zeros(p), problem.importance, problem.importance]
    bounds = [*zip(problem.floor, problem.ceiling, strict=True), *[(0, None)] * (2 * n)]
    return float(linprog(cost, A_ub=A, b_ub=b, bounds=bounds).fun)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), side=st.integers(2, 7), rows=st.integers(1, 60))
# Slack of 1e-12 that the solver's own state did not know of.
@example(seed=4_294_967_294, side=3, rows=58)
def test_feasible_optimum_matches_least_distance_programming(
    seed: int, side: int, rows: int
) -> None:
    problem = grid_problem(side, rows, seed)
    # Corridors around known offsets can all be kept at the same time.
    known = np.random.default_rng(seed).uniform(0, 1, problem.position_count)
    height = problem.heights(known)
    gap = np.random.default_rng(seed + 1).exponential(0.1, (2, rows))
    problem = replace(
        problem,
        lower=height - gap[0],
        upper=np.where(np.isfinite(problem.upper), height + gap[1], np.inf),
        ceiling=np.full(problem.position_count, 1.5),
        preferred=np.full(problem.position_count, 0.1),
    )
    solution = solve_offsets(problem)
    assert not solution.conflicts.any()
    assert np.abs(solution.offsets - least_distance(problem)).max() < 1e-5
    assert solution.gap < 1e-8 * (1 + solution.objective)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), side=st.integers(2, 6), rows=st.integers(5, 60))
def test_conflicting_rows_keep_only_the_slack_that_a_linear_program_needs(
    seed: int, side: int, rows: int
) -> None:
    problem = grid_problem(side, rows, seed, squeeze=0.05)
    rng = np.random.default_rng(seed)
    # Without a ceiling a linear program may trade a hair of slack for offsets without end.
    problem = replace(
        problem,
        importance=rng.uniform(0.5, 2.0, rows),
        ceiling=np.full(problem.position_count, 2.0),
    )
    solution = solve_offsets(problem)
    paid = problem.importance @ (solution.slack_low + solution.slack_high)
    assert paid == pytest.approx(least_slack(problem), rel=1e-4, abs=1e-5)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), squeeze=st.sampled_from([0.02, 0.2, 2.0]))
def test_both_solvers_agree(seed: int, squeeze: float) -> None:
    problem = grid_problem(9, 150, seed, squeeze=squeeze)
    ours, theirs = solve_offsets(problem), solve_offsets(problem, solver="clarabel")
    scale = problem.energy(theirs.offsets) + 1e-9
    assert abs(ours.objective - theirs.objective) < 1e-5 * scale + ours.gap + theirs.gap
    assert -1e-9 * scale <= ours.gap < 1e-4 * scale


def cheapest(problem: OffsetProblem, price: float) -> tuple[float, np.ndarray, np.ndarray]:
    """Return the least objective, its offsets and which sides it gives up, by trying all choices.

    Every side of a row is free, met exactly, or given up at its price. A choice is the optimum of
    its kind by elementary calculus (a linear system), and of all choices that are what they claim
    to be the cheapest is the optimum of the problem, as that is convex.
    """
    n, p = problem.row_count, problem.position_count
    mix = np.zeros((n, p))
    np.add.at(mix, (np.arange(n)[:, None], problem.columns), problem.coefficients)
    low, high = np.isfinite(problem.lower), np.isfinite(problem.upper)
    G = np.concatenate([mix[low], -mix[high]])
    h = np.concatenate([problem.lower[low], -problem.upper[high]])
    cost = price * np.concatenate([problem.importance[low], problem.importance[high]])
    H, pull = problem.smoothness().toarray(), problem.attraction * problem.preferred
    best: tuple[float, np.ndarray, np.ndarray] | None = None
    for states in itertools.product((0, 1, 2), repeat=len(h)):  # free, exact, given up
        state = np.array(states)
        A, force = G[state == 1], cost[state == 2] @ G[state == 2]
        if len(A) > p or (len(A) and np.linalg.matrix_rank(A) < len(A)):
            continue
        kkt = np.block([[H, -A.T], [A, np.zeros((len(A), len(A)))]])
        answer = np.linalg.solve(kkt, np.concatenate([pull + force, h[state == 1]]))
        offsets, multiplier = answer[:p], answer[p:]
        short = h - G @ offsets
        fits = (
            (short[state == 0] <= 1e-9).all()
            and (short[state == 2] >= -1e-9).all()
            and (multiplier >= -1e-9).all()
            and (multiplier <= cost[state == 1] + 1e-9).all()
        )
        if fits:
            objective = problem.energy(offsets) + cost @ np.maximum(short, 0)
            if best is None or objective < best[0]:
                best = float(objective), offsets, short > 1e-9
    assert best is not None
    return best


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_what_is_given_up_is_the_cheapest_of_all_choices(seed: int) -> None:
    """Three positions, five corridors that exclude each other, each with a price of its own."""
    rng = np.random.default_rng(seed)
    rows = 5
    lower = np.where(rng.random(rows) < 0.6, rng.uniform(0.2, 1.0, rows), -np.inf)
    upper = np.where(np.isfinite(lower), np.inf, rng.uniform(0.0, 0.6, rows))
    problem = offset_problem(
        3,
        np.tile([0, 1, 2], (rows, 1)),
        rng.dirichlet([1.0, 1.0, 1.0], rows),
        lower,
        upper,
        np.array([[0, 1], [1, 2], [0, 2]]),
        edge_weight=rng.uniform(0.2, 2.0, 3),
        attraction=0.5,
        preferred=0.1,
        floor=-np.inf,
        importance=10 ** rng.uniform(-2, 1, rows),
    )
    solution = solve_offsets(problem)
    objective, offsets, given_up = cheapest(problem, solution.penalty)
    assert solution.objective == pytest.approx(objective, rel=1e-4, abs=1e-6)
    sides = np.concatenate(
        [
            solution.slack_low[np.isfinite(problem.lower)],
            solution.slack_high[np.isfinite(problem.upper)],
        ]
    )
    paid = np.concatenate(
        [problem.importance[np.isfinite(lower)], problem.importance[np.isfinite(upper)]]
    )
    # Where nothing has to be given up, nothing is.
    if not given_up.any():
        assert not solution.conflicts.any()
        assert solution.offsets == pytest.approx(offsets, abs=1e-4)
    slack = solution.penalty * (paid @ sides) + problem.energy(solution.offsets)
    assert slack == pytest.approx(solution.objective, rel=1e-9)


def test_of_two_samples_that_exclude_each_other_the_cheaper_is_given_up() -> None:
    """One position that should be above 1 and below 0: the offset goes to the dearer one."""
    for dear, expected in ((0, 1.0), (1, 0.0)):
        importance = np.where(np.arange(2) == dear, 1.0, 0.3)
        problem = offset_problem(
            1, np.zeros((2, 3)), np.tile([1.0, 0.0, 0.0], (2, 1)), np.array([1.0, -np.inf]),
            np.array([np.inf, 0.0]), np.zeros((0, 2)), attraction=1e-3, importance=importance,
        )  # fmt: skip
        solution = solve_offsets(problem)
        assert solution.offsets[0] == pytest.approx(expected, abs=1e-5)
        assert np.flatnonzero(solution.conflicts).tolist() == [1 - dear]
        lost = solution.penalty * 0.3
        assert solution.objective == pytest.approx(lost + problem.energy(solution.offsets))


def test_many_cheap_samples_outweigh_a_dear_one() -> None:
    """Slack is added up: four at 0.3 cost more than one at 1, three do not."""
    for count, expected in ((4, 1.0), (3, 0.0)):
        problem = offset_problem(
            1, np.zeros((count + 1, 3)), np.tile([1.0, 0.0, 0.0], (count + 1, 1)),
            np.array([*[1.0] * count, -np.inf]), np.array([*[np.inf] * count, 0.0]),
            np.zeros((0, 2)), attraction=1e-3, importance=np.array([*[0.3] * count, 1.0]),
        )  # fmt: skip
        assert solve_offsets(problem).offsets[0] == pytest.approx(expected, abs=1e-5)


def test_a_lone_lower_bound_is_met_exactly_and_falls_off_smoothly() -> None:
    edges = np.stack([np.arange(40), np.arange(1, 41)], axis=1)
    problem = offset_problem(
        41, [[20, 20, 20]], [[1.0, 0.0, 0.0]], np.array([1.0]), np.array([np.inf]), edges,
        attraction=0.05,
    )  # fmt: skip
    d = solve_offsets(problem).offsets
    assert d[20] == pytest.approx(1.0, abs=1e-6)
    # On a chain the free side obeys (2 + a) d_i = d_(i-1) + d_(i+1): a geometric decay, whose
    # ratio is the smaller root of r^2 - (2 + a) r + 1 (elementary recurrence).
    ratio = (2.05 - np.sqrt(2.05**2 - 4)) / 2
    assert d[18:20] / d[19:21] == pytest.approx([ratio, ratio], rel=1e-3)


def test_fixed_positions_and_bounds_are_never_broken() -> None:
    problem = grid_problem(6, 80, 3)
    fixed = np.zeros(36, bool)
    fixed[[0, 7, 20]] = True
    value = np.where(fixed, 0.77, 0.0)
    problem = replace(problem, fixed=fixed, fixed_value=value, ceiling=np.full(36, 0.6))
    solution = solve_offsets(problem)
    assert np.array_equal(solution.offsets[fixed], value[fixed])
    assert (solution.offsets[~fixed] <= 0.6).all() and (solution.offsets >= 0).all()
    assert solution.conflicts.any()


def test_everything_fixed_needs_no_solver() -> None:
    problem = grid_problem(3, 5, 1)
    problem = replace(problem, fixed=np.ones(9, bool), fixed_value=np.full(9, 0.25))
    solution = solve_offsets(problem)
    assert np.array_equal(solution.offsets, np.full(9, 0.25))
    assert solution.slack_low == pytest.approx(np.maximum(problem.lower - 0.25, 0), abs=1e-12)


def test_no_rows_gives_the_preferred_offsets() -> None:
    problem = grid_problem(4, 1, 0)
    problem = replace(problem, lower=np.array([-np.inf]), upper=np.array([np.inf]),
                      preferred=np.full(16, 0.3))  # fmt: skip
    assert solve_offsets(problem).offsets == pytest.approx(np.full(16, 0.3), abs=1e-12)


def test_components_do_not_feel_each_other() -> None:
    one = grid_problem(5, 40, 11, squeeze=0.1)
    alone = solve_offsets(one).offsets
    far = offset_problem(
        50,
        one.columns,
        one.coefficients,
        one.lower,
        one.upper,
        np.concatenate([one.edges, one.edges + 25]),
        edge_weight=np.tile(one.edge_weight, 2),
        attraction=0.02,
    )
    both = solve_offsets(far).offsets
    assert both[:25] == pytest.approx(alone, abs=1e-6)
    assert np.array_equal(both[25:], np.zeros(25))


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), scale=st.sampled_from([1e-4, 1.0, 1e6]))
def test_scale_and_numbering_do_not_matter(seed: int, scale: float) -> None:
    problem = grid_problem(5, 40, seed, squeeze=0.1)
    base = solve_offsets(problem)
    order = np.random.default_rng(seed).permutation(25)  # new number -> old number
    number = np.argsort(order).astype(np.int32)
    moved = replace(
        problem,
        columns=number[problem.columns],
        edges=number[problem.edges],
        lower=problem.lower * scale,
        upper=problem.upper * scale,
    )
    other = solve_offsets(moved)
    # Strong convexity: offsets whose objective is within `gap` of the optimum lie within
    # sqrt(2 gap / attraction) of the optimal ones.
    reach = sum(np.sqrt(2 * max(g, 0) / 0.02) for g in (base.gap, other.gap / scale**2))
    apart = np.linalg.norm(other.offsets[number] / scale - base.offsets)
    assert apart <= reach + 1e-6 * problem.size()
    assert reach < 2e-2 * problem.size()


def test_the_same_problem_gives_the_same_bytes() -> None:
    problem = grid_problem(12, 400, 5, squeeze=0.1)
    first, second = solve_offsets(problem), solve_offsets(problem)
    assert first.offsets.tobytes() == second.offsets.tobytes()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"lower": np.array([np.nan])}, "not a number"),
        ({"lower": np.array([np.inf])}, "wrong side"),
        ({"floor": np.full(4, 2.0), "ceiling": np.full(4, 1.0)}, "floor"),
        ({"attraction": np.zeros(4)}, "attraction"),
        ({"columns": np.array([[0, 1, 9]])}, "does not exist"),
    ],
)
def test_unusable_problems_are_refused_in_words(change: dict, words: str) -> None:
    problem = replace(grid_problem(2, 1, 0), **change)
    with pytest.raises(InputError, match=words):
        solve_offsets(problem)


def general_of(problem: OffsetProblem) -> InteriorResult:
    """The whole problem, in its own units, through the general solver."""
    never_broken = np.full(problem.row_count, np.inf)
    columns = np.where(problem.coefficients != 0, problem.columns, -1).astype(np.int32)
    rows = Sides(columns, problem.coefficients, problem.lower, never_broken)
    pull = problem.attraction * problem.preferred
    start = np.zeros(problem.position_count)
    return minimise_with_clarabel(problem.smoothness(), pull, rows, start)


def one_position(lower: list[float], signs: list[float]) -> OffsetProblem:
    """One position under rows ``sign * d >= lower`` that may not be broken."""
    count = len(lower)
    return offset_problem(
        1, np.zeros((count, 3)), np.outer(signs, [1.0, 0.0, 0.0]),
        np.array(lower), np.full(count, np.inf), np.zeros((0, 2)), attraction=1.0,
    )  # fmt: skip


def test_the_general_solver_says_so_where_there_is_no_answer() -> None:
    """d >= 0.5 has one; d >= 0.5 together with -d >= 0 has none."""
    there = general_of(one_position([0.5], [1.0]))
    assert there.solved and there.unknowns == pytest.approx([0.5], abs=1e-7)
    assert not general_of(one_position([0.5, 0.0], [1.0, -1.0])).solved


def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave Clarabel one iteration: it ends at its status "max iterations"."""
    real = general._settings

    def hurried(accuracy: float) -> clarabel.DefaultSettings:
        out = real(accuracy)
        out.max_iter = 1
        return out

    monkeypatch.setattr(general, "_settings", hurried)


def test_a_solver_that_gets_stuck_hands_over_to_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = grid_problem(6, 60, 4, squeeze=0.2)
    base = solve_offsets(problem)
    assert base.solver == "interior"
    assert solve_offsets(problem, solver="clarabel").solver == "clarabel"
    with monkeypatch.context() as patch:
        impatient(patch)
        other = solve_offsets(problem, solver="clarabel")
    assert other.solver == "interior" and np.array_equal(other.offsets, base.offsets)
    monkeypatch.setattr(interior, "_MAX_ITERATIONS", 1)
    other = solve_offsets(problem)
    assert other.solver == "clarabel"
    assert other.offsets == pytest.approx(base.offsets, abs=1e-4)


def test_what_no_solver_solves_is_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    impatient(monkeypatch)
    monkeypatch.setattr(interior, "_MAX_ITERATIONS", 1)
    for solver in ("interior", "clarabel"):
        with pytest.raises(UnsolvedError, match="no solver found offsets"):
            solve_offsets(grid_problem(6, 60, 4, squeeze=0.2), solver=solver)  # type: ignore[arg-type]


def test_accuracy_that_rounding_forbids_is_asked_for_once_only(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No solver gets to 1e-30: its own default holds instead, with the gap that it states."""
    monkeypatch.setattr(general, "_ACCURACIES", (1e-30, 1e-8))
    problem = grid_problem(6, 60, 4, squeeze=0.2)
    theirs = solve_offsets(problem, solver="clarabel")
    assert theirs.solver == "clarabel"
    best = solve_offsets(problem).objective
    assert best <= theirs.objective + 1e-9 * best
    assert theirs.objective <= best + theirs.gap + 1e-9 * best
    assert theirs.gap < 1e-6 * best
    monkeypatch.setattr(general, "_ACCURACIES", (1e-30,))
    assert solve_offsets(problem, solver="clarabel").solver == "interior"


@pytest.mark.parametrize("goal", [0.5, 2.0])
def test_products_that_stray_are_brought_back_to_within_a_factor_of_ten(goal: float) -> None:
    """Gondzio 1996: onto the box from a tenth to ten times the goal, and no more than
    ten goals down at a time."""
    for share, wanted in ((0.01, 0.1), (0.1, 0.1), (3.0, 3.0), (10.0, 10.0), (15.0, 10.0)):
        product = share * goal
        moved = product + interior._towards_middle(product, goal)
        assert moved == pytest.approx(wanted * goal)
    assert interior._towards_middle(100 * goal, goal) == pytest.approx(-10 * goal)


@pytest.mark.parametrize(
    ("moved", "joining"), [(0.0, [1]), (0.05, [1]), (0.2, [1, 2]), (2.0, [1, 2, 3])]
)
def test_rows_join_that_one_more_step_like_the_last_would_break(moved, joining) -> None:
    """Above 0.5, 0.3 and -0.6 at 0.4: the first is broken, the others have room of 0.1 and 1.

    A row that the start is far from, taken up first, is the only one that is in.
    """
    bound = np.array([-0.2, 0.5, 0.3, -0.6])
    sides = Sides(
        np.array([[0, -1, -1], [1, -1, -1], [1, -1, -1], [1, -1, -1]], np.int32),
        np.array([[1.0, 0.0, 0.0]] * 4),
        bound,
        np.full(4, 10.0),
    )
    quadratic = interior._prepare(csc_array(np.eye(2)), np.zeros(2), sides)
    rows = interior._Rows(quadratic, sides, np.array([0.0, 2.0]))
    assert list(rows.index) == [0]
    state = interior._start(rows.sides, np.array([0.4, 0.4]), 1.0)
    state.moved = np.full(2, moved)
    assert rows.join_broken(state, 1.0)
    assert sorted(rows.index[1:]) == joining


@pytest.mark.parametrize("solver", ["interior", "clarabel"])
def test_offsets_to_begin_from_change_the_way_and_not_the_answer(solver) -> None:
    problem = grid_problem(20, 3000, 7, squeeze=0.2)
    problem = replace(problem, ceiling=np.full(problem.position_count, 1.5))
    far = solve_offsets(problem, solver=solver)
    rng = np.random.default_rng(3)
    for near in (far.offsets, rng.uniform(-1.0, 3.0, problem.position_count)):
        again = solve_offsets(problem, near=near, solver=solver)
        assert again.solver == solver
        assert again.objective == pytest.approx(far.objective, rel=1e-9)
        assert again.offsets == pytest.approx(far.offsets, abs=1e-5)


def test_offsets_to_begin_from_are_where_the_solver_begins(monkeypatch: pytest.MonkeyPatch) -> None:
    begun, minimise = [], interior.minimise

    def watched(matrix, pull, sides, start, **more):  # type: ignore[no-untyped-def]
        begun.append(start)
        return minimise(matrix, pull, sides, start, **more)

    monkeypatch.setattr(solve, "minimise", watched)
    problem = grid_problem(12, 1000, 7, squeeze=0.2)
    near = solve_offsets(problem).offsets
    solve_offsets(problem, near=near)
    assert begun[1] * problem.size() == pytest.approx(near, abs=0.011 * problem.size())
    assert begun[0] * problem.size() != pytest.approx(near, abs=0.1 * problem.size())


def test_slack_is_how_far_rows_are_off() -> None:
    problem = grid_problem(9, 300, 5)
    problem = replace(problem, lower=np.where(np.arange(300) % 7, problem.lower, -np.inf))
    offsets = np.random.default_rng(5).uniform(-1, 2, problem.position_count)
    height = (problem.coefficients * offsets[problem.columns]).sum(axis=1)
    low, high = problem.slack(offsets)
    assert problem.heights(offsets) == pytest.approx(height, abs=1e-12)
    assert low == pytest.approx(np.maximum(problem.lower - height, 0), abs=1e-12)
    assert high == pytest.approx(np.maximum(height - problem.upper, 0), abs=1e-12)
    assert (low > 0).any() and (high > 0).any() and (low[::7] == 0).all()
