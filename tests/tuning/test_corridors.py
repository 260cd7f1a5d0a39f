"""Corridors and the problem made of them, each function against closed forms and plain loops."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from cagecheck.defects.match import Matched
from cagecheck.defects.targets import Targets
from cagecheck.errors import InputError
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, mesh_from_polygons
from cagecheck.rays.cage import cage_from_push, rays_through
from cagecheck.rays.layers import NO_LAYER, Layers
from cagecheck.rays.points import SurfacePoints, sample_points
from cagecheck.rays.scene import Scene
from cagecheck.tuning.corridors import (
    BAKER_ROUNDINGS,
    FADE_SHARE,
    FOLD_IMPORTANCE,
    LEAST_COTANGENT,
    MOST_COTANGENT,
    STEEP_IMPORTANCE,
    Corridors,
    Graph,
    Limits,
    automatic_margin,
    build_problem,
    corridors_of,
    join_corridors,
    low_graph,
)
from cagecheck.tuning.solver.problem import (
    RELATIVE_TOLERANCE,
    OffsetProblem,
    OffsetSolution,
    offset_problem,
)
from tests.scenes.tuning import bumpy_pair, sheet

INF = np.inf


def triangle(*corners: tuple[float, float, float]) -> LowPoly:
    return prepare_low(mesh_from_polygons(np.array(corners, float), [[0, 1, 2]]))


def weights(low: LowPoly) -> dict[tuple[int, int], float]:
    graph = low_graph(low)
    return {(int(a), int(b)): w for (a, b), w in zip(graph.edges, graph.weight, strict=True)}


# The margin.


def scene_of(positions: np.ndarray) -> Scene:
    return Scene(Surface(positions, np.array([[0, 1, 2]], np.int32), np.zeros(1, np.int32), ("a",)))


def test_margin_is_so_many_roundings_of_the_largest_coordinate_of_either_mesh() -> None:
    low = triangle((0, 0, 0), (1, 0, 0), (0, 1, 0))
    flat = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], float)
    eps = 2.0**-23  # of float32: IEEE 754
    assert automatic_margin(low, scene_of(flat)) == pytest.approx(BAKER_ROUNDINGS * eps)
    # One mesh far out is enough, on either side of 0.
    assert automatic_margin(low, scene_of(flat - 500)) == pytest.approx(BAKER_ROUNDINGS * eps * 500)
    far = triangle((-500, 0, 0), (-499, 0, 0), (-500, 1, 0))
    assert automatic_margin(far, scene_of(flat)) == pytest.approx(BAKER_ROUNDINGS * eps * 500)
    # In a small scene it is as much smaller.
    small = triangle((0, 0, 0), (0.01, 0, 0), (0, 0.01, 0))
    assert automatic_margin(small, scene_of(0.01 * flat)) == pytest.approx(
        0.01 * BAKER_ROUNDINGS * eps
    )
    # Stray vertices that no triangle uses are no part of the low poly.
    stray = replace(low.mesh, positions=np.vstack([low.positions, [[1e6, 0, 0]]]))
    assert automatic_margin(prepare_low(stray), scene_of(flat)) == pytest.approx(
        BAKER_ROUNDINGS * eps
    )


def test_margin_covers_six_decimals_of_a_text_file() -> None:
    low = triangle((0, 0, 0), (1, 0, 0), (0, 1, 0))
    # Half a unit of the last place on either mesh.
    assert automatic_margin(low, scene_of(low.positions)) > 2 * 0.5e-6


# The graph.


def test_two_equilateral_triangles_have_cotangents_of_sixty_degrees() -> None:
    h = np.sqrt(0.75)
    points = np.array([[0, 0, 0], [1, 0, 0], [0.5, h, 0], [1.5, h, 0]])
    low = prepare_low(mesh_from_polygons(points, [[0, 1, 2], [1, 3, 2]]))
    side = 0.5 / np.sqrt(3)  # half of cot 60
    assert weights(low) == pytest.approx(
        {(0, 1): side, (0, 2): side, (1, 2): 2 * side, (1, 3): side, (2, 3): side}
    )


def test_the_edge_is_weighted_by_the_angle_that_faces_it() -> None:
    """A triangle of 30, 60 and 90 degrees: all three cotangents differ."""
    low = triangle((0, 0, 0), (np.sqrt(3), 0, 0), (0, 1, 0))
    # 90 at corner 0, 30 at 1, 60 at 2; cot 90 = 0 is kept above the least.
    assert weights(low) == pytest.approx(
        {(1, 2): LEAST_COTANGENT, (0, 2): 0.5 * np.sqrt(3), (0, 1): 0.5 / np.sqrt(3)}
    )


def dirichlet(low: LowPoly, value: np.ndarray) -> float:
    """The energy of the piecewise linear function with these corner values, from its gradients."""
    total = 0.0
    for t in range(len(low.triangles)):
        p, f = low.positions[low.triangles[t]], value[low.welded[t]]
        edges = np.stack([p[1] - p[0], p[2] - p[0]])
        gradient = np.linalg.lstsq(edges, np.array([f[1] - f[0], f[2] - f[0]]), rcond=None)[0]
        total += 0.5 * float(gradient @ gradient) * float(low.area[t])
    return total


@pytest.mark.parametrize("scale", [1.0, 250.0])
def test_the_weights_measure_the_dirichlet_energy(scale: float) -> None:
    """Pinkall and Polthier 1993: 1/4 sum (cot a + cot b) (f_i - f_j)^2 is the Dirichlet energy."""
    rng = np.random.default_rng(3)
    x, y = np.meshgrid(np.arange(5.0), np.arange(4.0) * np.sqrt(0.75))
    x += 0.5 * (np.arange(4) % 2)[:, None]
    points = np.stack([x, y, 0.1 * x * y], axis=-1).reshape(-1, 3)
    points += rng.uniform(-0.07, 0.07, points.shape)
    faces = []
    for j in range(3):
        for i in range(4):
            a, b = 5 * j + i, 5 * (j + 1) + i
            faces += (
                [[a, a + 1, b + 1], [a, b + 1, b]] if j % 2 else [[a, a + 1, b], [a + 1, b + 1, b]]
            )
    low = prepare_low(mesh_from_polygons(scale * points, faces))
    graph = low_graph(low)
    # No cotangent was cut off: the sum is the energy itself.
    assert (graph.weight > LEAST_COTANGENT).all() and (graph.weight < MOST_COTANGENT).all()
    value = rng.normal(size=low.position_count)
    a, b = graph.edges.T
    energy = 0.5 * float(graph.weight @ (value[a] - value[b]) ** 2)
    assert energy == pytest.approx(dirichlet(low, value), rel=1e-9)


def test_edges_are_those_of_the_triangles_once_with_their_lengths() -> None:
    low, _ = bumpy_pair(1, count=3, fine=4)
    place = np.zeros((low.position_count, 3))
    place[low.position_id] = low.positions
    wanted = {tuple(sorted((int(t[k]), int(t[(k + 1) % 3])))) for t in low.welded for k in range(3)}
    graph = low_graph(low)
    assert graph.edges.dtype == np.int32
    assert [tuple(e) for e in graph.edges.tolist()] == sorted(wanted)
    for (a, b), length in zip(graph.edges, graph.length, strict=True):
        assert length == pytest.approx(np.linalg.norm(place[a] - place[b]))


def split_at_seam(mesh: Mesh) -> Mesh:
    """Every face with vertices of its own, at the same places."""
    return mesh_from_polygons(
        mesh.positions[mesh.corner_vertex], np.arange(len(mesh.corner_vertex)).reshape(-1, 4)
    )


def test_vertices_that_a_seam_splits_are_one_position_of_the_graph() -> None:
    whole = prepare_low(sheet(3, lambda x, y: 0.2 * x * y))
    split = prepare_low(split_at_seam(whole.mesh))
    assert split.mesh.vertex_count > whole.mesh.vertex_count

    def by_place(low: LowPoly) -> dict[tuple[float, ...], tuple[float, float]]:
        graph = low_graph(low)
        place = np.zeros((low.position_count, 3))
        place[low.position_id] = low.positions
        return {
            tuple(np.round(0.5 * (place[a] + place[b]), 9)): (w, length)
            for (a, b), w, length in zip(graph.edges, graph.weight, graph.length, strict=True)
        }

    mine, theirs = by_place(split), by_place(whole)
    assert mine.keys() == theirs.keys()
    for key, pair in mine.items():
        assert pair == pytest.approx(theirs[key])
    assert np.sort(low_graph(split).attraction) == pytest.approx(
        np.sort(low_graph(whole).attraction)
    )


def test_slivers_neither_tie_nor_let_go() -> None:
    sharp = weights(triangle((0, 0, 0), (1, 0, 0), (1, 1e-4, 0)))
    assert sharp[1, 2] == MOST_COTANGENT  # faces an angle of 1e-4
    flat = weights(triangle((0, 0, 0), (1, 0, 0), (0.5, 1e-4, 0)))
    assert flat[0, 1] == LEAST_COTANGENT  # faces nearly 180 degrees
    # The other two face 2e-4 each.
    assert flat[0, 2] == flat[1, 2] == MOST_COTANGENT


def test_a_triangle_without_area_leaves_numbers_and_no_edge_to_itself() -> None:
    points = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 0, 0], [0, 0, 0], [0.5, 0, 0]], float)
    faces = [[0, 1, 2], [1, 3, 2], [0, 5, 1]]
    low = prepare_low(mesh_from_polygons(points, faces))
    graph = low_graph(low)
    assert (graph.edges[:, 0] < graph.edges[:, 1]).all()
    for values in (graph.weight, graph.attraction, graph.length):
        assert np.isfinite(values).all() and (values > 0).all()


def test_positions_are_pulled_by_a_third_of_the_area_around_them() -> None:
    """Two triangles of area 1/2 over a unit square, whose diagonal is the square root of 2."""
    low = prepare_low(sheet(1, lambda x, y: 0 * x))
    graph = low_graph(low)
    corners = np.bincount(low.welded.ravel())
    fade = FADE_SHARE * np.sqrt(2.0)
    assert sorted(corners) == [1, 1, 2, 2]
    assert graph.attraction == pytest.approx(corners * 0.5 / 3 / fade**2)


def test_the_pull_does_not_depend_on_scale_and_adds_up_to_the_area() -> None:
    low, _ = bumpy_pair(2, count=4, fine=4)
    large = prepare_low(low.mesh.with_positions(100 * low.positions))
    a, b = low_graph(low), low_graph(large)
    assert b.attraction == pytest.approx(a.attraction)
    assert b.weight == pytest.approx(a.weight)
    assert b.length == pytest.approx(100 * a.length)
    assert a.attraction.sum() == pytest.approx(low.area.sum() / (FADE_SHARE * low.diagonal()) ** 2)


def test_positions_without_area_settle_as_well() -> None:
    points = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [5, 5, 0], [6, 5, 0], [7, 5, 0]], float)
    low = prepare_low(mesh_from_polygons(points, [[0, 1, 2], [3, 4, 5]]))
    pull = low_graph(low).attraction
    with_area, without = pull[low.position_id[:3]], pull[low.position_id[3:]]
    assert without == pytest.approx(1e-6 * with_area.max())
    line = triangle((0, 0, 0), (1, 0, 0), (2, 0, 0))
    assert low_graph(line).attraction == pytest.approx(1e-6)
    dot = triangle((0, 0, 0), (0, 0, 0), (0, 0, 0))
    assert np.isfinite(low_graph(dot).attraction).all()


# The rows.


def no_layers(count: int) -> Layers:
    """A table without crossings: rows are made of targets alone."""
    nothing = np.zeros(count)
    return Layers(
        np.zeros(count + 1, np.int64), np.zeros(0), np.zeros(0, np.int32), np.zeros(0, bool),
        nothing, nothing,
    )  # fmt: skip


def targets_at(t: list[float], following: list[float]) -> Targets:
    crossings = np.stack([t, following], axis=1)
    there = np.isfinite(crossings)
    first = np.concatenate([[0], np.cumsum(there.sum(axis=1))])
    count, n = int(first[-1]), len(t)
    layers = replace(
        no_layers(n), first=first, t=crossings[there], face=np.zeros(count, np.int32),
        front=np.ones(count, bool),
    )  # fmt: skip
    layer = np.where(there[:, 0], first[:-1], NO_LAYER)
    return Targets(layers, layer, np.ones(count, bool), np.zeros(n, bool))


def rows_over_a_sheet(
    target: list[float], following: list[float], margin: float, extra: np.ndarray | None = None
) -> Corridors:
    """Rows of points of a flat sheet, whose rays all run straight up."""
    low = prepare_low(sheet(1, lambda x, y: 0 * x))
    points = sample_points(low, 0.2, seed=1).take(np.arange(len(target)))
    cage = cage_from_push(low, np.ones(low.mesh.vertex_count))
    rays = rays_through(low, cage, points, "cage")
    return corridors_of(
        low,
        cage.normals,
        Matched(points, rays, no_layers(len(points)), targets_at(target, following)),
        margin,
        extra,
    )


def test_a_margin_is_kept_from_target_and_next_layer() -> None:
    rows = rows_over_a_sheet([0.1, 0.1, -0.2], [0.3, INF, 0.5], 0.01)
    assert rows.lower == pytest.approx([0.11, 0.11, -0.19])
    assert rows.upper == pytest.approx([0.29, INF, 0.49])
    assert rows.target == pytest.approx([0.1, 0.1, -0.2])
    assert rows.following == pytest.approx([0.3, INF, 0.5])
    assert not rows.clash.any()
    # Straight up, the height over a point is the mean of the corners' offsets by barycentrics.
    assert rows.coefficients.sum(axis=1) == pytest.approx(1.0)


def test_narrow_corridors_keep_a_quarter_on_either_side() -> None:
    rows = rows_over_a_sheet([0.1, 0.1, 0.1], [0.12, 0.14, 0.2], 0.01)
    assert rows.lower == pytest.approx([0.105, 0.11, 0.11])
    assert rows.upper == pytest.approx([0.115, 0.13, 0.19])
    assert (rows.lower <= rows.upper).all()


def test_what_earlier_rounds_ask_for_comes_on_top_up_to_two_fifths_of_the_corridor() -> None:
    extra = np.array([[0.02, 0.0], [0.0, 0.02], [0.5, 0.5], [0.7, 0.0]])
    rows = rows_over_a_sheet([0.1, 0.1, 0.1, 0.1], [0.3, 0.3, 0.3, INF], 0.01, extra)
    assert rows.lower == pytest.approx([0.13, 0.11, 0.18, 0.81])
    assert rows.upper == pytest.approx([0.29, 0.27, 0.22, INF])


def test_rows_are_those_of_samples_with_a_target_in_order() -> None:
    extra = np.array([[9.0, 9.0], [0.01, 0.0], [9.0, 9.0], [0.0, 0.03]])
    nan = float("nan")
    rows = rows_over_a_sheet([nan, 0.1, nan, 0.2], [INF, 0.9, INF, 0.8], 0.001, extra)
    assert rows.point.tolist() == [1, 3] and len(rows) == 2
    assert rows.lower == pytest.approx([0.111, 0.201])
    assert rows.upper == pytest.approx([0.899, 0.769])


def test_rows_clash_where_no_start_of_zero_or_more_keeps_them() -> None:
    #          below 0, just above the margin, on it, on the target, ends above 0
    target = [-0.5, -0.5, -0.5, 0.2, -0.1]
    following = [-0.1, 0.0101, 0.01, 0.2, 0.3]
    rows = rows_over_a_sheet(target, following, 0.01)
    assert rows.clash.tolist() == [True, False, True, True, False]
    # What is asked for besides is no reason to give a row up.
    more = rows_over_a_sheet(target, following, 0.01, np.full((5, 2), 0.4))
    assert more.clash.tolist() == rows.clash.tolist()


@pytest.mark.parametrize("along", ["cage", "normals"])
def test_the_height_of_a_row_is_where_its_ray_starts(along: str) -> None:
    """The row of a ray, mixed with the offsets that made the ray, gives the ray's own start.

    `rays_through` finds it in another way: from the cage's triangle.
    """
    low, _ = bumpy_pair(4, count=4, fine=4)
    offset = np.random.default_rng(2).uniform(0.02, 0.3, low.position_count)
    cage = cage_from_push(low, offset[low.position_id])
    points = sample_points(low, 0.1, seed=2)
    rays = rays_through(low, cage, points, along)  # type: ignore[arg-type]
    n = len(points)
    rows = corridors_of(
        low,
        cage.normals,
        Matched(points, rays, no_layers(len(points)), targets_at([0.0] * n, [INF] * n)),
        1e-3,
    )
    mixed = np.einsum("ij,ij->i", rows.coefficients, offset[rows.columns])
    if along == "cage":
        assert mixed == pytest.approx(rays.start, rel=1e-9)
        return
    # Along normals the cage is not met straight over the point: the row is the height of the
    # cage's own point, measured along the ray.
    over = np.zeros((n, 3))
    for k in range(3):
        corner = low.triangles[points.triangle, k]
        over += points.barycentric[:, k, None] * (
            low.positions[corner] + offset[low.position_id[corner], None]
            * low.ray_normals[low.position_id[corner]]
        )  # fmt: skip
    height = np.einsum("ij,ij->i", over - points.positions(low), rays.direction)
    assert mixed == pytest.approx(height, rel=1e-9)


def random_rows(count: int, seed: int, positions: int = 9) -> Corridors:
    rng = np.random.default_rng(seed)
    lower = rng.uniform(0, 1, count)
    return Corridors(
        point=np.arange(count) * 2,
        columns=rng.integers(0, positions, (count, 3)).astype(np.int32),
        coefficients=rng.dirichlet([1.0, 1.0, 1.0], count),
        lower=lower,
        upper=lower + rng.exponential(1.0, count),
        target=lower - 0.1,
        following=lower + 5,
        clash=rng.random(count) < 0.3,
    )


def test_rows_are_taken_and_joined_whole() -> None:
    rows = random_rows(10, 1)
    first, rest = rows.take(np.arange(4)), rows.take(np.arange(10) >= 4)
    assert (len(first), len(rest)) == (4, 6)
    both = join_corridors([first, rest])
    for f in fields(Corridors):
        assert np.array_equal(getattr(both, f.name), getattr(rows, f.name)), f.name


# The problem.


def small_graph() -> Graph:
    """A fan of three positions around a fourth."""
    edges = np.array([[0, 1], [0, 2], [0, 3]], np.int32)
    return Graph(edges, np.array([1.0, 2.0, 3.0]), np.full(4, 0.5), np.array([1.0, 2.0, 4.0]))


def free(count: int = 4, ceiling: float = 2.0) -> Limits:
    return Limits(
        ceiling, 0.25, np.full(count, np.nan), np.full(count, INF), np.full(3, INF)
    )  # fmt: skip


def test_the_first_rows_of_the_problem_are_the_corridors() -> None:
    rows = random_rows(8, 5, positions=4)
    problem = build_problem(small_graph(), rows, free())
    assert problem.row_count == 8 and problem.position_count == 4
    assert np.array_equal(problem.columns, rows.columns)
    assert np.array_equal(problem.coefficients, rows.coefficients)
    assert rows.clash.any() and not rows.clash.all()
    assert np.array_equal(problem.lower[~rows.clash], rows.lower[~rows.clash])
    assert np.array_equal(problem.upper[~rows.clash], rows.upper[~rows.clash])
    assert (problem.lower[rows.clash] == -INF).all() and (problem.upper[rows.clash] == INF).all()
    assert (problem.importance == 1).all()
    assert np.array_equal(problem.edges, small_graph().edges)
    assert np.array_equal(problem.edge_weight, small_graph().weight)
    assert np.array_equal(problem.attraction, small_graph().attraction)
    assert (problem.preferred == 0.25).all()
    assert (problem.floor == 0).all() and (problem.ceiling == 2).all()
    assert not problem.fixed.any()
    given = np.linspace(0.5, 2, 8)
    assert np.array_equal(
        build_problem(small_graph(), rows, free(), importance=given).importance, given
    )


def test_kept_offsets_are_fixed_and_others_are_not() -> None:
    limits = replace(free(), kept=np.array([np.nan, 0.7, np.nan, 0.0]))
    problem = build_problem(small_graph(), random_rows(3, 1, 4), limits)
    assert problem.fixed.tolist() == [False, True, False, True]
    assert problem.fixed_value[[1, 3]].tolist() == [0.7, 0.0]


def test_offsets_stay_around_their_centre_within_floor_and_ceiling() -> None:
    centre = np.array([0.5, 0.1, 1.9, 5.0])
    radius = np.array([0.2, 0.3, 0.3, 1.0])
    problem = build_problem(small_graph(), random_rows(3, 1, 4), free(), around=(centre, radius))
    assert problem.floor == pytest.approx([0.3, 0.0, 1.6, 2.0])
    assert problem.ceiling == pytest.approx([0.7, 0.4, 2.0, 2.0])
    wide = build_problem(small_graph(), random_rows(3, 1, 4), free(), around=(centre, radius * INF))
    assert (wide.floor == 0).all() and (wide.ceiling == 2).all()


def test_fold_ceilings_are_soft_upper_bounds_of_single_positions() -> None:
    rows = random_rows(2, 1, 4)
    limits = replace(free(), fold_ceiling=np.array([INF, 0.4, INF, 0.9]))
    problem = build_problem(small_graph(), rows, limits)
    assert problem.row_count == 4
    offset = np.array([0.11, 0.22, 0.33, 0.44])
    assert problem.heights(offset)[2:] == pytest.approx([0.22, 0.44])
    assert (problem.lower[2:] == -INF).all()
    assert problem.upper[2:].tolist() == [0.4, 0.9]
    assert (problem.importance[2:] == FOLD_IMPORTANCE).all()
    assert problem.importance[:2].min() > FOLD_IMPORTANCE


def test_steepness_bounds_the_difference_of_neighbours_by_their_distance() -> None:
    rows = random_rows(2, 1, 4)
    limits = replace(free(), steepness=np.array([0.5, INF, 0.25]))
    problem = build_problem(small_graph(), rows, limits)
    assert problem.row_count == 4
    offset = np.array([0.1, 0.7, 0.3, 1.8])
    assert problem.heights(offset)[2:] == pytest.approx([0.1 - 0.7, 0.1 - 1.8])
    # Edges 0-1 and 0-3 are 1 and 4 long.
    assert problem.upper[2:] == pytest.approx([0.5, 1.0])
    assert problem.lower[2:] == pytest.approx([-0.5, -1.0])
    assert (problem.importance[2:] == STEEP_IMPORTANCE).all()
    low, high = problem.slack(offset)
    assert low[2:] == pytest.approx([0.1, 0.7]) and not high[2:].any()


def test_fold_rows_come_before_steep_ones() -> None:
    limits = replace(
        free(), fold_ceiling=np.array([0.3, INF, INF, INF]), steepness=np.array([INF, 1.0, INF])
    )
    problem = build_problem(small_graph(), random_rows(2, 1, 4), limits)
    assert problem.importance.tolist() == [1, 1, FOLD_IMPORTANCE, STEEP_IMPORTANCE]
    assert problem.upper[2:] == pytest.approx([0.3, 2.0])


# What a problem says about itself.


def random_problem(seed: int = 0) -> OffsetProblem:
    rng = np.random.default_rng(seed)
    edges = np.array([[0, 1], [1, 2], [2, 3], [0, 3], [0, 2]])
    return offset_problem(
        4, rng.integers(0, 4, (6, 3)), rng.normal(size=(6, 3)), rng.uniform(-1, 0, 6),
        rng.uniform(0, 1, 6), edges, edge_weight=rng.uniform(0.1, 2, 5),
        attraction=rng.uniform(0.1, 1, 4), preferred=rng.uniform(0, 1, 4), ceiling=3.0,
    )  # fmt: skip


def test_heights_slack_and_energy_by_plain_loops() -> None:
    problem, d = random_problem(), np.array([0.3, -1.2, 2.0, 0.7])
    low, high = problem.slack(d)
    for k in range(6):
        height = sum(problem.coefficients[k, j] * d[problem.columns[k, j]] for j in range(3))
        assert problem.heights(d)[k] == pytest.approx(height)
        assert low[k] == pytest.approx(max(problem.lower[k] - height, 0))
        assert high[k] == pytest.approx(max(height - problem.upper[k], 0))
    assert low.any() and high.any()
    smooth = sum(
        w * (d[i] - d[j]) ** 2 for (i, j), w in zip(problem.edges, problem.edge_weight, strict=True)
    )
    small = sum(problem.attraction[i] * (d[i] - problem.preferred[i]) ** 2 for i in range(4))
    assert problem.energy(d) == pytest.approx(0.5 * (smooth + small))


def test_the_matrix_is_that_of_the_energy() -> None:
    """Second derivatives of a quadratic are its second differences, exactly."""
    problem = random_problem(1)
    H, unit = problem.smoothness().toarray(), np.eye(4)
    at = problem.energy
    for i in range(4):
        for j in range(4):
            second = at(unit[i] + unit[j]) - at(unit[i]) - at(unit[j]) + at(np.zeros(4))
            assert H[i, j] == pytest.approx(second)


def test_the_size_is_the_largest_length_that_can_bind() -> None:
    def size(**given: object) -> float:
        base: dict = {"preferred": 0.0}
        arrays = {
            "lower": np.array([-INF, 0.0]), "upper": np.array([INF, INF])
        } | {k: given.pop(k) for k in ("lower", "upper") if k in given}  # fmt: skip
        columns, mix = np.zeros((2, 3), int), np.ones((2, 3))
        return offset_problem(
            2, columns, mix, arrays["lower"], arrays["upper"], np.zeros((0, 2), int),
            **(base | given),
        ).size()  # fmt: skip

    assert size() == 1.0
    assert size(lower=np.array([0.2, -0.7])) == pytest.approx(0.7)
    assert size(preferred=0.4) == pytest.approx(0.4)
    assert size(floor=-0.3) == pytest.approx(0.3)
    assert size(fixed=np.array([True, False]), fixed_value=np.array([0.6, 9.0])) == 0.6
    # A high ceiling of a corridor never binds; one below 0 does.
    assert size(lower=np.array([0.2, 0.1]), upper=np.array([50.0, 60.0])) == pytest.approx(0.2)
    assert size(upper=np.array([-0.8, 60.0])) == pytest.approx(0.8)
    assert size(lower=np.array([3e-3, 0.0])) == pytest.approx(3e-3)


def test_rows_count_as_kept_within_a_millionth_of_the_size() -> None:
    problem = random_problem(2)
    assert problem.tolerance() == RELATIVE_TOLERANCE * problem.size()
    low = np.array([0.0, 2e-6, 0.5e-6, 0.0])
    high = np.array([0.0, 0.0, 0.0, 1.0])
    answer = OffsetSolution(np.zeros(1), low, high, 1e-6, 0.0, 0.0, 1.0, 1, "none")
    assert answer.conflicts.tolist() == [False, True, False, True]


def test_the_problem_of_a_change_has_the_same_slack() -> None:
    problem = random_problem(3)
    d, change = np.array([0.1, 0.4, 0.2, 0.9]), np.array([0.3, -0.2, 0.5, -0.7])
    other = problem.of_change(d)
    for mine, theirs in zip(other.slack(change), problem.slack(d + change), strict=True):
        assert mine == pytest.approx(theirs)
    assert other.floor == pytest.approx(-d) and other.ceiling == pytest.approx(3 - d)
    assert other.fixed_value == pytest.approx(-d)
    # The least change is none.
    assert other.energy(np.zeros(4)) == 0
    assert other.energy(change) == pytest.approx(
        0.5 * change @ problem.smoothness().toarray() @ change
    )


def test_single_numbers_stand_for_whole_arrays() -> None:
    columns, mix, lower = np.array([[0, 1, 2]]), np.full((1, 3), 1 / 3), np.array([0.1])
    problem = offset_problem(
        3, columns, mix, lower, np.array([1.0]), np.array([[0, 1], [1, 2]]),
        edge_weight=2.0, attraction=0.5, preferred=0.3, floor=0.1, ceiling=4.0, importance=7.0,
    )  # fmt: skip
    assert problem.edge_weight.tolist() == [2.0, 2.0]
    assert problem.attraction.tolist() == [0.5] * 3 and problem.preferred.tolist() == [0.3] * 3
    assert problem.floor.tolist() == [0.1] * 3 and problem.ceiling.tolist() == [4.0] * 3
    assert problem.importance.tolist() == [7.0] and not problem.fixed.any()
    # Bounds are copies: later changes of the input do not reach them.
    lower[:] = 9
    assert problem.lower.tolist() == [0.1]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"columns": np.full((6, 3), 4, np.int32)}, "does not exist"),
        ({"columns": np.full((6, 3), -1, np.int32)}, "does not exist"),
        ({"coefficients": np.full((6, 3), np.nan)}, "hold"),
        ({"preferred": np.array([0, 0, INF, 0])}, "preferred"),
        ({"lower": np.array([np.nan, 0, 0, 0, 0, 0])}, "not a number"),
        ({"upper": np.array([np.nan, 0, 0, 0, 0, 0])}, "not a number"),
        ({"lower": np.array([INF, 0, 0, 0, 0, 0])}, "wrong side"),
        ({"upper": np.array([-INF, 0, 0, 0, 0, 0])}, "wrong side"),
        ({"fixed": np.array([True, False, False, False]),
          "fixed_value": np.array([np.nan, 0, 0, 0])}, "kept offset"),
        ({"attraction": np.array([0.0, 1, 1, 1])}, "attraction"),
        ({"edge_weight": np.array([-1.0, 1, 1, 1, 1])}, "edge weights"),
        ({"importance": np.array([1.0, 0, 1, 1, 1, 1])}, "importance"),
        ({"floor": np.array([0.0, 4.0, 0, 0])}, "floor lies above"),
    ],
)  # fmt: skip
def test_values_that_no_solver_can_use_are_named(change: dict[str, np.ndarray], said: str) -> None:
    problem = random_problem(4)
    problem.check()
    with pytest.raises(InputError, match=said):
        replace(problem, **change).check()  # type: ignore[arg-type]


def test_bounds_of_fixed_positions_are_not_asked() -> None:
    problem = random_problem(4)
    fixed = np.array([False, True, False, False])
    replace(problem, floor=np.array([0.0, 4.0, 0, 0]), fixed=fixed).check()
    loose = replace(problem, fixed_value=np.full(4, np.nan), fixed=np.zeros(4, bool))
    loose.check()


def test_points_are_those_of_the_samples() -> None:
    low, _ = bumpy_pair(1, count=2, fine=4)
    points: SurfacePoints = sample_points(low, 0.2, seed=3)
    cage = cage_from_push(low, np.full(low.mesh.vertex_count, 0.1))
    rays = rays_through(low, cage, points, "cage")
    n = len(points)
    t = np.where(np.arange(n) % 3 == 0, np.nan, 0.01)
    rows = corridors_of(
        low,
        cage.normals,
        Matched(points, rays, no_layers(len(points)), targets_at(list(t), [INF] * n)),
        1e-4,
    )
    assert rows.point.tolist() == [k for k in range(n) if k % 3]
    assert np.array_equal(rows.columns, low.welded[points.triangle[rows.point]])
