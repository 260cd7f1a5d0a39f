"""UV faults planted one by one, and areas and distances against Shapely's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.inspecting.boxes import overlapping_boxes
from cagecheck.inspecting.islands import find_islands
from cagecheck.inspecting.overlap import uv_overlaps
from cagecheck.inspecting.spacing import island_gaps, segment_distances
from cagecheck.meshes.mesh import join_meshes, mesh_from_polygons
from tests.scenes.sound_lows import box, codes, flipped, grid, inspect, low_of, moved_uv, the

NO_MAP = 1 << 30  # so large a map that the tolerance in texels is nothing


def cards(n: int, rng: np.random.Generator, spread: float = 1.0):
    """Loose triangles in space, with random UV triangles around (0.5, 0.5)."""
    uv = 0.5 + rng.uniform(-spread / 2, spread / 2, (n, 1, 2)) + rng.normal(0, 0.05, (n, 3, 2))
    points = np.tile([[0, 0, 0], [1, 0, 0], [0, 1, 0.0]], (n, 1))
    points[:, 2] = np.repeat(np.arange(n), 3)
    return mesh_from_polygons(points, np.arange(3 * n).reshape(n, 3), uv=uv.reshape(-1, 2)), uv


def two_cards(uv_a, uv_b):
    points = np.tile([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]], (2, 1))
    points[4:, 2] = 5
    uv = np.concatenate([uv_a, uv_b])
    return mesh_from_polygons(points, [[0, 1, 2, 3], [4, 5, 6, 7]], uv=uv)


def square(x: float, y: float, size: float = 0.2) -> np.ndarray:
    return np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size + [x, y]


def found(mesh, **settings):
    return [c for c in codes(inspect(mesh, **settings)) if c != "open-borders"]


# Missing, off the grid, across tiles


def test_no_uvs_at_all():
    mesh = replace(box(), corner_uv=None)
    finding = the(inspect(mesh), "uv-missing")
    assert finding.count == 6 and codes(inspect(mesh)) == ["uv-missing"]
    assert "no UVs at all" in finding.cure


def test_one_face_without_uvs():
    mesh = box()
    uv = mesh.corner_uv.copy()
    uv[6] = np.nan
    assert found(replace(mesh, corner_uv=uv)) == ["uv-missing"]
    assert the(inspect(replace(mesh, corner_uv=uv)), "uv-missing").faces.tolist() == [1]


@pytest.mark.parametrize("shift", [(-1, 0), (0, -1), (10, 0)])
def test_off_the_grid(shift):
    mesh = moved_uv(box(), [3], shift)
    assert found(mesh) == ["uv-off-grid"]
    assert the(inspect(mesh), "uv-off-grid").faces.tolist() == [3]


@pytest.mark.parametrize("shift", [(3, 0), (0, 1), (9, 7)])
def test_any_tile_is_fine(shift):
    mesh = moved_uv(box(), list(range(6)), shift)
    assert found(mesh) == []
    tile = 1001 + shift[0] + 10 * shift[1]
    assert inspect(mesh).tiles.tiles == (tile,)


def test_a_face_across_a_border():
    mesh = two_cards(square(0.1, 0.1), square(0.9, 0.5))
    assert found(mesh) == ["uv-crosses-tile"]
    finding = the(inspect(mesh), "uv-crosses-tile")
    assert finding.faces.tolist() == [1] and finding.places[0].tile in (1001, 1002)


def test_an_island_that_ends_exactly_on_the_border_does_not_cross():
    assert found(two_cards(square(0.1, 0.1), square(0.8, 0.5))) == ["uv-near-border"]


def test_an_island_cut_exactly_by_the_border():
    mesh = grid(2, uv=1.0, uv_at=(0.5, 0.0))
    assert found(mesh, padding=0) == ["uv-island-in-tiles"]
    assert "1001 to 1002" in the(inspect(mesh), "uv-island-in-tiles").places[0].note


# Area and mirroring


def test_a_face_without_uv_area():
    mesh = box()
    uv = mesh.corner_uv.copy()
    uv[4:8] = [[0.9, 0.9], [0.95, 0.9], [0.95, 0.9], [0.9, 0.9]]
    assert found(replace(mesh, corner_uv=uv)) == ["uv-zero-area"]
    uv[4:8] = [0.9, 0.9]
    assert the(inspect(replace(mesh, corner_uv=uv)), "uv-zero-area").faces.tolist() == [1]


def test_mirrored_islands_are_information():
    mesh = box()
    uv = mesh.corner_uv.copy()
    uv[:4] = uv[[1, 0, 3, 2]]
    inspection = inspect(replace(mesh, corner_uv=uv))
    finding = the(inspection, "uv-mirrored")
    assert codes(inspection) == ["uv-mirrored"]
    assert (finding.count, finding.severity) == (1, "information")
    assert finding.faces.tolist() == [0]


def test_all_islands_mirrored_asks_about_v():
    mesh = box()
    turned = mesh.corner_uv * [1, -1] + [0, 1]
    finding = the(inspect(replace(mesh, corner_uv=turned)), "uv-mirrored")
    assert "upside down" in finding.text and finding.cure.startswith("Turn v round")


def test_a_folded_corner_is_mirrored_inside_and_overlaps_inside():
    """One vertex of a grid dragged across its neighbours' edge."""
    mesh = grid(4)
    uv = mesh.corner_uv.copy()
    corner = mesh.corner_vertex == 12  # the middle vertex
    uv[corner] += [0.2, 0.03]
    inspection = inspect(replace(mesh, corner_uv=uv))
    assert set(codes(inspection)) == {
        "open-borders",
        "uv-overlap-inside",
        "uv-flipped-inside",
        "uv-stretch",
    }


# Overlap


def test_squares_over_each_other_in_closed_form():
    mesh = two_cards(square(0.1, 0.1), square(0.25, 0.2))
    assert found(mesh) == ["uv-overlap"]
    finding = the(inspect(mesh, size=1000), "uv-overlap")
    assert finding.measures["area_uv"] == pytest.approx(0.05 * 0.1)
    assert finding.measures["area_texels"] == pytest.approx(5000)
    assert finding.count == 2 and finding.places[0].measure == pytest.approx(5000)
    assert finding.measures["stacked_area_uv"] == 0


def test_an_island_inside_another():
    """No outline crosses: only areas can tell."""
    mesh = two_cards(square(0.1, 0.1, 0.6), square(0.3, 0.3, 0.1))
    assert found(mesh) == ["uv-overlap", "texel-density-spread"]


def test_the_advice_fits_the_overlap():
    """Copies are moved by a tile, what merely overlaps is moved apart, and a fold is relaxed."""
    stacked = the(inspect(two_cards(square(0.1, 0.1), square(0.1, 0.1))), "uv-overlap")
    assert "one whole tile" in stacked.cure and "apart" not in stacked.cure
    beside = the(inspect(two_cards(square(0.1, 0.1), square(0.2, 0.2))), "uv-overlap")
    assert "Move them apart" in beside.cure and "tile" not in beside.cure
    # Two quads that share an edge, the second folded back over the first in the map.
    points = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [2, 0, 0], [2, 1, 0.0]])
    faces = [[0, 1, 2, 3], [1, 4, 5, 2]]
    first = square(0.3, 0.1)
    for width, word in ((-0.2, "Cut the island where the copies meet"), (-0.13, "Relax")):
        far = np.array([[width, 0], [width, 0]]) + first[[1, 2]]
        uv = np.concatenate([first, [first[1], far[0], far[1], first[2]]])
        finding = the(inspect(mesh_from_polygons(points, faces, uv=uv)), "uv-overlap-inside")
        assert word in finding.cure


def test_the_advice_fits_mirrored_halves():
    """Halves that are stacked stay mirrored, and are cut apart where they hang together."""
    copy = square(0.1, 0.1)
    halves = inspect(two_cards(copy, copy[[1, 0, 3, 2]]))
    assert "leave them mirrored" in the(halves, "uv-mirrored").cure
    alone = inspect(two_cards(copy, square(0.5, 0.5)[[1, 0, 3, 2]]))
    assert the(alone, "uv-mirrored").cure.startswith("Flip the island")
    points = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [2, 0, 0], [2, 1, 0.0]])
    first = square(0.3, 0.1)
    # The second quad, folded back over the first in the map, and a little larger.
    uv = np.concatenate([first, [first[1], first[0], first[3], first[2]]])
    mesh = mesh_from_polygons(points, [[0, 1, 2, 3], [1, 4, 5, 2]], uv=uv)
    assert "cut the island along their middle" in the(inspect(mesh), "uv-flipped-inside").cure


def test_the_advice_fits_uvs_that_repeat_a_picture():
    """A card over three tiles repeats what lies there; one that only crosses a border moves."""
    over = inspect(two_cards(square(0.1, 0.1), square(0.5, 0.5, 2.5)))
    assert "repeat a picture" in the(over, "uv-crosses-tile").cure
    across = inspect(two_cards(square(0.1, 0.1), square(0.9, 0.5)))
    assert "into one tile" in the(across, "uv-crosses-tile").cure


@pytest.mark.parametrize("mirrored", [False, True])
def test_stacked_copies_are_named(mirrored):
    copy = square(0.1, 0.1)
    mesh = two_cards(square(0.1, 0.1), copy[[1, 0, 3, 2]] if mirrored else copy)
    finding = the(inspect(mesh), "uv-overlap")
    assert finding.measures["area_uv"] == pytest.approx(0.04)
    # The mirrored copy is cut along the other diagonal; faces are compared, not triangles.
    assert "stacked exactly" in finding.text and "one whole tile" in finding.cure
    assert finding.measures["stacked_area_uv"] == pytest.approx(0.04)
    moved = moved_uv(mesh, [1], (1, 0))
    assert "uv-overlap" not in codes(inspect(moved))


def test_materials_have_maps_of_their_own_unless_told():
    mesh = two_cards(square(0.1, 0.1), square(0.25, 0.2))
    mesh = replace(mesh, face_material=np.array([0, 1], np.int32), material_names=("skin", "cloth"))
    assert found(mesh) == []
    assert found(mesh, one_map=True) == ["uv-overlap"]


def test_shared_edges_do_not_overlap():
    rng = np.random.default_rng(0)
    mesh = grid(12)
    uv = mesh.corner_uv + 0  # jitter inner vertices, the same for all corners of a vertex
    jitter = rng.uniform(-0.4, 0.4, (169, 2)) * (0.5 / 12) * 0.9
    uv = uv + jitter[mesh.corner_vertex]
    low = low_of(replace(mesh, corner_uv=uv))
    assert len(uv_overlaps(low.uv, np.zeros(len(low.uv), np.int32), 4096).pairs) == 0


def test_a_coil_over_itself_is_found_inside_one_island():
    """A strip of quads going round 1.5 times: neighbours never overlap, turns do."""
    n, turns = 48, 1.5
    angle = np.linspace(0, 2 * np.pi * turns, n + 1)
    points = np.column_stack([np.tile(angle, 2), np.repeat([0, 1], n + 1), np.zeros(2 * n + 2)])
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    rim = np.concatenate([0.5 + 0.3 * ring, 0.5 + 0.2 * ring])
    quads = [[i, i + 1, n + 2 + i, n + 1 + i] for i in range(n)]
    mesh = mesh_from_polygons(points, quads, uv=rim[np.array(quads).ravel()])
    finding = the(inspect(mesh), "uv-overlap-inside")
    polygons = shapely.polygons(rim[np.array(quads)])
    excess = shapely.area(polygons).sum() - shapely.union_all(polygons).area
    assert finding.count == 1
    assert finding.measures["area_uv"] == pytest.approx(excess, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.05, 2.0))
def test_random_overlaps_match_shapely(seed, spread):
    mesh, uv = cards(40, np.random.default_rng(seed), spread)
    del mesh
    ours = uv_overlaps(uv, np.zeros(40, np.int32), NO_MAP)
    polygons = shapely.polygons(uv)
    a, b = shapely.STRtree(polygons).query(polygons, predicate="intersects")
    a, b = a[a < b], b[a < b]
    area = shapely.area(shapely.intersection(polygons[a], polygons[b]))
    expected = {(i, j): x for i, j, x in zip(a, b, area, strict=True) if x > 1e-12}
    got = {tuple(p): x for p, x in zip(ours.pairs.tolist(), ours.area, strict=True) if x > 1e-12}
    assert got.keys() == expected.keys()
    assert np.allclose([got[k] for k in expected], list(expected.values()), rtol=1e-6, atol=1e-13)
    assert ours.complete


def test_overlap_is_the_same_on_a_far_tile():
    mesh, uv = cards(60, np.random.default_rng(9))
    del mesh
    here = uv_overlaps(uv, np.zeros(60, np.int32), 4096)
    there = uv_overlaps(uv + np.array([7, 40]), np.zeros(60, np.int32), 4096)
    assert np.array_equal(here.pairs, there.pairs)
    assert np.allclose(here.area, there.area, atol=1e-12)


def test_a_pile_of_islands_ends_with_at_least(monkeypatch):
    """Thousands of faces all in one place: the search gives up in time and says so."""
    from cagecheck.inspecting import boxes

    monkeypatch.setattr(boxes, "TEST_LIMIT", 10_000)
    uv = np.tile(square(0.1, 0.1)[None, :3], (3000, 1, 1))
    overlaps = uv_overlaps(uv, np.zeros(3000, np.int32), 1024)
    assert not overlaps.complete and len(overlaps.pairs) > 0


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 120))
def test_box_pairs_match_all_against_all(seed, n):
    rng = np.random.default_rng(seed)
    low = rng.random((n, 2)) * [3, 1]
    high = low + rng.exponential(rng.choice([0.01, 0.1, 1.0]), (n, 2))
    label = rng.integers(0, n, n)
    pairs, complete = overlapping_boxes(low, high, label)
    i, j = np.triu_indices(n, 1)
    meet = np.all((low[i] <= high[j]) & (low[j] <= high[i]), axis=1) & (label[i] != label[j])
    assert complete
    assert sorted(map(tuple, pairs.tolist())) == list(
        zip(i[meet].tolist(), j[meet].tolist(), strict=True)
    )


# Spacing


@pytest.mark.parametrize(
    ("gap", "expected"),
    [(0.0, ["uv-touching"]), (0.5, ["uv-touching"]), (3.0, ["uv-spacing"]), (9.0, [])],
)
def test_space_between_two_squares(gap, expected):
    size = 1000
    mesh = two_cards(square(0.1, 0.1), square(0.3 + gap / size, 0.15))
    assert found(mesh, size=size, padding=8) == expected
    if expected:
        finding = the(inspect(mesh, size=size, padding=8), expected[0])
        assert finding.measures["nearest_texels"] == pytest.approx(gap, abs=1e-9)
        assert set(finding.places[0].faces) == {0, 1}


def test_the_hole_of_a_ring_counts():
    """An island in the hole of another: their boxes overlap, their outlines do not."""
    outer, inner = np.array(square(0.2, 0.2, 0.6)), square(0.4, 0.4, 0.2)
    ring = [[outer[k], outer[(k + 1) % 4], inner[(k + 1) % 4], inner[k]] for k in range(4)]
    points = np.column_stack([np.concatenate([outer, inner]), np.zeros(8)])
    quads = [[k, (k + 1) % 4, 4 + (k + 1) % 4, 4 + k] for k in range(4)]
    plug = np.column_stack([square(0, 0), np.full(4, 3.0)])
    mesh = mesh_from_polygons(
        np.concatenate([points, plug]),
        [*quads, [8, 9, 10, 11]],
        uv=np.concatenate([np.array(ring).reshape(-1, 2), square(0.405, 0.41, 0.18)]),
    )
    finding = the(inspect(mesh, size=1000, padding=8), "uv-spacing")
    assert finding.measures["nearest_texels"] == pytest.approx(5)
    assert finding.count == 1


def test_islands_over_each_other_are_not_told_of_twice():
    assert found(two_cards(square(0.1, 0.1), square(0.25, 0.2))) == ["uv-overlap"]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_gaps_match_shapely(seed):
    mesh, uv = cards(30, np.random.default_rng(seed), 3.0)
    low = low_of(mesh)
    islands = find_islands(low)
    assert islands.count == 30
    gaps = island_gaps(low, islands, 0.2)
    rings = shapely.linearrings(uv)
    expected = {}
    for i in range(30):
        for j in range(i + 1, 30):
            distance = shapely.distance(rings[i], rings[j])
            if distance < 0.2:
                expected[(i, j)] = distance
    got = {tuple(p): d for p, d in zip(gaps.islands.tolist(), gaps.distance, strict=True)}
    assert got.keys() == expected.keys()
    assert np.allclose([got[k] for k in expected], list(expected.values()), atol=1e-12)
    assert np.all(np.diff(gaps.distance) >= 0)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_segment_distances_match_shapely(seed):
    rng = np.random.default_rng(seed)
    ends = rng.integers(0, 5, (50, 4, 2)).astype(float)  # parallel, touching and point-like ones
    ours = segment_distances(*(ends[:, k] for k in range(4)))
    a, b = shapely.linestrings(ends[:, :2]), shapely.linestrings(ends[:, 2:])
    assert np.allclose(ours, shapely.distance(a, b), atol=1e-12)


def test_near_the_border_is_information():
    mesh = two_cards(square(0.1, 0.1), square(0.002, 0.5))
    inspection = inspect(mesh, size=1000, padding=8)
    finding = the(inspection, "uv-near-border")
    assert finding.severity == "information" and finding.count == 1
    assert "2.00 texels" in finding.places[0].note


# Islands


def test_islands_of_known_meshes():
    assert find_islands(low_of(box())).count == 6
    assert find_islands(low_of(grid(5))).count == 1
    both = join_meshes([box("a"), grid(3, "b", uv_at=(1.1, 0.1))])
    assert find_islands(low_of(both)).count == 7


def test_rounding_in_the_file_does_not_cut_islands():
    mesh = grid(6)
    noise = np.random.default_rng(0).uniform(-5e-7, 5e-7, mesh.corner_uv.shape)
    assert find_islands(low_of(replace(mesh, corner_uv=mesh.corner_uv + noise))).count == 1
    assert found(replace(mesh, corner_uv=mesh.corner_uv + noise)) == []


def test_split_vertices_do_not_cut_islands():
    """Formats that split vertices at hard edges keep the UVs: the island stays whole."""
    mesh = grid(4)
    corners = np.arange(len(mesh.corner_vertex)).reshape(-1, 4)
    split = mesh_from_polygons(mesh.positions[mesh.corner_vertex], corners, uv=mesh.corner_uv)
    assert find_islands(low_of(split)).count == 1


def test_neighbours_wound_against_each_other_stay_one_island():
    assert find_islands(low_of(flipped(grid(3), [4]))).count == 1


# Thin islands


@pytest.mark.parametrize(("side", "told"), [(0.9, True), (1.1, False)])
def test_a_square_smaller_than_a_texel_is_told(side: float, told: bool) -> None:
    mesh = two_cards(square(0.1, 0.1, 0.5), square(0.7, 0.7, side / 2048))
    assert ("uv-thin" in found(mesh, size=2048)) == told


@pytest.mark.parametrize(("width", "told"), [(0.45, True), (0.55, False)])
@pytest.mark.parametrize("turn", [0.0, 0.3, np.pi / 4])
def test_a_strip_is_as_thin_however_it_lies(width: float, told: bool, turn: float) -> None:
    """Its width is that of Shapely's narrowest rectangle, not of the box that it lies in."""
    across = np.array([np.cos(turn), np.sin(turn)])
    along = np.array([-across[1], across[0]])
    strip = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    uv = strip[:, :1] * across * width / 2048 + strip[:, 1:] * along * 0.2 + [0.7, 0.6]
    narrow = shapely.Polygon(uv).minimum_rotated_rectangle
    sides = [narrow.exterior.coords[k] for k in range(3)]
    lengths = np.linalg.norm(np.diff(sides, axis=0), axis=1)
    assert lengths.min() * 2048 == pytest.approx(width)
    mesh = two_cards(square(0.05, 0.05, 0.2), uv)
    inspection = inspect(mesh, size=2048)
    assert ("uv-thin" in codes(inspection)) == told
    if told:
        finding = the(inspection, "uv-thin")
        assert finding.count == 1 and "50 % of the area" in finding.text
        texels = shapely.Polygon(uv).area * 2048**2
        assert f"{texels:.2g}" in finding.places[0].note
