"""Parts through each other, against libigl's exact intersections; high poly and pairs."""

from __future__ import annotations

import warnings

import igl.copyleft.cgal
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from cagecheck.inspecting import inspect_pair
from cagecheck.inspecting.crossing import crossing_parts, pair_groups
from cagecheck.inspecting.high import measure_parts
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from tests.scenes.sound_lows import box, codes, flipped, inspect, low_of, surface_of, the


def ball(name: str, at, radius: float = 1.0, subdivisions: int = 2):
    sphere = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius)
    return mesh_from_polygons(sphere.vertices + np.asarray(at, float), sphere.faces, part=name)


def alone(surface: Surface) -> np.ndarray:
    return np.arange(len(surface.part_names), dtype=np.int32)


def crossings(*meshes):
    surface = surface_of(*meshes)
    return crossing_parts(surface, alone(surface))


# Crossing


def test_two_balls_cross_on_a_known_circle():
    """Unit spheres a distance d apart meet on a circle of radius sqrt(1 - d^2 / 4)."""
    d = 1.2
    found = crossings(ball("a", (0, 0, 0), 1, 4), ball("b", (d, 0, 0), 1, 4))
    assert len(found) == 1 and found[0].parts == (0, 1) and found[0].edges_cast == 1
    places = found[0].places
    assert np.allclose(places[:, 0], d / 2, atol=0.01)
    assert np.allclose(np.hypot(places[:, 1], places[:, 2]), np.sqrt(1 - d**2 / 4), atol=0.01)


@pytest.mark.parametrize("at", [(2.5, 0, 0), (0, 0, 0)])
def test_apart_or_one_inside_the_other_is_no_crossing(at):
    assert crossings(ball("a", (0, 0, 0)), ball("b", at, 0.4)) == []


@pytest.mark.parametrize("at", [(1, 0, 0), (1, 0.5, 0), (1, 1, 0), (1, 1, 1), (0.25, 0.25, 1)])
def test_boxes_that_only_touch(at):
    assert crossings(box("a"), box("b", at=at)) == []


def test_a_thin_rod_through_a_wall_of_two_triangles():
    """No edge of the wall meets the rod: the rod's own edges tell."""
    wall = mesh_from_polygons(
        np.array([[-9, -9, 0], [9, -9, 0], [9, 9, 0], [-9, 9, 0]], float), [[0, 1, 2, 3]], part="w"
    )
    rod = trimesh.creation.cylinder(0.01, 2, sections=8)
    found = crossings(wall, mesh_from_polygons(rod.vertices + 0.3, rod.faces, part="rod"))
    assert len(found) == 1
    assert np.allclose(found[0].places[:, 2], 0, atol=1e-9)


def test_parts_of_one_pair_may_cross():
    surface = surface_of(ball("a", (0, 0, 0)), ball("b", (1, 0, 0)))
    assert crossing_parts(surface, np.array([4, 4], np.int32)) == []
    assert len(crossing_parts(surface, np.array([4, 5], np.int32))) == 1


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_triangles_that_cross_match_exact_arithmetic(seed):
    """libigl's intersect_other computes with exact numbers (CGAL)."""
    rng = np.random.default_rng(seed)
    meshes, arrays = [], []
    for name in "ab":
        centre = rng.uniform(0, 1, (12, 1, 3))
        points = (centre + rng.normal(0, 0.25, (12, 3, 3))).reshape(-1, 3)
        faces = np.arange(36).reshape(12, 3)
        meshes.append(mesh_from_polygons(points, faces, part=name))
        arrays.extend([points, faces.astype(np.int64)])
    result = igl.copyleft.cgal.intersect_other(*arrays, detect_only=True)
    exact = np.asarray(result[0] if isinstance(result, tuple) else result)
    found = crossings(*meshes)
    ours = set(found[0].triangles.tolist()) if found else set()
    theirs = set(exact[:, 0].tolist()) | set((exact[:, 1] + 12).tolist()) if len(exact) else set()
    # Ours leaves out triangles that reach through by less than the sixth digit; none here do.
    assert ours == theirs


def test_the_finding_names_both_parts():
    inspection = inspect(ball("arm", (0, 0, 0)), ball("sleeve", (1.5, 0, 0)))
    finding = the(inspection, "crossing-parts")
    assert finding.side == "low" and finding.by_part == {"arm": 1, "sleeve": 1}
    assert finding.places[0].part == "arm" and "through sleeve" in finding.places[0].note
    widest = 2 * np.sqrt(1 - 0.75**2)
    assert finding.measures["widest_units"] == pytest.approx(widest * np.sqrt(2), rel=0.1)


def test_far_from_the_origin_and_in_float32():
    a, b = ball("a", (1000, 0, 0)), ball("b", (1001.47, 0.13, 0.07))
    surface = surface_of(a, b)
    single = Surface(
        surface.positions.astype(np.float32),
        surface.triangles,
        surface.triangle_part,
        surface.part_names,
    )
    here, there = (crossing_parts(s, alone(s))[0] for s in (surface, single))
    assert here.extent == pytest.approx(there.extent, abs=1e-3)
    gaps = np.linalg.norm(here.places[:, None] - there.places[None], axis=2)
    assert max(gaps.min(axis=0).max(), gaps.min(axis=1).max()) < 1e-3


def test_groups_follow_the_pairing():
    paired = np.array([[True, False, False], [False, True, True], [False, False, False]])
    low, high = pair_groups(paired)
    assert low[0] == high[0] and low[1] == high[1] == high[2]
    assert len({low[0], low[1], low[2]}) == 3


# High poly


def test_measures_match_trimesh():
    a, b = ball("a", (5, 0, 0), 2, 3), box("b", at=(9, 9, 9), size=3)
    measures = measure_parts(surface_of(a, b))
    sphere = trimesh.creation.icosphere(subdivisions=3, radius=2)
    assert measures.volume == pytest.approx([sphere.volume, 27])
    assert measures.area == pytest.approx([sphere.area, 54])
    assert np.abs(measures.open_share).max() < 1e-12
    assert measures.low[1].tolist() == [9, 9, 9] and measures.high[1].tolist() == [12, 12, 12]


def pair(low_meshes, high_meshes, paired=None, **settings):
    return inspect_pair(
        low_of(*low_meshes), surface_of(*high_meshes), paired, map_size=1024, padding=8, **settings
    )


def test_a_sound_pair_has_nothing():
    assert codes(pair([box()], [box()])) == []


def test_an_inverted_high_part():
    inspection = pair([box()], [flipped(box())])
    assert codes(inspection) == ["high-inverted"]
    finding = the(inspection, "high-inverted")
    assert finding.side == "high" and finding.places[0].measure == pytest.approx(1)


def test_an_open_high_part_is_not_judged_by_its_volume():
    half = trimesh.creation.icosphere(subdivisions=3)
    faces = half.faces[half.triangles_center[:, 2] > 0][:, ::-1]
    high = Surface(half.vertices, faces.astype(np.int32), np.zeros(len(faces), np.int32))
    assert "high-inverted" not in codes(inspect_pair(low_of(box()), high, map_size=1024))


def test_flat_triangles_of_the_high_are_information():
    surface = surface_of(box())
    triangles = np.vstack([surface.triangles, [[0, 0, 1], [2, 2, 2]]]).astype(np.int32)
    part = np.zeros(len(triangles), np.int32)
    high = Surface(surface.positions, triangles, part, ("box",))
    inspection = inspect_pair(low_of(box()), high, map_size=1024, padding=8)
    assert codes(inspection) == ["high-zero-area"]
    assert the(inspection, "high-zero-area").faces.tolist() == [12, 13]


def test_parts_without_a_partner():
    low = [box("arm"), box("belt", at=(3, 0, 0), uv_at=(1.1, 0.1))]
    high = [box("arm"), box("buckle", at=(6, 0, 0))]
    paired = np.array([[True, False], [False, False]])
    inspection = pair(low, high, paired)
    assert codes(inspection) == ["unpaired-low", "unpaired-high"]
    assert the(inspection, "unpaired-low").by_part == {"belt": 1}
    assert the(inspection, "unpaired-high").by_part == {"buckle": 1}
    assert np.allclose(the(inspection, "unpaired-high").places[0].position, [6.5, 0.5, 0.5])


def test_a_part_that_lies_elsewhere():
    low = [box("a"), box("b", at=(3, 0, 0), uv_at=(1.1, 0.1))]
    high = [box("a"), box("b", at=(3, 4, 0))]
    inspection = pair(low, high, np.eye(2, dtype=bool))
    finding = the(inspection, "part-misplaced")
    assert finding.by_part == {"b": 1} and "100 % outside" in finding.places[0].note


def test_high_parts_of_different_pairs_through_each_other():
    low = [box("a"), box("b", at=(3, 0, 0), uv_at=(1.1, 0.1))]
    high = [box("a", size=2), box("b", at=(1.5, 0.5, 0.5), size=2.5)]
    inspection = pair(low, high, np.eye(2, dtype=bool))
    finding = the(inspection, "crossing-parts")
    assert finding.side == "high" and finding.count == 1
    everything = pair(low, high)
    assert "crossing-parts" not in codes(everything)


def test_no_warnings_on_parts_without_triangles():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        surface = surface_of(box())
        high = Surface(
            surface.positions, surface.triangles, surface.triangle_part, ("box", "empty")
        )
        paired = np.array([[True, False]])
        assert codes(inspect_pair(low_of(box()), high, paired, map_size=1024, padding=8)) == []
