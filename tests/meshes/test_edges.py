"""The edge table against plain counting, trimesh and libigl."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

import igl
import numpy as np
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.meshes.edges import (
    edge_pairs,
    edge_table,
    next_corners,
    polygon_edges,
    triangle_edges,
)
from cagecheck.meshes.mesh import mesh_from_polygons

ENDS = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), max_size=40)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(ENDS)
def test_the_table_is_that_of_plain_counting(half_edges):
    begin, end = np.array(half_edges, np.int64).reshape(-1, 2).T
    table = edge_table(begin, end)
    met = defaultdict(list)
    for h, ends in enumerate(half_edges):
        met[tuple(sorted(ends))].append(h)
    assert [tuple(e) for e in table.ends.tolist()] == sorted(met)
    spans = zip(table.start[:-1], table.start[1:], strict=True)
    lists = [table.order[a:b].tolist() for a, b in spans]
    assert lists == [met[e] for e in sorted(met)]
    assert table.uses.tolist() == [len(x) for x in lists]
    assert table.first.tolist() == [x[0] for x in lists]
    assert all(table.edge[h] == e for e, x in enumerate(lists) for h in x)
    _, left, right = table.neighbours()
    pairs = [pair for x in lists for pair in pairwise(x)]
    assert list(zip(left.tolist(), right.tolist(), strict=True)) == pairs


def test_edges_of_triangles_are_those_of_trimesh_and_libigl():
    ball = trimesh.creation.icosphere(subdivisions=3)
    faces = ball.faces[np.random.default_rng(0).random(len(ball.faces)) > 0.1]
    table = triangle_edges(faces)
    assert np.array_equal(table.ends, np.unique(igl.edges(faces.astype(np.int64)), axis=0))
    theirs = trimesh.Trimesh(ball.vertices, faces, process=False)
    ends, left, right = edge_pairs(faces.astype(np.int32))
    mine = {(*sorted((int(a) // 3, int(b) // 3)),) for a, b in zip(left, right, strict=True)}
    assert mine == {(*sorted(map(int, pair)),) for pair in theirs.face_adjacency}
    expected = {(*sorted(map(int, e)),) for e in theirs.face_adjacency_edges}
    assert {(*map(int, e),) for e in ends} == expected
    assert int((table.uses == 1).sum()) == len(faces) * 3 - 2 * len(left)


def test_corners_go_round_their_own_face():
    mesh = mesh_from_polygons(np.zeros((6, 3)), [[0, 1, 2], [], [3, 4], [5, 0, 1, 2]])
    assert next_corners(mesh).tolist() == [1, 2, 0, 4, 3, 6, 7, 8, 5]
    assert polygon_edges(mesh).tolist() == [[0, 1], [0, 2], [0, 5], [1, 2], [2, 5], [3, 4]]


def test_no_faces_have_no_edges():
    assert len(triangle_edges(np.zeros((0, 3), np.int32))) == 0
    assert all(len(x) == 0 for x in edge_pairs(np.zeros((0, 3), np.int32)))
