"""Folds: exact signs against rational sampling, the paper's tetrahedra, and cages that cross."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import mesh_from_polygons
from cagecheck.rays.cage import cage_from_offset
from cagecheck.tuning.folds import (
    cage_crossings,
    check_prisms,
    check_shell,
    tetrahedron_volumes,
)

FLAT = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]])


def sampled_jacobian(corners: np.ndarray, moved: np.ndarray, lowest: float = 0.0) -> np.ndarray:
    """J on a dense grid of one prism, (K,) values."""
    out = []
    for h in np.linspace(lowest, 1, 41):
        q = corners + h * moved
        normal = np.cross(q[1] - q[0], q[2] - q[0])
        for a in np.linspace(0, 1, 9):
            for b in np.linspace(0, 1 - a, 5):
                out.append(normal @ (a * moved[0] + b * moved[1] + (1 - a - b) * moved[2]))
    return np.array(out)


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), lean=st.floats(0.05, 2.0))
def test_the_least_value_bounds_a_dense_sampling(seed: int, lean: float) -> None:
    rng = np.random.default_rng(seed)
    corners = FLAT + 0.2 * rng.normal(size=(1, 3, 3))
    moved = np.array([0, 0, 1.0]) + lean * rng.normal(size=(1, 3, 3))
    check = check_prisms(corners, moved)
    values = sampled_jacobian(corners[0], moved[0])
    if check.valid[0]:
        assert values.min() > 0
        assert np.isinf(check.fold_height[0])
    elif values.min() > 1e-3:
        # Only a narrow fold hides between samples.
        assert abs(check.ratio[0]) < 0.2
    if values.min() < -1e-12:
        assert check.folded[0]
        assert 0 <= check.fold_height[0] <= 1


@settings(max_examples=150, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_scaling_below_the_fold_height_mends_the_prism(seed: int) -> None:
    rng = np.random.default_rng(seed)
    moved = np.array([0, 0, 1.0]) + 1.2 * rng.normal(size=(20, 3, 3))
    corners = np.repeat(FLAT, 20, axis=0)
    check = check_prisms(corners, moved)
    starts_right = check_prisms(corners, moved, 0.0, 0.0).valid
    t = np.flatnonzero(check.folded & starts_right)
    scale = check.fold_height[t, None, None]
    assert check_prisms(corners[t], moved[t] * scale * (1 - 1e-6)).valid.all()
    assert check_prisms(corners[t], moved[t] * np.minimum(scale * 1.001, 1)).folded.all()


@settings(max_examples=200, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), lean=st.floats(0.05, 1.0))
def test_the_papers_tetrahedra_imply_a_valid_prism(seed: int, lean: float) -> None:
    """Jiang et al. 2020: positive tetrahedra; here they are the Bernstein coefficients of J."""
    rng = np.random.default_rng(seed)
    moved = np.array([0, 0, 1.0]) + lean * rng.normal(size=(30, 3, 3))
    corners = np.repeat(FLAT, 30, axis=0)
    volumes = tetrahedron_volumes(corners, moved)
    check = check_prisms(corners, moved)
    by_tetrahedra = (volumes > 0).all(axis=(1, 2))
    assert check.valid[by_tetrahedra].all()
    # The Bernstein identity, at height one half: J = (b0 + 2 b1 + b2) / 4.
    for v in range(3):
        q = corners + 0.5 * moved
        normal = np.cross(q[:, 1] - q[:, 0], q[:, 2] - q[:, 0])
        value = np.einsum("ij,ij->i", normal, moved[:, v])
        assert value == pytest.approx(volumes[:, v].sum(axis=1) / 4, abs=1e-12)


def test_a_prism_that_only_tetrahedra_reject() -> None:
    # A twist: the cage triangle is turned about the axis; mixed tetrahedra turn over first.
    turn = np.radians(70)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    angle = np.radians([90, 210, 330])
    p = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)[None]
    moved = p @ spin.T + [0, 0, 3.0] - p
    assert check_prisms(p, moved).valid[0]
    assert (tetrahedron_volumes(p, moved) <= 0).any()


@pytest.mark.parametrize(("left_over", "valid"), [(0.0, False), (2.0**-40, True)])
def test_a_cage_that_nearly_closes_is_settled_by_rational_arithmetic(
    left_over: float, valid: bool
) -> None:
    # All corners go to one place but for `left_over`; every number is exact in binary. At the
    # cage J is left_over^2, far below the rounding of its terms.
    goal = np.array([0.25, 0.25, 1.0])
    moved = goal - FLAT * (1 - left_over)
    check = check_prisms(FLAT, moved)
    assert check.exact[0]
    assert check.valid[0] == valid


def test_straight_prisms_and_touching_corners_are_valid() -> None:
    straight = np.repeat(np.array([[[0, 0, 0.5]]]), 3, axis=1)
    check = check_prisms(FLAT, straight)
    assert check.valid[0] and check.ratio[0] == pytest.approx(1.0)
    one_down = straight.copy()
    one_down[0, 1] = 0
    assert check_prisms(FLAT, one_down).valid[0]
    nothing = check_prisms(FLAT, 0 * straight)
    assert nothing.valid[0] and not nothing.judged[0]
    sliver = check_prisms(FLAT * [1, 0, 0], straight)
    assert not sliver.judged[0]


def test_upside_down_displacement_is_folded_from_the_start() -> None:
    check = check_prisms(FLAT, np.repeat(np.array([[[0, 0, -0.5]]]), 3, axis=1))
    assert check.folded[0] and check.ratio[0] == pytest.approx(-1.0)


def groove(depth: float) -> tuple[np.ndarray, list[list[int]]]:
    """A V-shaped groove along y: two planes that meet at x = 0."""
    x, y = [-1.0, 0.0, 1.0], [0.0, 1.0]
    points = [[a, b, abs(a) * depth] for b in y for a in x]
    return np.array(points), [[0, 1, 4, 3], [1, 2, 5, 4]]


def test_a_groove_folds_at_the_offset_where_a_dense_evaluation_turns() -> None:
    points, faces = groove(1.0)
    low = prepare_low(mesh_from_polygons(points, faces))
    n = low.ray_normals
    # Right wall: corners bottom (x=0) and top (x=1); both rows of y alike, so J is planar.
    bottom, top = n[low.position_id[1]], n[low.position_id[2]]
    e = np.array([1.0, 0, 1.0])
    f = top - bottom

    h = np.linspace(0, 1, 2001)[:, None]

    def least(d: float) -> float:
        turn = np.cross([0, 1, 0], -(e + h * d * f)) @ (d * np.stack([bottom, top], axis=1))
        return float(turn.min())

    lo, hi = 0.1, 20.0
    for _ in range(60):
        mid = 0.5 * (lo + hi)
        lo, hi = (mid, hi) if least(mid) > 0 else (lo, mid)
    assert check_shell(low, cage_from_offset(low, lo * 0.999)).valid.all()
    assert check_shell(low, cage_from_offset(low, lo * 1.001)).folded.any()


def test_two_sheets_pushed_through_each_other_cross() -> None:
    square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    tilted = square @ np.array([[1, 0, 0.3], [0, 1, 0], [0, 0, 1.0]]) + [0, 0, 0.2]
    mesh = mesh_from_polygons(np.concatenate([square, tilted]), [[0, 1, 2, 3], [4, 5, 6, 7]])
    low = prepare_low(mesh)
    assert len(cage_crossings(low, mesh.positions).triangle) == 0
    through = mesh.positions.copy()
    through[:4, 2] += 0.35
    found = cage_crossings(low, through)
    assert len(found.triangle) > 0 and found.same_part.all()
    # The sheets meet where 0.2 + 0.3 x = 0.35.
    assert found.position[:, 0] == pytest.approx(0.5, abs=1e-6)


def test_a_closed_cage_of_a_convex_shape_does_not_cross_itself() -> None:
    cube = np.array([[x, y, z] for x in (0.0, 1) for y in (0.0, 1) for z in (0.0, 1)])
    faces = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    low = prepare_low(mesh_from_polygons(cube, faces))
    cage = cage_from_offset(low, 0.3)
    assert cage.positions is not None
    assert len(cage_crossings(low, cage.positions).triangle) == 0
    assert check_shell(low, cage).valid.all()
