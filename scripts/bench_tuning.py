"""Solvers side by side on the same offset problems: time, memory, violation, objective.

    python scripts/bench_tuning.py --sizes 2500 22500 90000 200704 --solvers interior clarabel

Each run is a process of its own, so that memory is that solver's alone. OSQP and HiGHS are not
dependencies; they are skipped when they are not installed, and cut off after --limit seconds.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time

import numpy as np
from scipy.sparse import block_diag, coo_array, csc_array, eye_array, hstack, vstack

from cagecheck.tuning.solver.problem import OffsetProblem, offset_problem
from cagecheck.tuning.solver.solve import PENALTY, _stiffness, solve_offsets

SOLVERS = ("interior", "clarabel", "osqp", "highs")


def relief_problem(positions: int, per_triangle: int = 5, seed: int = 0) -> OffsetProblem:
    """Corridors over a torus of quads: rough relief below, a second layer above a third of it.

    Of the rows with a layer above, one in 500 is made impossible.
    """
    n = round(positions**0.5)
    rng = np.random.default_rng(seed)
    i, j = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    corner = [
        ((i + di) % n * n + (j + dj) % n).ravel() for di, dj in ((0, 0), (1, 0), (1, 1), (0, 1))
    ]
    triangles = np.concatenate(
        [
            np.stack([corner[0], corner[1], corner[2]], 1),
            np.stack([corner[0], corner[2], corner[3]], 1),
        ]
    )
    count = len(triangles) * per_triangle
    owner = np.repeat(np.arange(len(triangles)), per_triangle)
    weight = rng.dirichlet([1.0, 1.0, 1.0], count)
    place = np.stack([(i / n).ravel(), (j / n).ravel()], 1)[triangles]
    place = place[:, :1] + (place - place[:, :1] + 0.5) % 1 - 0.5
    point = np.einsum("ij,ijk->ik", weight, place[owner])
    height = np.zeros(count)
    for _ in range(60):
        wave = rng.integers(-40, 41, 2)
        height += np.cos(2 * np.pi * (point @ wave) + rng.uniform(0, 6.28)) / np.sqrt(
            1 + wave @ wave
        )
    height *= 0.02
    under = np.sin(6 * np.pi * point[:, 0]) * np.sin(4 * np.pi * point[:, 1]) > 0.2
    lower = np.where(height > 0, height + 0.001, -np.inf)
    upper = np.where(under, np.maximum(height, 0) + 0.02 + rng.exponential(0.015, count), np.inf)
    broken = under & (height > 0) & (rng.random(count) < 0.002)
    upper[broken] = lower[broken] - 0.01
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    edges = np.unique(np.sort(edges, axis=1), axis=0)
    return offset_problem(n * n, triangles[owner], weight, lower, upper, edges, attraction=0.01)


def dense_form(problem: OffsetProblem) -> tuple[csc_array, np.ndarray, csc_array, np.ndarray, int]:
    """Return P, q, A, b of ``min x.P.x/2 + q.x, A x <= b`` with slack, in scaled units."""
    size, stiff = problem.size(), _stiffness(problem)
    p = problem.position_count
    low, high = (
        np.flatnonzero(np.isfinite(problem.lower)),
        np.flatnonzero(np.isfinite(problem.upper)),
    )
    rows = np.concatenate([low, high])
    sign = np.concatenate([-np.ones(len(low)), np.ones(len(high))])
    bound = np.concatenate([-problem.lower[low], problem.upper[high]]) / size
    at = np.repeat(np.arange(len(rows)), 3)
    mix = coo_array(
        ((sign[:, None] * problem.coefficients[rows]).ravel(), (at, problem.columns[rows].ravel())),
        shape=(len(rows), p),
    )
    m = len(rows)
    quadratic = block_diag([problem.smoothness() / stiff, csc_array((m, m))], format="csc")
    linear = np.concatenate([np.zeros(p), PENALTY * problem.importance[rows]])
    A = vstack([hstack([mix, -eye_array(m)]), -eye_array(p + m)], format="csc")
    # One of the solvers takes 32-bit indices only.
    for matrix in (quadratic, A):
        matrix.indices, matrix.indptr = matrix.indices.astype("i4"), matrix.indptr.astype("i4")
    return quadratic, linear, A, np.concatenate([bound, np.zeros(p + m)]), p


def with_osqp(problem: OffsetProblem, limit: float) -> np.ndarray:
    import osqp

    P, q, A, b, p = dense_form(problem)
    solver = osqp.OSQP()
    solver.setup(
        P, q, A, np.full(len(b), -np.inf), b, verbose=False, eps_abs=1e-6, eps_rel=1e-6,
        max_iter=10_000_000, time_limit=limit,
    )  # fmt: skip
    answer = solver.solve()
    if "solved" not in answer.info.status:
        raise TimeoutError(answer.info.status)
    return answer.x[:p] * problem.size()


def with_highs(problem: OffsetProblem, limit: float) -> np.ndarray:
    import highspy

    P, q, A, b, p = dense_form(problem)
    from scipy.sparse import tril

    lower = csc_array(tril(P))
    model = highspy.HighsModel()
    model.lp_.num_col_, model.lp_.num_row_ = len(q), len(b)
    model.lp_.col_cost_ = q
    model.lp_.col_lower_ = np.full(len(q), -highspy.kHighsInf)
    model.lp_.col_upper_ = np.full(len(q), highspy.kHighsInf)
    model.lp_.row_lower_, model.lp_.row_upper_ = np.full(len(b), -highspy.kHighsInf), b
    model.lp_.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    model.lp_.a_matrix_.start_, model.lp_.a_matrix_.index_ = A.indptr, A.indices
    model.lp_.a_matrix_.value_ = A.data
    model.hessian_.dim_ = len(q)
    model.hessian_.format_ = highspy.HessianFormat.kTriangular
    model.hessian_.start_, model.hessian_.index_ = lower.indptr, lower.indices
    model.hessian_.value_ = lower.data
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    highs.setOptionValue("time_limit", limit)
    highs.passModel(model)
    highs.run()
    if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        raise TimeoutError(str(highs.getModelStatus()))
    return np.array(highs.getSolution().col_value)[:p] * problem.size()


def run_one(solver: str, positions: int, limit: float) -> dict[str, object]:
    problem = relief_problem(positions)
    begin = time.perf_counter()
    try:
        if solver in ("interior", "clarabel"):
            solution = solve_offsets(problem, solver=solver)  # type: ignore[arg-type]
            offsets, iterations, gap = solution.offsets, solution.iterations, solution.gap
        else:
            offsets = {"osqp": with_osqp, "highs": with_highs}[solver](problem, limit)
            iterations, gap = None, None
    except (TimeoutError, ImportError) as reason:
        return {"solver": solver, "positions": positions, "rows": problem.row_count,
                "seconds": None, "why": f"{type(reason).__name__}: {reason}"}  # fmt: skip
    seconds = time.perf_counter() - begin
    used = resource.getrusage(resource.RUSAGE_SELF)
    slack = np.maximum(*problem.slack(offsets))
    possible = problem.lower <= problem.upper
    energy = problem.energy(offsets)
    price = PENALTY * _stiffness(problem) * problem.size()
    return {
        "solver": solver,
        "positions": problem.position_count,
        "rows": problem.row_count,
        "seconds": round(seconds, 2),
        "processor_seconds": round(used.ru_utime + used.ru_stime, 1),
        "megabytes": used.ru_maxrss // 1024,
        "iterations": iterations,
        "energy": energy,
        "objective": energy + price * float(slack.sum()),
        "gap": gap,
        "impossible_rows": int((~possible).sum()),
        "rows_with_slack": int((slack > problem.tolerance()).sum()),
        "largest_violation_of_kept_rows": float(slack[slack <= problem.tolerance()].max(initial=0)),
        "lowest_offset": float(offsets.min()),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=[2500, 22500, 90000, 200704])
    parser.add_argument("--solvers", nargs="+", choices=SOLVERS, default=["interior", "clarabel"])
    parser.add_argument("--limit", type=float, default=240.0, help="seconds per run")
    parser.add_argument("--one", nargs=2, metavar=("SOLVER", "SIZE"), help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one:
        print(json.dumps(run_one(chosen.one[0], int(chosen.one[1]), chosen.limit)))
        return
    for size in chosen.sizes:
        for solver in chosen.solvers:
            line = [
                sys.executable,
                __file__,
                "--one",
                solver,
                str(size),
                "--limit",
                str(chosen.limit),
            ]
            try:
                done = subprocess.run(
                    line, capture_output=True, text=True, timeout=chosen.limit + 60
                )
                print(done.stdout.strip() or done.stderr[-400:], flush=True)
            except subprocess.TimeoutExpired:
                print(
                    json.dumps(
                        {
                            "solver": solver,
                            "positions": size,
                            "seconds": None,
                            "why": f"no answer within {chosen.limit + 60:g} s",
                        }
                    ),
                    flush=True,
                )


if __name__ == "__main__":
    main()
