"""Counts of edges, borders, shells and copies on random polygons, against plain counting."""

from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.cluster.hierarchy import DisjointSet

from cagecheck.inspecting import inspect_pair
from cagecheck.inspecting.edges import polygon_edges
from cagecheck.inspecting.polygons import polygon_findings
from cagecheck.inspecting.topology import topology_findings
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh, Surface
from tests.scenes import shapes

# No three on a line, no four in a plane: the moment curve (t, t^2, t^3), a standard example.
CURVE = np.array([[t, t**2, t**3] for t in np.linspace(0.5, 3.0, 9)])


@st.composite
def polygons(draw):
    """Up to a dozen polygons of up to five corners over nine places, in up to three parts."""
    corner = st.lists(st.integers(0, 8), min_size=3, max_size=5, unique=True)
    faces = draw(st.lists(corner, min_size=1, max_size=12))
    parts = draw(st.lists(st.integers(0, 2), min_size=len(faces), max_size=len(faces)))
    return faces, parts


def as_mesh(faces, parts, split):
    """A mesh of those faces; split: every corner has a vertex of its own, as some formats do."""
    corners = np.array([v for face in faces for v in face], np.int32)
    start = np.concatenate([[0], np.cumsum([len(face) for face in faces])]).astype(np.int64)
    positions = CURVE[corners] if split else CURVE
    vertex = np.arange(len(corners), dtype=np.int32) if split else corners
    return Mesh(positions, start, vertex, np.array(parts, np.int32), ("a", "b", "c"))


def ring(face):
    """The corners in their order, whichever comes first."""
    k = list(face).index(min(face))
    return (*face[k:], *face[:k])


def is_card(faces, uses):
    """Two faces and the backs of both, and nothing else, along one edge."""
    rings = {ring(faces[f]) for f, _ in uses}
    sides = {min(r, ring(r[::-1])) for r in rings}
    return len(uses) == len(rings) == 4 and len(sides) == 2


def counted(faces, parts):
    """What there is to find, by part: edges with their half-edges, faces by their places.

    A face with the places of an earlier one of its part, in the same order, takes no part.
    """
    edges, rings, met = defaultdict(list), Counter(map(ring, faces)), set()
    for f, (face, part) in enumerate(zip(faces, parts, strict=True)):
        if (part, ring(face)) in met:
            continue
        met.add((part, ring(face)))
        for a, b in zip(face, face[1:] + face[:1], strict=True):
            edges[part, min(a, b), max(a, b)].append((f, a < b))
    joined, rims = DisjointSet(range(len(faces))), DisjointSet([])
    for (part, a, b), uses in edges.items():
        for f, _ in uses[1:]:
            joined.merge(uses[0][0], f)
        if len(uses) == 1:
            for end in (a, b):
                rims.add((part, end))
            rims.merge((part, a), (part, b))
    return {
        "non-manifold-edges": sum(
            len(uses) > 2 and not is_card(faces, uses) for uses in edges.values()
        ),
        "inconsistent-winding": sum(
            len(uses) == 2 and uses[0][1] == uses[1][1] for uses in edges.values()
        ),
        "open-borders": rims.n_subsets,
        "duplicate-faces": sum(n - 1 for n in rings.values()),
        "double-sided-faces": sum(ring(r[::-1]) in rings for r in rings) // 2,
    }, joined.subsets()


def has_own_sheets(low):
    """The weld keeps the two sides of a sheet apart, which plain counting does not."""
    places = np.unique(low.positions, axis=0, return_inverse=True)[1].ravel()
    return low.position_id.max() + 1 != len(np.unique(places))


@settings(max_examples=300, deadline=None, derandomize=True)
@given(shape=polygons(), split=st.booleans())
def test_random_polygons_like_plain_counting(shape, split):
    faces, parts = shape
    low = prepare_low(as_mesh(faces, parts, split))
    edges = polygon_edges(low)
    found = {f.check.code: f for f in topology_findings(low, edges)}
    expected, shells = counted(faces, parts)
    for code in ("duplicate-faces", "double-sided-faces"):
        assert (found[code].count if code in found else 0) == expected[code]
    assert "zero-area-faces" not in found and "cracks" not in found
    if has_own_sheets(low):
        return
    for code, count in expected.items():
        assert (found[code].count if code in found else 0) == count, code
        if count:
            assert sum(found[code].by_part.values()) == count
    mine = defaultdict(set)
    for face, shell in enumerate(edges.shell.tolist()):
        mine[shell].add(face)
    assert sorted(map(sorted, mine.values())) == sorted(map(sorted, shells))
    assert edges.shell_count == len(shells)


def test_a_bow_tie_has_area_though_its_halves_cancel():
    """By Newell's sum the quad (0,0) (1,1) (1,0) (0,1) has none; it is crossed, not collapsed."""
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    low = prepare_low(
        Mesh(
            square,
            np.array([0, 4]),
            np.array([0, 2, 1, 3], np.int32),
            np.zeros(1, np.int32),
            ("a",),
        )
    )
    codes = [f.check.code for f in topology_findings(low, polygon_edges(low))]
    assert "zero-area-faces" not in codes
    assert [f.check.code for f in polygon_findings(low)] == ["folded-quads"]


def everything_wrong():
    """An inverted box, a box in a box facing in, crossing boxes, a bowl facing in, bent quads."""
    bowl = trimesh.creation.icosphere(subdivisions=2)
    inwards = bowl.faces[bowl.triangles_center[:, 2] < 0.5][:, ::-1]
    low_corners, quads = shapes.box((0, 0, 0), (1, 1, 1))
    bent, bent_quads = shapes.grid(2, 1.0, lambda x, y: 0.2 * x * y)
    pieces = [
        (low_corners, quads[:, ::-1]),
        (low_corners + [3, 0, 0], quads),
        (0.5 * low_corners + [3.25, 0.25, 0.25], quads[:, ::-1]),
        (low_corners + [6, 0, 0], quads),
        (low_corners + [6.5, 0.3, 0.4], quads),
        (bent + [9, 0, 0], bent_quads),
    ]
    positions, faces = shapes.combined(*pieces)
    # The hollow's inner box is of one part with the outer.
    part = [(0, 1, 1, 2, 3, 4)[k] for k, (_, q) in enumerate(pieces) for _ in q]
    part += [5] * len(inwards)
    faces = [*faces, *(inwards + len(positions))]
    return np.concatenate([positions, bowl.vertices + [0, 4, 0]]), faces, part


def inspected(positions, faces, part):
    names = tuple("abcdef")
    mesh = Mesh(
        positions,
        np.concatenate([[0], np.cumsum([len(f) for f in faces])]).astype(np.int64),
        np.concatenate(faces).astype(np.int32),
        np.array(part, np.int32),
        names,
    )
    low = prepare_low(mesh)
    high = Surface(positions, low.triangles, low.triangle_part, names)
    findings = inspect_pair(low, high, np.eye(len(names), dtype=bool)).findings
    return [(f.check.code, f.side, f.count, f.by_part) for f in findings]


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    log_scale=st.floats(-4, 5), log_shift=st.floats(-1, 4), turned=st.booleans(),
    seed=st.integers(0, 99),
)  # fmt: skip
def test_findings_do_not_depend_on_size_place_or_turn(log_scale, log_shift, turned, seed):
    positions, faces, part = everything_wrong()
    plain = inspected(positions, faces, part)
    codes = {code for code, *_ in plain}
    assert codes >= {"inverted-shell", "hollow-shell", "crossing-parts"}
    assert codes >= {"non-flat-quads", "high-inverted"}
    # The open bowl faces inward in the high poly as well, so it is meant.
    assert "inward-shell" not in codes
    rng = np.random.default_rng(seed)
    turn = np.eye(3)
    if turned:
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    moved = 10**log_scale * (positions @ turn.T + 10**log_shift * rng.uniform(-1, 1, 3))
    assert inspected(moved, faces, part) == plain
