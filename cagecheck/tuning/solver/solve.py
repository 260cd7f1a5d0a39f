"""Solving an offset problem, with a bound on how far the answer can be from the optimum."""

from __future__ import annotations

import logging
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array
from scipy.sparse.csgraph import connected_components

from cagecheck.arrays.blocks import usable_cores
from cagecheck.arrays.rows import rows_by_label
from cagecheck.arrays.types import Floats
from cagecheck.loops import njit
from cagecheck.progress import Progress, silent
from cagecheck.tuning.solver.factor import Factor, upper_of
from cagecheck.tuning.solver.general import minimise_with_clarabel
from cagecheck.tuning.solver.interior import (
    InteriorResult,
    Sides,
    add_forces,
    minimise,
    row_values,
)
from cagecheck.tuning.solver.problem import OffsetProblem, OffsetSolution, UnsolvedError
from cagecheck.tuning.solver.sides import sides_of

log = logging.getLogger(__name__)

SolverName = Literal["interior", "clarabel"]

# Price of slack in units of (largest stiffness) x (problem size). A lone row needs about 10 to
# be kept; rows that squeeze a steep slope between them need the inverse of their distance in
# barycentric units, so this leaves room for slopes of one in ten thousand.
PENALTY = 1e5

# Components with about so many positions together are solved as one: a problem of its own has
# a cost of its own.
GROUP = 400
# A start this share of the way in from floor and ceiling keeps the first step free.
_INSET = 1e-2
# An offset this near to a bound, beside the problem's size, is on it: the products of the solver's
# end leave no more between them, and to move so far costs no more than the end's own accuracy.
_AT_BOUND = 1e-9
# A length this small beside the problem's size is rounding: a few units in the last place.
_ROUNDING = 1e-15


@dataclass(frozen=True, eq=False)
class _Scaled:
    """The part of a problem that needs a solver, in units where offsets and stiffness are ~1."""

    positions: NDArray[np.int64]
    matrix: csc_array
    pull: Floats
    sides: Sides
    start: Floats


def solve_offsets(
    problem: OffsetProblem,
    *,
    near: Floats | None = None,
    solver: SolverName = "interior",
    progress: Progress = silent,
) -> OffsetSolution:
    """Find the smoothest small offsets within all corridors, or with the least priced slack.

    Parameters
    ----------
    near : (P,) offsets to begin from, as those of nearly the same problem: mostly fewer
        iterations, the same answer.
    solver : ``interior`` (made for these problems) or ``clarabel`` (a general solver with rows
        added as they are violated; slower, the same answer). Where it gets stuck the other one
        takes over, and the solution names the one that solved it.

    Returns an `OffsetSolution`; rows that no offsets can keep carry slack above its `tolerance`.
    Raises `UnsolvedError` where neither solver ends at an answer.
    Time grows nearly linearly with positions and rows on surface meshes.
    """
    problem.check()
    offsets, pull, matrix, factor = _relaxed(problem)
    group = _unsettled(problem, offsets, matrix)
    count = int(group.max(initial=-1)) + 1
    of_rows = np.maximum.reduce([group[problem.columns[:, k]] for k in range(3)])
    rows = rows_by_label(of_rows, count)
    length, stiffness = problem.size(), _stiffness(problem)

    def solved(k: int) -> tuple[NDArray[np.int64], Floats, _Bound, int, SolverName]:
        mine = _with_rows(problem, rows[k])
        part = _scaled(mine, matrix, pull, offsets, group == k, near, length, stiffness)
        answer, by = _answer(part, solver, progress if count == 1 else silent)
        bounded = _within_bounds(mine, part.positions, answer.unknowns * length, offsets)
        bound = _bound(part, bounded / length, answer.multipliers)
        return part.positions, bounded, bound, answer.iterations, by

    used, iterations, gap = solver, 0, 0.0
    force = np.zeros(problem.position_count)
    with ThreadPoolExecutor(usable_cores()) as pool:
        for k, (at, bounded, bound, spent, by) in enumerate(pool.map(solved, range(count))):
            offsets[at], force[at] = bounded, bound.force
            gap, iterations = gap + bound.above, max(iterations, spent)
            used = by if by != solver else used
            if count > 1:
                progress("solving", k + 1, count)
    if factor is not None and count:
        free = ~_held(problem)
        gap += 0.5 * stiffness * float(force[free] @ factor.solve(force[free]))
    return _solution(problem, offsets, gap * stiffness * length**2, iterations, used)


def _with_rows(problem: OffsetProblem, rows: NDArray[np.int64]) -> OffsetProblem:
    """Return the same problem with some of its rows only, each at most once."""
    if len(rows) == problem.row_count:
        return problem
    return replace(
        problem,
        columns=problem.columns[rows],
        coefficients=problem.coefficients[rows],
        lower=problem.lower[rows],
        upper=problem.upper[rows],
        importance=problem.importance[rows],
    )


def _answer(
    part: _Scaled, first: SolverName, progress: Progress
) -> tuple[InteriorResult, SolverName]:
    """Solve with one solver and, where that gets stuck, with the other; say which it was."""
    given = part.matrix, part.pull, part.sides, part.start
    order: tuple[SolverName, ...] = ("interior", "clarabel")
    for solver in order if first == "interior" else order[::-1]:
        if solver == "clarabel":
            answer = minimise_with_clarabel(*given)
        else:
            answer = minimise(*given, progress=progress)
        if answer.solved:
            return answer, solver
        log.info("the solver %s got stuck after %d iterations", solver, answer.iterations)
    raise UnsolvedError


def _solution(
    problem: OffsetProblem, offsets: Floats, gap: float, iterations: int, solver: str
) -> OffsetSolution:
    low, high = problem.slack(offsets)
    price = PENALTY * _stiffness(problem) * problem.size()
    penalties = price * float(problem.importance @ (low + high))
    return OffsetSolution(
        offsets=offsets,
        slack_low=low,
        slack_high=high,
        tolerance=problem.tolerance(),
        objective=problem.energy(offsets) + penalties,
        gap=gap,
        penalty=price,
        iterations=iterations,
        solver=solver,
    )


def _stiffness(problem: OffsetProblem) -> float:
    """Return the largest diagonal entry of the smoothness matrix."""
    diagonal = problem.attraction.copy()
    for end in (0, 1):
        np.add.at(diagonal, problem.edges[:, end], problem.edge_weight)
    return float(diagonal.max(initial=1e-300))


def _held(problem: OffsetProblem) -> NDArray[np.bool_]:
    return problem.fixed | (problem.floor == problem.ceiling)


def _relaxed(problem: OffsetProblem) -> tuple[Floats, Floats, csc_array, Factor | None]:
    """Solve without rows and bounds: offsets; pull, matrix and its factor of the free ones."""
    held = _held(problem)
    offsets = np.where(held, np.where(problem.fixed, problem.fixed_value, problem.floor), 0.0)
    full = problem.smoothness()
    free = np.flatnonzero(~held)
    matrix = csc_array(full[free][:, free])
    pull = (problem.attraction * problem.preferred)[free] - (full @ offsets)[free]
    if len(free) == 0:
        return offsets, pull, matrix, None
    factor = Factor(upper_of(matrix))
    offsets[free] = factor.solve(pull)
    return offsets, pull, matrix, factor


def _unsettled(problem: OffsetProblem, offsets: Floats, matrix: csc_array) -> NDArray[np.int64]:
    """Return (P,) the group of every free position where a row or a bound still pulls, else -1.

    Components that share neither edges nor rows do not feel each other, so those whose relaxed
    offsets keep everything are finished, exactly, and the others are solved side by side. A group
    is a large component or several small ones.
    """
    held = _held(problem)
    number = np.full(problem.position_count, -1, np.int64)
    number[~held] = np.arange(int((~held).sum()))
    # Rows of one triangle follow each other and relate the same positions.
    first = np.empty(problem.row_count, np.bool_)
    _mark_first(problem.columns, first)
    triples = number[problem.columns[first]]
    pairs = np.concatenate([triples[:, [0, 1]], triples[:, [1, 2]], triples[:, [2, 0]]])
    pairs = pairs[(pairs >= 0).all(axis=1)]
    entries = matrix.tocoo()
    ends = [
        np.concatenate([entries.coords[0], pairs[:, 0]]),
        np.concatenate([entries.coords[1], pairs[:, 1]]),
    ]
    graph = coo_array((np.ones(len(ends[0]), np.int8), tuple(ends)), shape=matrix.shape).tocsr()
    count, component = connected_components(graph, directed=False)
    open_position = ~held & ((offsets < problem.floor) | (offsets > problem.ceiling))
    busy = np.zeros(count, bool)
    busy[component[number[open_position]]] = True
    low, high = problem.slack(offsets)
    broken = number[problem.columns[(low > 0) | (high > 0)]].ravel()
    busy[component[broken[broken >= 0]]] = True
    # By how many positions came before, so that it does not depend on the machine.
    size = np.where(busy, np.bincount(component, minlength=count), 0)
    before = np.cumsum(size) - size
    _, group = np.unique(before[busy] // GROUP, return_inverse=True)
    of_component = np.full(count, -1, np.int64)
    of_component[busy] = group.ravel()
    out = np.full(problem.position_count, -1, np.int64)
    out[~held] = of_component[component]
    return out


@njit(nogil=True, cache=True)
def _mark_first(columns, first):  # type: ignore[no-untyped-def]
    """Mark rows that relate other positions than the row before."""
    for row in range(len(columns)):
        first[row] = row == 0
        for k in range(3):
            first[row] |= columns[row, k] != columns[row - 1, k]


def _scaled(
    problem: OffsetProblem,
    matrix: csc_array,
    pull: Floats,
    offsets: Floats,
    todo: NDArray[np.bool_],
    near: Floats | None,
    length: float,
    stiffness: float,
) -> _Scaled:
    positions = np.flatnonzero(todo)
    among_free = np.flatnonzero(todo[~_held(problem)])
    part = csc_array(matrix[:, among_free])[among_free] / stiffness
    floor, ceiling = problem.floor[positions] / length, problem.ceiling[positions] / length
    sides = sides_of(problem, offsets, todo, length, PENALTY)
    if near is None:
        start = _raised(offsets[positions] / length, sides)
    else:
        start = near[positions] / length
    return _Scaled(
        positions=positions,
        matrix=csc_array(part),
        pull=pull[among_free] / (stiffness * length),
        sides=sides,
        start=_inside(start, floor, ceiling),
    )


def _raised(offsets: Floats, sides: Sides) -> Floats:
    """Return a start that keeps every lower bound whose coefficients add up to 1 or more."""
    lower = np.isfinite(sides.penalty) & (sides.coefficients.sum(axis=1) > 0)
    out = offsets.copy()
    for k in range(3):
        used = lower & (sides.columns[:, k] >= 0)
        np.maximum.at(out, sides.columns[used, k], sides.bound[used])
    return out


def _inside(offsets: Floats, floor: Floats, ceiling: Floats) -> Floats:
    room = np.minimum(ceiling - floor, 1.0)
    with np.errstate(invalid="ignore"):
        inset = np.where(np.isfinite(room), _INSET * room, _INSET)
    return np.clip(offsets, floor + inset, ceiling - inset)


def _within_bounds(
    problem: OffsetProblem, positions: NDArray[np.int64], offsets: Floats, elsewhere: Floats
) -> Floats:
    """Return offsets of some positions within floor and ceiling; on them where they mean to be.

    An interior solver ends just short of a bound: an offset next to one means the bound. It goes
    there unless a row would then lack more than rounding: the price of slack makes much of little.
    """
    floor, ceiling = problem.floor[positions], problem.ceiling[positions]
    within = elsewhere.copy()
    within[positions] = np.clip(offsets, floor, ceiling)
    meant, near = within.copy(), _AT_BOUND * problem.size()
    for bound in (floor, ceiling):
        here = meant[positions]
        meant[positions] = np.where(np.abs(here - bound) <= near, bound, here)
    allowed = np.maximum(*problem.slack(within)) + _ROUNDING * problem.size()
    moved = meant != within
    while True:
        lacking = np.maximum(*problem.slack(meant)) > allowed
        columns = problem.columns[lacking & moved[problem.columns].any(axis=1)]
        if len(columns) == 0:
            return meant[positions]
        meant[columns], moved[columns] = within[columns], False


@dataclass(frozen=True, eq=False)
class _Bound:
    """What multipliers tell of how far a part's answer can be from the optimum, scaled units.

    The dual bound (weak duality) is below the objective by `above` plus half of
    force . inverse matrix . force. Any multipliers in [0, penalty] give a bound; the solver's are
    good ones if it did its work.
    """

    above: float
    force: Floats


def _bound(part: _Scaled, unknowns: Floats, multipliers: Floats) -> _Bound:
    sides = part.sides
    y = np.clip(multipliers, 0.0, sides.penalty)
    force = part.pull.copy()
    add_forces(sides, y, force)
    soft = np.isfinite(sides.penalty)
    slack = np.maximum(sides.bound - row_values(sides, unknowns), 0.0)[soft]
    primal = 0.5 * unknowns @ (part.matrix @ unknowns) - part.pull @ unknowns
    primal += sides.penalty[soft] @ slack
    return _Bound(float(primal - sides.bound @ y), force)
