"""The least value of a quadratic over the shell's height, and folds in closed form."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.defects.fold import fold_ratio, least_quadratic, may_fold, shell_of
from cagecheck.rays import cage_from_mesh, cage_from_offset
from cagecheck.rays.points import sample_points
from tests.scenes.shapes import plane_low

COEFFICIENT = st.floats(-10, 10).filter(lambda x: x == 0 or abs(x) > 1e-6)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(COEFFICIENT, COEFFICIENT, COEFFICIENT)
def test_least_value_against_the_polynomial_class(c0, c1, c2):
    """The least of both ends and of the real roots of the derivative, by numpy.polynomial."""
    polynomial = np.polynomial.Polynomial([c0, c1, c2])
    turning = [r.real for r in polynomial.deriv().roots() if abs(r.imag) < 1e-12 and 0 < r.real < 1]
    expected = min(polynomial(h) for h in (0.0, 1.0, *turning))
    found = least_quadratic(float(c0), float(c1), float(c2))
    assert np.isclose(found, expected, rtol=1e-9, atol=1e-9)


def test_a_cage_turned_about_its_middle_folds_at_half_its_height():
    """A square's cage, turned by the angle a about the normal and lifted by one.

    At height h its corners are those of the square times (1 - h) I + h R(a), so the Jacobian is
    the determinant 1 - 2 h (1 - h) (1 - cos a): least at h = 1/2, where it is (1 + cos a) / 2.
    For half a turn that is zero: the shell is pinched, like a wrung cloth.
    """
    low = plane_low(1)
    points = sample_points(low, 0.2, edges=False)
    for degrees in (0, 60, 90, 150):
        a = np.radians(degrees)
        turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
        cage = cage_from_mesh(low, low.mesh.with_positions(low.positions @ turn.T + [0, 0, 1]))
        moved = np.einsum("ij,ijk->ik", points.barycentric, cage.displacement[points.triangle])
        expected = (1 + np.cos(a)) / 2 / np.linalg.norm(moved, axis=1)
        assert np.allclose(fold_ratio(low, cage, points), expected)


def test_a_cage_that_touches_has_no_fold():
    low = plane_low(2)
    points = sample_points(low, 0.2)
    assert np.isnan(fold_ratio(low, cage_from_offset(low, 0.0), points)).all()
    assert np.allclose(fold_ratio(low, cage_from_offset(low, 3.0), points), 1.0)


def test_triangles_set_aside_have_no_folded_place():
    low = plane_low(12)
    rng = np.random.default_rng(8)
    moved = low.positions + [0, 0, 0.1] + rng.normal(size=low.positions.shape) * 0.04
    cage = cage_from_mesh(low, low.mesh.with_positions(moved))
    points = sample_points(low, 0.004)
    folded = np.zeros(len(low.triangles), bool)
    folded[points.triangle[fold_ratio(low, cage, points) < 0]] = True
    may = may_fold(shell_of(low, cage), cage)
    assert 0 < np.count_nonzero(folded) < len(folded) and not (folded & ~may).any()
    # Hardly any is asked about for nothing: corners that fold have folded places around them.
    assert np.count_nonzero(may & ~folded) < 0.1 * np.count_nonzero(folded)
    assert may_fold(shell_of(low, cage_from_offset(low, 0.0)), cage_from_offset(low, 0.0)).all()
