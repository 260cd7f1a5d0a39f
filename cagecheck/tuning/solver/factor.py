"""Factors of symmetric positive definite matrices: the order once, the numbers as often as needed.

QDLDL (Stellato, Banjac, Goulart, Bemporad, Boyd, "OSQP: an operator splitting solver for quadratic
programs", Mathematical Programming Computation 12, 2020) keeps the order and the pattern of the
factor. Refactoring takes a quarter of the time of SuperLU with the same order, and half its memory.
"""

from __future__ import annotations

import numpy as np
import qdldl
from scipy.sparse import csc_array, csc_matrix, triu

from cagecheck.arrays.types import Floats
from cagecheck.loops import njit

# A solution leaves this much of its right side at most, beside the products that make it up. A
# factor leaves less than a millionth of that; what a factor that broke off leaves is far above.
_MOST_LEFT = 1e-6


class Factor:
    """The factor of a matrix, given by its upper triangle, and of others of the same pattern.

    Raises `RuntimeError` where the first matrix has no factor; for a later one `solves` tells.
    """

    def __init__(self, upper: csc_array) -> None:
        # What QDLDL takes without a copy.
        self._upper = csc_matrix((upper.data, upper.indices, upper.indptr), shape=upper.shape)
        self._solver = qdldl.Solver(self._upper, upper=True)

    def again(self, data: Floats) -> None:
        """Factor the matrix of the same pattern whose upper triangle holds `data`."""
        self._upper.data = data
        self._solver.update(self._upper, upper=True)

    def solve(self, right: Floats) -> Floats:
        """Return the unknowns for one right side."""
        out: Floats = self._solver.solve(right)
        return out

    def solves(self, right: Floats, unknowns: Floats) -> bool:
        """Tell whether unknowns that `solve` gave are what they should be.

        The library says nothing where a pivot of a later matrix is zero.
        """
        upper, left, most = self._upper, -right, np.abs(right)
        _add_products(upper.indptr, upper.indices, upper.data, unknowns, left, most)
        return bool((np.abs(left) <= _MOST_LEFT * most).all())


@njit(nogil=True, cache=True)
def _add_products(begins, rows, data, unknowns, sums, sizes):  # type: ignore[no-untyped-def]
    """Add a symmetric matrix, given by its upper triangle, times unknowns; and what adds up."""
    for j in range(len(unknowns)):
        for at in range(begins[j], begins[j + 1]):
            i = rows[at]
            product = data[at] * unknowns[j]
            sums[i] += product
            sizes[i] += abs(product)
            if i != j:
                product = data[at] * unknowns[i]
                sums[j] += product
                sizes[j] += abs(product)


def upper_of(matrix: csc_array) -> csc_array:
    """Return the upper triangle of a symmetric matrix, its rows sorted."""
    out = csc_array(triu(matrix, format="csc"))
    out.sort_indices()
    return out
