"""Exact answers about triangles, against rational arithmetic, libigl with CGAL and all pairs."""

from __future__ import annotations

import itertools
from fractions import Fraction

import igl.copyleft.cgal
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.meshes.box_tree import box_tree, overlapping
from cagecheck.meshes.meeting import meeting_pairs, pierced, segment_pierces, triangle_tree
from cagecheck.meshes.orientation import side


def rational_side(a, b, c, d):
    rows = [[Fraction(float(x)) - Fraction(float(y)) for x, y in zip(p, d)] for p in (a, b, c)]  # noqa: B905
    (ax, ay, az), (bx, by, bz), (cx, cy, cz) = rows
    value = ax * (by * cz - bz * cy) - ay * (bx * cz - bz * cx) + az * (bx * cy - by * cx)
    return (value > 0) - (value < 0)


def points_of(rng, count, kind):
    if kind == "whole":
        return rng.integers(-3, 4, (count, 3)).astype(float)
    if kind == "nearly flat":  # in one plane but for the last bits, far from the origin
        weights = rng.integers(0, 64, (count, 2)) / 64
        frame = rng.normal(size=(2, 3))
        return 1000.1 + weights @ frame
    if kind == "mixed sizes":
        return rng.normal(size=(count, 3)) * 10.0 ** rng.integers(-12, 12, (count, 1))
    return rng.normal(size=(count, 3))


KINDS = ("whole", "nearly flat", "mixed sizes", "random")


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from(KINDS))
def test_sides_are_those_of_rational_arithmetic(seed, kind):
    rng = np.random.default_rng(seed)
    for a, b, c, d in points_of(rng, 80, kind).reshape(20, 4, 3):
        assert side(tuple(a), tuple(b), tuple(c), tuple(d)) == rational_side(a, b, c, d)


def test_the_last_bit_decides():
    """0.1, 0.2, 0.3 and their neighbours: three collinear points but for a rounding."""
    a, b, c = (0.0, 0.0, 0.0), (1.0, 1.0, 0.0), (0.0, 0.0, 1.0)
    for x in (0.1, 1 / 3, 12345.678):
        up, down = np.nextafter(x, np.inf), np.nextafter(x, -np.inf)
        found = [side(a, b, c, (x, y, 0.3)) for y in (down, x, up)]
        assert found == [rational_side(a, b, c, (x, y, 0.3)) for y in (down, x, up)]
        assert found[1] == 0 and found[0] == -found[2] != 0


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(0, 60), st.integers(1, 60))
def test_all_boxes_that_overlap_are_found_once(seed, many, few):
    rng = np.random.default_rng(seed)
    sets = []
    for count in (max(many, 1), few):
        low = rng.integers(0, 12, (count, 3)).astype(float)
        sets.append((low, low + rng.integers(0, 4, (count, 3))))
    found = [tuple(p) for rows in overlapping(*(box_tree(*s) for s in sets)) for p in rows.tolist()]
    (a, b), (c, d) = sets
    expected = np.argwhere(np.all((a[:, None] <= d) & (c <= b[:, None]), axis=2))
    assert sorted(found) == [tuple(p) for p in expected.tolist()]


def meets_by_definition(one, other):
    """Two triangles share a point: as segments and triangles, in rational numbers.

    A linear program over barycentrics would do; in integers the corner cases are few enough to
    search: some edge of one meets the other, or a corner of one lies in the other.
    """

    def within(point, triangle):
        a, b, c = triangle
        if rational_side(a, b, c, point):
            return False
        (u, v), w = _flat(a, b, c)
        signs = [_area(p, q, point, u, v) for p, q in ((a, b), (b, c), (c, a))]
        return all(s * w >= 0 for s in signs)

    def edge(p, q, triangle):
        a, b, c = triangle
        before, after = rational_side(a, b, c, p), rational_side(a, b, c, q)
        if before == after == 0:
            if within(p, triangle) or within(q, triangle):
                return True
            (u, v), _ = _flat(a, b, c)
            return any(_cross(p, q, x, y, u, v) for x, y in ((a, b), (b, c), (c, a)))
        if before * after > 0:
            return False
        signs = [rational_side(p, q, x, y) for x, y in ((a, b), (b, c), (c, a))]
        return min(signs) >= 0 or max(signs) <= 0

    return any(
        edge(x[i], x[(i + 1) % 3], y) for x, y in ((one, other), (other, one)) for i in range(3)
    )


def _area(p, q, r, u, v):
    value = (q[u] - p[u]) * (r[v] - p[v]) - (q[v] - p[v]) * (r[u] - p[u])
    return (value > 0) - (value < 0)


def _flat(a, b, c):
    for u, v in ((0, 1), (1, 2), (2, 0)):
        turn = _area(a, b, c, u, v)
        if turn:
            return (u, v), turn
    raise AssertionError("a triangle without area")


def _cross(p, q, x, y, u, v):
    """Two segments in a plane: each reaches both sides of the other, and their boxes meet."""
    if _area(p, q, x, u, v) * _area(p, q, y, u, v) > 0:
        return False
    if _area(x, y, p, u, v) * _area(x, y, q, u, v) > 0:
        return False
    return all(
        max(p[k], q[k]) >= min(x[k], y[k]) and max(x[k], y[k]) >= min(p[k], q[k]) for k in (u, v)
    )


def whole_triangles(rng, count, flat):
    corners = rng.integers(-2, 3, (count, 3, 3)).astype(float)
    if flat:
        corners[:, :, 2] = 0
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return corners[np.abs(normal).max(axis=1) > 0]


def as_side(corners):
    triangles = np.arange(3 * len(corners)).reshape(-1, 3)
    positions = corners.reshape(-1, 3)
    return positions, triangles, triangle_tree(positions, triangles)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_triangles_on_whole_numbers_meet_as_defined(seed, flat):
    """Small whole numbers: most pairs share a plane, an edge's line or a corner."""
    rng = np.random.default_rng(seed)
    one, other = (whole_triangles(rng, 10, flat) for _ in range(2))
    found = {tuple(p) for p in meeting_pairs(as_side(one), as_side(other)).tolist()}
    expected = {
        (i, j)
        for i, j in itertools.product(range(len(one)), range(len(other)))
        if meets_by_definition(one[i].astype(int).tolist(), other[j].astype(int).tolist())
    }
    assert found == expected


@pytest.mark.parametrize("seed", range(4))
def test_meeting_pairs_are_those_of_exact_arithmetic(seed):
    """libigl's intersect_other computes with exact numbers (CGAL)."""
    rng = np.random.default_rng(seed)
    one, other = (rng.uniform(0, 1, (300, 1, 3)) + rng.normal(0, 0.05, (300, 3, 3))
                  for _ in range(2))  # fmt: skip
    a, b = as_side(one), as_side(other)
    result = igl.copyleft.cgal.intersect_other(*a[:2], *b[:2], detect_only=True)
    exact = np.asarray(result[0] if isinstance(result, tuple) else result)
    found = meeting_pairs(a, b)
    assert len(found) > 50
    assert {tuple(p) for p in found.tolist()} == {tuple(p) for p in exact.tolist()}
    assert np.array_equal(found, found[np.lexsort((found[:, 1], found[:, 0]))])


def test_triangles_without_area_meet_with_their_edges():
    plate = np.array([[[0, 0, 0], [4, 0, 0], [0, 4, 0]]], float)
    needle = np.array(
        [[[1, 1, -1], [1, 1, 1], [1, 1, 0]], [[1, 1, 1], [1, 1, 2], [1, 1, 3]]], float
    )
    assert meeting_pairs(as_side(plate), as_side(needle)).tolist() == [[0, 0]]


def test_a_segment_through_edges_and_corners_goes_through_once():
    """Through a closed ball's corners, edges and faces: in once and out once."""
    ball = trimesh.creation.icosphere(2)
    rng = np.random.default_rng(1)
    middles = ball.vertices[ball.edges_unique].mean(axis=1)
    ends = 2.0 * np.concatenate([ball.vertices, middles, rng.normal(size=(200, 3)) + 3])
    found = pierced(np.zeros_like(ends), ends, ball.vertices, ball.faces)
    assert np.array_equal(np.bincount(found.segment, minlength=len(ends)), np.ones(len(ends)))
    assert found.front.all()
    back = pierced(ends, np.zeros_like(ends), ball.vertices, ball.faces)
    assert len(back.segment) == len(ends) and not back.front.any()
    at = found.share[:, None] * ends[found.segment]
    plane = ball.vertices[ball.faces[found.triangle, 0]]
    assert (
        np.abs(np.einsum("ij,ij->i", at - plane, ball.face_normals[found.triangle])).max() < 1e-12
    )
    assert np.allclose(np.sort(1 - back.share), np.sort(found.share), atol=1e-12)


def test_what_ends_on_a_triangle_or_lies_in_it_does_not_go_through():
    plate = np.array([[0, 0, 0], [4, 0, 0], [0, 4, 0]], float)
    start = np.array([[1, 1, 0], [1, 1, 1], [0.5, 0.5, 0], [1, 1, 1], [9, 9, 1], [0, 0, 1]], float)
    end = np.array([[1, 1, 1], [1, 1, 0], [1, 2, 0], [1, 1, -3], [9, 9, -1], [0, 0, -1]], float)
    found = pierced(start, end, plate, np.array([[0, 1, 2]]))
    assert found.segment.tolist() == [3, 5] and found.share.tolist() == [0.25, 0.5]
    assert found.front.tolist() == [False, False]


def test_pieces_of_cut_segments_are_cut_once():
    """Each of two neighbours in a chain through a plane: a corner on it is on one side."""
    plate = np.repeat(np.array([[[-5, -5, 0], [5, -5, 0], [0, 5, 0]]], float), 3, axis=0)
    chain = np.array([[0, 0, 1], [0, 0, 0], [0, 0, -1], [0, 0, -2]], float)
    assert segment_pierces(chain[:-1], chain[1:], plate).sum() == 1
