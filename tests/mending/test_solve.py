"""The least displacement against SciPy's general solver (SLSQP) on problems small enough for it."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.sparse import csc_array

from cagecheck.mending.solve import Rows, Stiffness, least_move

PLACES, ROWS, KEPT = 9, 14, 1e-3


@pytest.mark.parametrize("seed", range(4))
def test_moves_cost_no_more_than_the_least(seed):
    generator = np.random.default_rng(seed)
    chain = 2 * np.eye(PLACES) - np.eye(PLACES, k=1) - np.eye(PLACES, k=-1)
    energy = 0.1 * np.eye(PLACES) + chain @ chain
    free = np.ones(PLACES, bool)
    free[0] = False
    corner = generator.integers(1, PLACES, (ROWS, 3))
    share = generator.dirichlet([1, 1, 1], ROWS)
    out = generator.normal(size=(ROWS, 3)) + [0, 0, 2]
    out /= np.linalg.norm(out, axis=1)[:, None]
    rows = Rows(corner, share, out, generator.uniform(-0.2, 1, ROWS))
    pull = generator.normal(size=(PLACES, 3)) * (seed % 2)
    solution = least_move(Stiffness(csc_array(energy), free), rows, KEPT, pull)

    def moved(flat):
        return np.concatenate([np.zeros((1, 3)), flat.reshape(-1, 3)])

    def cost(flat):
        u = moved(flat)
        return 0.5 * np.sum(u * (energy @ u)) - np.sum(pull * u)

    def room(flat):
        at = np.einsum("ij,ijk->ik", share, moved(flat)[corner])
        return np.einsum("ij,ij->i", at, out) - rows.need

    least = minimize(cost, np.zeros(3 * PLACES - 3), method="SLSQP", options={"maxiter": 500},
                     constraints={"type": "ineq", "fun": room})  # fmt: skip
    assert least.success
    found = solution.move[1:].ravel()
    assert (solution.move[0] == 0).all() and (solution.force >= 0).all()
    assert room(found).min() >= -5 * KEPT
    scale = abs(least.fun) + abs(cost(least.x * 0.5))
    assert cost(found) == pytest.approx(least.fun, abs=0.01 * scale)
