"""The main job against geometry that can be worked out by hand."""

import numpy as np
import pytest
import trimesh

from cagecheck.defects.kinds import Defect, Thresholds
from cagecheck.defects.unseen import SEEN_SPACINGS
from cagecheck.errors import InputError
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays import cage_from_offset, cage_from_push
from tests.scenes.shapes import (
    as_low,
    box,
    combined,
    cylinder_high,
    grid,
    halves,
    mesh_parts,
    plane_high,
    plane_low,
    prism,
    surface,
)

FEW = dict(samples=4000, unseen_points=0)


def share(prediction, defect):
    """Area share of a defect, 0 to 1."""
    area = prediction.points.area
    return float(area[prediction.findings.has(defect)].sum() / area.sum())


@pytest.mark.parametrize("n", [3, 6, 12, 48])
def test_polygonal_cylinder_needs_the_sagitta(n):
    """Mid-face of an inscribed n-gon the true cylinder lies r (1 - cos(pi / n)) out.

    Source: the sagitta of a circular arc, any handbook of mathematics.
    """
    radius = 2.0
    low = as_low(*prism(n, radius))
    sagitta = radius * (1 - np.cos(np.pi / n))
    high = cylinder_high(radius, n=4096)
    result = predict(low, high, settings=Settings(offset=2 * sagitta, depth=0.1, **FEW))
    # The highest target sits mid-face, where the ray is the face normal.
    slack = radius * (1 - np.cos(np.pi / 4096))
    assert np.nanmax(result.targets.t) == pytest.approx(sagitta, abs=slack + 1e-4 * sagitta)
    assert share(result, Defect.MISS_TIGHT) == 0
    # Pushed corners carry the mid-face out by cos(pi / n) of their own push.
    needed = sagitta / np.cos(np.pi / n)
    tight = predict(low, high, settings=Settings(offset=0.98 * needed, depth=0.1, **FEW))
    enough = predict(low, high, settings=Settings(offset=1.001 * needed, depth=0.1, **FEW))
    assert share(tight, Defect.MISS_TIGHT) > 0 and share(enough, Defect.MISS_TIGHT) == 0


def test_share_of_a_cylinder_that_a_short_cage_misses():
    """The missed strip's half width x solves height(x) = start(x), both in closed form."""
    n, radius = 8, 1.0
    low = as_low(*prism(n, radius))
    offset = 0.04
    settings = Settings(offset=offset, depth=0.1, samples=60_000, unseen_points=0)
    result = predict(low, cylinder_high(radius, n=8192), settings=settings)
    c, half = np.cos(np.pi / n), np.sin(np.pi / n)
    x = np.linspace(-half, half, 200_001)
    # Chord point (c, x); the ray leaves along the blend of the two corner normals.
    s = (x / half + 1) / 2
    angle = np.pi / n
    nx, ny = np.full_like(s, np.cos(angle)), np.sin(angle) * (2 * s - 1)
    reach = np.hypot(c + offset * nx, x + offset * ny)
    expected = np.mean(reach < radius)
    assert share(result, Defect.MISS_TIGHT) == pytest.approx(expected, abs=0.004)


def test_parallel_plates_overshoot_exactly_from_the_gap_on():
    gap = 0.3
    low = plane_low(2)
    high = plane_high([0.0, gap], up=[True, True])
    paired = np.array([[True, False]])
    for offset, expected in ((gap * 0.999, 0.0), (gap * 1.001, 1.0)):
        settings = Settings(offset=offset, depth=0.1, **FEW)
        result = predict(low, high, paired=paired, settings=settings)
        assert share(result, Defect.OVERSHOOT_OTHER) == expected
        assert np.allclose(result.targets.t, 0, atol=1e-12)
        assert np.allclose(result.targets.t_next, gap, atol=1e-12)


def test_baking_apart_hides_the_other_part():
    low = plane_low(2)
    high = plane_high([0.0, 0.3])
    settings = Settings(offset=1.0, depth=0.1, apart=True, **FEW)
    result = predict(low, high, paired=np.array([[True, False]]), settings=settings)
    assert result.clean


def test_floating_detail_belongs_to_what_lies_below():
    low = plane_low(2)
    result = predict(low, plane_high([0.0, 0.05]), settings=Settings(offset=0.1, **FEW))
    assert np.allclose(result.targets.t, 0.05, atol=1e-12)
    assert result.clean


def test_two_walls_facing_each_other_overshoot_from_their_gap_on():
    """A slot of width g: both inner walls see each other's back from start = g on."""
    g = 0.2
    left = box((-1, -1, -1), (-g / 2, 1, 1))
    right = box((g / 2, -1, -1), (1, 1, 1))
    positions, quads = combined(left, right)
    low = as_low(positions, quads)
    high = surface(positions, halves(quads))
    result = predict(low, high, settings=Settings(offset=0.6, depth=0.05, **FEW))
    inner = np.abs(np.abs(result.rays.origin[:, 0]) - g / 2) < 1e-9
    inner &= (np.abs(result.rays.origin[:, 1:]) < 0.6).all(axis=1)
    faces = low.face_normals[result.points.triangle]
    inner &= np.abs(faces[:, 0]) > 0.9
    along = g / np.abs(result.rays.direction[inner, 0])
    assert np.allclose(result.targets.t_next[inner], along, rtol=1e-9)
    over = result.findings.has(Defect.OVERSHOOT_OWN)[inner]
    assert np.array_equal(over, result.rays.start[inner] > along)
    assert over.any()


def test_depth_decides_what_is_too_deep():
    low = plane_low(2)
    high = plane_high([-0.2])
    for depth, expected in ((0.19, 1.0), (0.21, 0.0)):
        result = predict(low, high, settings=Settings(offset=0.05, depth=depth, **FEW))
        assert share(result, Defect.MISS_DEEP) == expected
    worst = result.to_dict()
    assert worst["clean"] is True


def test_a_tilted_cage_slides_by_height_times_tangent():
    """Rays slanted by a to the low face slide by h tan(a) for a surface at height h."""
    low = plane_low(1, with_uv=True)
    height, lean = 0.3, np.radians(30)
    mesh = low.mesh.with_positions(low.positions + [np.tan(lean), 0, 1.0])
    from cagecheck.rays import cage_from_mesh

    result = predict(
        low, plane_high([height], size=6), cage=cage_from_mesh(low, mesh),
        settings=Settings(depth=0.1, map_size=1000, **FEW),
    )  # fmt: skip
    assert np.allclose(result.findings.slant, 30)
    assert np.allclose(result.findings.slide, height * np.tan(lean), rtol=1e-9)
    texels = result.findings.measures[Defect.SKEW]
    assert np.allclose(texels, 1000 * height * np.tan(lean), rtol=1e-9)
    assert share(result, Defect.SKEW) == 1.0


def test_flipped_patch_is_back_facing_and_measured():
    positions, quads = grid(10, 1.0)
    triangles = halves(quads)
    centre = positions[triangles].mean(axis=1)
    patch = (np.abs(centre[:, :2]) < 0.2).all(axis=1)
    triangles[patch] = triangles[patch][:, ::-1]
    result = predict(
        plane_low(2), surface(positions, triangles), settings=Settings(offset=0.1, **FEW)
    )
    assert share(result, Defect.BACK_FACING) == pytest.approx(0.16, abs=0.005)
    (region,) = result.regions
    assert region.area == pytest.approx(0.16, abs=0.005)
    assert "flip" in region.cure and np.linalg.norm(region.centroid) < 0.05


def test_hole_is_found_with_its_area_place_and_cause():
    positions, quads = grid(20, 1.0)
    triangles = halves(quads)
    centre = positions[triangles].mean(axis=1)
    hole = (np.abs(centre[:, 0] - 0.2) < 0.1) & (np.abs(centre[:, 1]) < 0.1)
    result = predict(
        plane_low(2),
        surface(positions, triangles[~hole]),
        settings=Settings(offset=0.1, depth=0.1, **FEW),
    )
    (region,) = [r for r in result.regions if r.name == Defect.MISS_NOTHING.title]
    assert region.area == pytest.approx(0.04, abs=0.003)
    assert np.allclose(region.centroid, [0.2, 0, 0], atol=0.03)
    assert "hole" in region.cause


def test_low_that_sticks_out_is_told_from_a_hole():
    positions, quads = grid(20, 1.0)
    result = predict(
        plane_low(2, size=1.2),
        surface(*_box_high()),
        settings=Settings(offset=0.1, depth=0.1, **FEW),
    )
    regions = [r for r in result.regions if r.name == Defect.MISS_NOTHING.title]
    assert len(regions) == 1 and regions[0].area == pytest.approx(1.44 - 1.0, abs=0.01)
    assert "sticks out" in regions[0].cause
    del positions, quads


def _box_high():
    positions, quads = box((-0.5, -0.5, -1.0), (0.5, 0.5, 0.0))
    return positions, halves(quads)


def test_sphere_cap_areas():
    """A plane at distance h inside a unit sphere's low: the missed cap has area 2 pi (1 - h).

    Source: Archimedes, On the Sphere and Cylinder: a zone's area is 2 pi r times its height.
    """
    ball = trimesh.creation.icosphere(5)
    low = as_low(ball.vertices, ball.faces)
    h = 0.9
    # The high poly is the sphere with everything above z = h lifted out of reach.
    outer = trimesh.creation.icosphere(6)
    centre = outer.vertices[outer.faces].mean(axis=1)
    kept = outer.faces[centre[:, 2] < h]
    settings = Settings(offset=0.01, depth=0.01, samples=60_000, unseen_points=0)
    result = predict(low, surface(outer.vertices, kept), settings=settings)
    regions = [r for r in result.regions if r.name == Defect.MISS_NOTHING.title]
    assert regions[0].area == pytest.approx(2 * np.pi * (1 - h), rel=0.03)
    assert regions[0].centroid[2] > 0.97


def test_concave_corner_folds_where_normals_meet():
    """A floor of width w against a wall folds from a push of w on.

    The shared edge moves d (1, 0, 1) / sqrt(2), the floor's far edge d (0, 0, 1). The shell's
    Jacobian at the shared edge is d / sqrt(2) (w - h d), least at the cage (h = 1).
    """
    width = 1.0
    positions = np.array(
        [[0, 0, 0], [width, 0, 0], [width, 1, 0], [0, 1, 0], [0, 0, width], [0, 1, width]], float
    )
    low = as_low(positions, [[0, 1, 2, 3], [0, 3, 5, 4]])
    high = surface(positions, low.triangles)
    for offset, folded in ((0.99 * width, False), (1.01 * width, True)):
        result = predict(low, high, settings=Settings(offset=offset, depth=0.1, **FEW))
        assert result.findings.has(Defect.FOLD).any() == folded


def test_split_normals_leave_a_wedge_of_the_closed_form_width():
    """At a box edge with split normals rays part at right angles: gap = sqrt(2) * height."""
    positions, quads = box((0, 0, 0), (1, 1, 1))
    from cagecheck.meshes.lowpoly import prepare_low
    from cagecheck.meshes.mesh import mesh_from_polygons
    from cagecheck.meshes.normals import NormalRule

    low = prepare_low(mesh_from_polygons(positions, quads), rule=NormalRule("hardness"))
    grown = box((-0.1, -0.1, -0.1), (1.1, 1.1, 1.1))
    high = surface(grown[0], halves(grown[1]))
    settings = Settings(offset=0.2, depth=0.1, directions="corner", **FEW)
    result = predict(low, high, settings=settings)
    width = result.findings.measures[Defect.SPLIT]
    split = result.findings.has(Defect.SPLIT)
    assert np.allclose(width[split], 0.1 * np.sqrt(2), rtol=1e-9)
    averaged = predict(low, high, settings=Settings(offset=0.2, depth=0.1, **FEW))
    assert not averaged.findings.has(Defect.SPLIT).any()


def test_steep_wall_is_flagged_from_the_stated_angle_on():
    limit = Thresholds().steep_degrees
    assert limit == pytest.approx(63.3, abs=0.1)
    low = plane_low(1)
    for degrees, steep in ((limit - 1, False), (limit + 1, True)):
        slope = np.tan(np.radians(degrees))
        positions, quads = grid(4, 1.5, lambda x, y, s=slope: s * x)
        result = predict(
            low, surface(positions, halves(quads)), settings=Settings(offset=2.0, depth=2, **FEW)
        )
        inside = result.findings.has(Defect.STEEP)[result.points.area > 0]
        assert inside.mean() == (1.0 if steep else 0.0)
        assert np.nanmax(result.findings.lean) == pytest.approx(degrees, abs=1e-6)


def test_unseen_underside_of_a_shelf():
    """A shelf over part of the plane hides the plane below it: that area is lost."""
    low = plane_low(4)
    positions, quads = grid(20, 1.0)
    shelf, shelf_quads = grid(4, 0.4)
    shelf = shelf + [0, 0, 0.1]
    p, f = combined((positions, halves(quads)), (shelf, halves(shelf_quads)))
    settings = Settings(offset=0.2, depth=0.1, samples=20_000, unseen_points=20_000)
    result = predict(low, surface(p, f), settings=settings)
    lost = [r for r in result.regions if r.name == Defect.UNSEEN.title]
    rim = 2 * SEEN_SPACINGS * np.sqrt(1 / 20_000)
    assert (0.4 - rim) ** 2 * 0.95 < sum(r.area for r in lost) < 0.16 * 1.05
    assert np.linalg.norm(np.array(lost[0].centroid)[:2]) < 0.1


def test_unpaired_part_is_said_so():
    mesh = mesh_parts(box((0, 0, 0), (1, 1, 1)), box((5, 0, 0), (6, 1, 1)), names=("drum", "key"))
    from cagecheck.meshes.lowpoly import prepare_low

    low = prepare_low(mesh)
    positions, quads = box((0, 0, 0), (1, 1, 1))
    result = predict(
        low, surface(positions, halves(quads)), paired=np.array([[True], [False]]),
        settings=Settings(offset=0.1, depth=0.1, **FEW),
    )  # fmt: skip
    key = [r for r in result.regions if r.part == "key" and r.name == Defect.MISS_NOTHING.title]
    assert len(key) == 1 and key[0].percent == pytest.approx(100) and "paired" in key[0].cause


def test_uneven_push_is_read_per_vertex():
    low = plane_low(1)
    result = predict(
        low, plane_high([0.1]), cage=cage_from_push(low, np.array([0.0, 0.0, 0.2, 0.2])),
        settings=Settings(depth=0.1, **FEW),
    )  # fmt: skip
    assert share(result, Defect.MISS_TIGHT) == pytest.approx(0.5, abs=0.01)


def test_texel_sampling_counts_texels():
    low = plane_low(1, with_uv=True)
    settings = Settings(offset=0.1, depth=0.1, texels=64, unseen_points=0)
    result = predict(low, plane_high([0.2]), settings=settings)
    assert len(result.points) == 64 * 64
    (row,) = [r for r in result.totals() if r["name"] == Defect.MISS_TIGHT.title]
    assert row["texels"] == pytest.approx(64 * 64) and row["percent"] == pytest.approx(100)


@pytest.mark.parametrize(("shift", "words"), [(None, "no UVs"), (-3.0, "off the tile grid")])
def test_texels_need_uvs_on_a_tile(shift, words):
    positions, quads = grid(1)
    uv = None if shift is None else (positions[:, :2] + 0.5)[quads.ravel()] + [shift, 0]
    with pytest.raises(InputError, match=words):
        predict(as_low(positions, quads, uv), plane_high([0.0]), settings=Settings(texels=16))


def test_splits_without_uvs_make_regions_with_an_area():
    """A box edge of length 1, rays at right angles: a wedge sqrt(2) times the height wide."""
    from cagecheck.meshes.lowpoly import prepare_low
    from cagecheck.meshes.mesh import mesh_from_polygons
    from cagecheck.meshes.normals import NormalRule

    positions, quads = box((0, 0, 0), (1, 1, 1))
    rule = NormalRule("hardness")
    high_positions, high_quads = box((-0.1, -0.1, -0.1), (1.1, 1.1, 1.1))
    high = surface(high_positions, halves(high_quads))
    settings = Settings(offset=0.2, depth=0.1, map_size=100, directions="corner", **FEW)
    cells = np.stack([np.arange(6) % 3, np.arange(6) // 3], axis=1)[:, None] / 4
    uv = (cells + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) / 5).reshape(-1, 2)
    for corners, per_unit, unit in ((None, 0, "units"), (uv, 20, "texels")):
        low = prepare_low(mesh_from_polygons(positions, quads, uv=corners), rule=rule)
        result = predict(low, high, settings=settings)
        splits = [r for r in result.regions if r.name == Defect.SPLIT.title]
        # Twelve edges of length 1; the wedge's outer rays start 0.1 above the edge.
        expected = 12 * 0.1 * np.sqrt(2)
        assert sum(r.area for r in splits) == pytest.approx(expected, rel=1e-6)
        assert sum(r.texels for r in splits) == pytest.approx(expected * per_unit**2, rel=1e-6)
        assert {r.unit for r in splits} == {unit}
        worst = max(r.worst for r in splits)
        assert worst == pytest.approx(0.1 * np.sqrt(2) * (per_unit or 1), rel=1e-6)


def test_same_input_same_answer_to_the_bit():
    ball = trimesh.creation.icosphere(3)
    low = as_low(ball.vertices, ball.faces)
    outer = trimesh.creation.icosphere(5)
    high = surface(outer.vertices, outer.faces)
    a, b = (predict(low, high, settings=Settings(samples=20_000)) for _ in range(2))
    assert a.to_dict() == b.to_dict()
    assert np.array_equal(a.findings.flags, b.findings.flags)


def test_rigid_motion_and_scale_change_nothing():
    ball = trimesh.creation.icosphere(2)
    outer = trimesh.creation.icosphere(5)
    turn = trimesh.transformations.random_rotation_matrix(np.array([0.2, 0.5, 0.9]))[:3, :3]

    def run(transform, scale):
        low = as_low(transform(ball.vertices), ball.faces)
        high = surface(transform(outer.vertices), outer.faces)
        settings = Settings(offset=0.005 * scale, depth=0.01 * scale, **FEW)
        return predict(low, high, settings=settings)

    plain = run(lambda v: v, 1.0)
    moved = run(lambda v: 1000 * (v @ turn.T) + [3000, -2000, 500], 1000.0)
    assert share(plain, Defect.MISS_TIGHT) > 0.05
    for defect in Defect:
        assert share(moved, defect) == pytest.approx(share(plain, defect), abs=2e-3)


def test_offset_that_touches_nothing_wrong_is_clean():
    ball = trimesh.creation.icosphere(4)
    low = as_low(ball.vertices, ball.faces)
    cage = cage_from_offset(low, 0.05)
    high = surface(*(lambda b: (b.vertices, b.faces))(trimesh.creation.icosphere(6)))
    result = predict(low, high, cage=cage, settings=Settings(depth=0.05, samples=30_000))
    assert result.clean, [r.name for r in result.regions]
