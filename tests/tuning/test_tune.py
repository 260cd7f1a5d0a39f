"""Whole tunings against closed forms and invariances."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.errors import InputError
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays.points import sample_points
from cagecheck.tuning.assurance import surface_bound
from cagecheck.tuning.single import single_numbers, uniform_prediction
from cagecheck.tuning.tune import TuneSettings, Tuning, tune
from tests.scenes.tuning import BUMPS, bumpy_pair, sheet, surface_of, tube, tuned_bumps

QUICK = Settings(samples=3000, unseen_points=0)
MISSES = (Defect.MISS_TIGHT, Defect.MISS_DEEP, Defect.OVERSHOOT_OWN, Defect.OVERSHOOT_OTHER)


def left(tuning: Tuning) -> int:
    return sum(int(tuning.after.findings.has(d).sum()) for d in MISSES)


@pytest.mark.parametrize("sides", [6, 12, 20])
def test_inscribed_cylinder_needs_the_circumscribed_polygon(sides: int) -> None:
    """Sagitta s = r (1 - cos(pi/n)), a handbook formula; the ray at mid edge is radial.

    A vertex pushed by d raises the mid edge by d cos(pi/n), so d = s / cos(pi/n).
    """
    radius, fine = 2.0, 40
    low = prepare_low(tube(radius, 1.0, sides, 3))
    high = surface_of(tube(radius, 1.0, sides * fine, 24))
    result = tune(low, high, settings=replace(QUICK, depth=0.3, reach=1.0))
    sagitta = radius * (1 - np.cos(np.pi / sides))
    expected = sagitta / np.cos(np.pi / sides)
    # The margin on top, and rounds that end when offsets move by less than it; and the high poly
    # is itself a polygon, `fine` times finer.
    spare = 6 * result.margin / np.cos(np.pi / sides)
    assert result.offset_out.min() >= expected * (1 - 1.0 / fine**2) - 1e-6
    assert result.offset_out.max() <= expected + spare + 1e-4 * expected
    assert left(result) == 0


def test_inscribed_sphere_is_covered_and_no_more_than_needed() -> None:
    """Each vertex of the tuned cage lies near the tangent polyhedron over its own faces."""
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=2)
    fine = trimesh.creation.icosphere(subdivisions=5)
    low = prepare_low(_mesh(ball.vertices, ball.faces))
    high = Surface(
        np.asarray(fine.vertices), np.asarray(fine.faces, np.int32), np.zeros(len(fine.faces), "i4")
    )
    result = tune(low, high, settings=replace(QUICK, depth=0.2, reach=0.5))
    assert left(result) == 0
    # A face at distance h from the centre is covered by raising it to 1 along its normal.
    a, b, c = (low.positions[low.triangles[:, k]] for k in range(3))
    h = np.einsum("ij,ij->i", low.face_normals, a)
    assert np.all(np.linalg.norm(b, axis=1) > 0) and np.all(np.linalg.norm(c, axis=1) > 0)
    needed = 1 / h - 1
    assert result.offset_out.max() <= needed.max() * 1.05 + 2 * result.margin
    assert result.offset_out.min() >= 0


def _mesh(points: np.ndarray, faces: np.ndarray) -> Mesh:
    from cagecheck.meshes.mesh import mesh_from_polygons

    return mesh_from_polygons(np.asarray(points), np.asarray(faces))


def plates(gap: float) -> tuple[LowPoly, Surface, np.ndarray]:
    """Plate 0 at z = 0 with its surface at 0.02, plate 1 at z = gap with its surface there."""
    low = join_meshes(
        [
            replace(sheet(4, lambda x, y: 0 * x), part_names=("a",)),
            replace(sheet(4, lambda x, y: 0 * x + gap), part_names=("b",)),
        ]
    )
    high = surface_of(sheet(8, lambda x, y: 0 * x + 0.02), sheet(8, lambda x, y: 0 * x + gap))
    return prepare_low(low), high, np.eye(2, dtype=bool)


def test_parallel_plates_give_the_corridor_in_closed_form() -> None:
    low, high, paired = plates(0.1)
    result = tune(low, high, paired=paired, settings=replace(QUICK, depth=0.05, reach=0.3))
    m = result.margin
    bottom = low.positions[:, 2] == 0
    assert result.offset_out[bottom] == pytest.approx(0.02 + m, abs=2e-6)
    assert left(result) == 0
    # A vertex moved alone may rise until one of its samples reaches the other plate.
    assert (result.upper[bottom] >= 0.1 - 2 * m).all()
    used = np.unique(low.triangles)
    assert np.isfinite(result.upper[used][bottom[used]]).all()


def test_overshoot_begins_exactly_at_the_gap() -> None:
    low, high, paired = plates(0.1)
    settings = replace(QUICK, depth=0.05, reach=0.3)
    for offset, expected in ((0.0999, 0), (0.1001, 1)):
        result = tune(low, high, paired=paired, settings=replace(settings, offset=offset))
        over = result.before.findings.has(Defect.OVERSHOOT_OTHER)
        mine = low.triangle_part[result.before.points.triangle] == 0
        assert over[mine].all() == bool(expected) and over[mine].any() == bool(expected)
        assert left(result) == 0


def test_single_number_of_plates() -> None:
    low, high, paired = plates(0.1)
    result = tune(low, high, paired=paired, settings=replace(QUICK, depth=0.05, reach=0.3))
    numbers = single_numbers(uniform_prediction(result.before), result.margin, result.limit)
    by_name = {n.name: n for n in numbers}
    assert by_name["a"].offset_out == pytest.approx(0.02 + result.margin, abs=1e-6)
    assert by_name["a"].missed == by_name["a"].overshot == 0
    curve = by_name["a"]
    # Below the surface all is missed, from the other plate on all overshoots.
    assert curve.curve_missed[curve.distance < 0.0199] == pytest.approx(100)


def test_a_wedge_that_closes_on_the_surface_is_threaded() -> None:
    """Plate b rises from z = 0.01 at x = 0; where it is above 0.03 it bounds plate a's rays."""
    low = join_meshes(
        [
            replace(sheet(6, lambda x, y: 0 * x), part_names=("a",)),
            replace(sheet(6, lambda x, y: 0.01 + 0.1 * x), part_names=("b",)),
        ]
    )
    high = surface_of(sheet(6, lambda x, y: 0 * x + 0.03), sheet(6, lambda x, y: 0.01 + 0.1 * x))
    low_poly = prepare_low(low)
    settings = replace(QUICK, depth=0.05, reach=0.3, offset=0.06)
    result = tune(low_poly, high, paired=np.eye(2, dtype=bool), settings=settings)
    part_a = low_poly.triangle_part[result.after.points.triangle] == 0
    over = result.before.findings.has(Defect.OVERSHOOT_OTHER) & part_a
    x = result.before.positions[:, 0]
    inner = (result.before.points.area > 0) & part_a
    # A start at 0.06 overshoots where 0.03 < 0.01 + 0.1 x <= 0.06: 0.2 < x <= 0.5.
    assert np.array_equal(over[inner], ((x > 0.2) & (x <= 0.5))[inner])
    # Within a margin or two of the closing line no float32 baker could tell either.
    touching = np.abs(x - 0.2) < 100 * result.margin
    bad = np.zeros(len(x), bool)
    for defect in MISSES:
        bad |= result.after.findings.has(defect)
    assert not (bad & inner & ~touching).any()


def turned(mesh: LowPoly, surface: Surface, matrix: np.ndarray, shift: np.ndarray) -> tuple:
    low = prepare_low(mesh.mesh.with_positions(mesh.positions @ matrix.T + shift))
    return low, replace(surface, positions=surface.positions @ matrix.T + shift)


def test_rigid_motion_and_uniform_scale_carry_the_offsets_along() -> None:
    low, high = bumpy_pair()
    settings = replace(QUICK, depth=0.08, reach=0.25, offset=0.05)
    margin = TuneSettings(margin=1e-4)
    base = tune(low, high, settings=settings, tuning=margin)
    assert left(base) == 0
    angle = 0.7
    turn = np.array(
        [[np.cos(angle), 0, np.sin(angle)], [0, 1, 0], [-np.sin(angle), 0, np.cos(angle)]]
    )
    moved = tune(*turned(low, high, turn, np.zeros(3)), settings=settings,
                 tuning=margin)  # fmt: skip
    assert moved.offset_out == pytest.approx(base.offset_out, abs=3 * base.margin)
    scale = 250.0
    big = replace(settings, depth=0.08 * scale, reach=0.25 * scale, offset=0.05 * scale)
    scaled = tune(*turned(low, high, scale * np.eye(3), np.zeros(3)), settings=big,
                  tuning=TuneSettings(margin=1e-4 * scale))  # fmt: skip
    assert scaled.offset_out / scale == pytest.approx(base.offset_out, abs=3 * base.margin)


def test_renumbering_the_vertices_renumbers_the_offsets() -> None:
    low, high = bumpy_pair(3)
    settings = replace(QUICK, depth=0.08, reach=0.25)
    base = tune(low, high, settings=settings)
    order = np.random.default_rng(1).permutation(low.mesh.vertex_count)  # new -> old
    number = np.argsort(order).astype(np.int32)
    mesh = replace(
        low.mesh,
        positions=low.positions[order],
        corner_vertex=number[low.mesh.corner_vertex],
    )
    other = tune(prepare_low(mesh), high, settings=settings)
    assert other.offset_out[number] == pytest.approx(base.offset_out, rel=1e-4, abs=1e-6)


def test_refining_the_high_poly_in_place_changes_nothing() -> None:
    low, high = bumpy_pair(5)
    settings = replace(QUICK, depth=0.08, reach=0.25)
    tuning = TuneSettings(margin=2e-4)
    base = tune(low, high, settings=settings, tuning=tuning)
    import trimesh

    points, faces = trimesh.remesh.subdivide(high.positions, high.triangles)
    finer = Surface(points, faces.astype(np.int32), np.zeros(len(faces), np.int32), ("part0",))
    other = tune(low, finer, settings=settings, tuning=tuning)
    assert left(base) == left(other) == 0
    # Which of two points within a margin of each other binds depends on the sampling; a corner
    # far from the point moves by more than the margin.
    assert other.offset_out == pytest.approx(base.offset_out, abs=10 * base.margin)
    for cage, surface in ((base.cage, finer), (other.cage, high)):
        crossed = predict(low, surface, cage=cage, settings=replace(settings, seed=99))
        assert not any(crossed.findings.has(defect).any() for defect in MISSES)


def test_kept_vertices_stay_and_the_rest_is_solved_around_them() -> None:
    low, high = bumpy_pair(7)
    keep = np.full(low.mesh.vertex_count, np.nan)
    keep[[0, 8, 14]] = [0.09, 0.08, 0.001]
    result = tune(low, high, settings=replace(QUICK, depth=0.08, reach=0.25), keep=keep)
    assert np.array_equal(result.offset_out[[0, 8, 14]], keep[[0, 8, 14]])
    assert np.array_equal(np.flatnonzero(result.kept), [0, 8, 14])


def test_limit_is_respected_and_what_it_costs_is_reported() -> None:
    limit = 0.5 * float(tuned_bumps().offset_out.max())
    held = tuned_bumps(limit)
    assert held.offset_out.max() <= limit
    assert held.after.findings.has(Defect.MISS_TIGHT).any()
    assert held.conflict.any() and held.assurance.conflicting > 0
    assert not held.clean
    # Without one offsets may go half as far again as rays reach.
    assert held.limit == limit and held.limit_given
    assert BUMPS.reach is not None
    assert tuned_bumps().limit == pytest.approx(1.5 * BUMPS.reach)
    assert not tuned_bumps().limit_given


def test_same_input_same_offsets() -> None:
    low, high = bumpy_pair(9)
    settings = replace(QUICK, depth=0.08, reach=0.25)
    first, second = (tune(low, high, settings=settings) for _ in range(2))
    assert first.offset_out.tobytes() == second.offset_out.tobytes()
    assert first.offset_in.tobytes() == second.offset_in.tobytes()


@pytest.mark.parametrize(
    ("keep", "words"),
    [([0.1], "do not fit"), (None, "negative")],
)
def test_unusable_kept_offsets_are_refused(keep: list[float] | None, words: str) -> None:
    low, high = bumpy_pair()
    values = np.full(low.mesh.vertex_count, np.nan)
    values[3] = -0.1
    with pytest.raises(InputError, match=words):
        tune(low, high, settings=QUICK, keep=values if keep is None else np.array(keep))


@pytest.mark.parametrize("tuning", [TuneSettings(margin=-1.0), TuneSettings(limit=0.0)])
def test_unusable_settings_are_refused(tuning: TuneSettings) -> None:
    low, high = bumpy_pair()
    with pytest.raises(InputError):
        tune(low, high, settings=QUICK, tuning=tuning)


@pytest.mark.parametrize("looks", [1, 4])
def test_the_bound_is_the_rule_of_three_where_samples_lie_thinnest(looks: int) -> None:
    """One large triangle beside thousands of tiny ones, each of which gets a sample of its own.

    Wrong area a on a triangle of area A escapes its n samples with probability (1 - a / A)^n.
    """
    low = prepare_low(join_meshes([sheet(1, lambda x, y: 0 * x), tiny_sheet()]))
    points = sample_points(low, 0.1, seed=3)
    bound = surface_bound(points, looks)
    large = low.area[points.triangle] == low.area.max()
    inside = points.area > 0
    n = int((large & inside).sum() / 2)
    assert n < 60 < 3000 < inside.sum()
    escapes = (1 - bound * low.area.sum() / low.area.max()) ** n
    # The chances of all looks there could be add up to 0.05: 1/2 + 1/6 + 1/12 + ...
    doubt = 0.05 / (looks * (looks + 1))
    assert 0.5 * doubt < escapes <= doubt
    assert surface_bound(points.take(inside & large), looks) == pytest.approx(
        np.log(20 * looks * (looks + 1)) / (2 * n)
    )
    assert surface_bound(points.take(~inside), looks) == 1.0


def tiny_sheet() -> Mesh:
    """A sheet of 3,200 triangles that has a thousandth of the other's edge."""
    mesh = sheet(40, lambda x, y: 0 * x)
    return replace(mesh, positions=mesh.positions * 0.001 + [3, 0, 0])
