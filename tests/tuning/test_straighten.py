"""Straightening on boxes whose studs slide: fields in closed form, bounds, and what casts show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array, csr_array

from cagecheck.defects.kinds import Defect
from cagecheck.meshes.edges import edge_pairs
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface
from cagecheck.meshes.normals import triangle_normals
from cagecheck.predicting.settings import Settings
from cagecheck.rays.points import sample_points
from cagecheck.tuning.field_maps import TOP, field_map
from cagecheck.tuning.refine import Refined, refine
from cagecheck.tuning.straighten.moved_cage import MovedCage
from cagecheck.tuning.straighten.outcome import HARM, Outcome, outcome
from cagecheck.tuning.straighten.straighten import WAYS, Straightening, straighten
from cagecheck.tuning.straighten.turned_directions import turned
from cagecheck.tuning.straighten.turning_map import (
    STRETCH,
    StraighteningField,
    largest_within,
    smallest_as_good,
    straightening_field,
    taken_back,
    turned_cage,
    unturned_cage,
)
from cagecheck.tuning.tune import Tuning, tune
from cagecheck.tuning.words import straightening_words
from tests.scenes.tuning import raised_box, sheet, studded_box, surface_of

SETTINGS = Settings(samples=1500, unseen_points=0, depth=0.05, reach=0.2, map_size=256)


def skew(result: Outcome) -> float:
    return result.percent(Defect.SKEW)


@pytest.fixture(scope="module")
def studs() -> tuple[Tuning, Straightening]:
    low, high = studded_box(cells=3, fine=8)
    result = tune(low, high, settings=SETTINGS)
    return result, straighten(result)


def test_studs_on_a_box_stop_sliding_and_nothing_is_harmed(
    studs: tuple[Tuning, Straightening],
) -> None:
    _, found = studs
    assert skew(found.before) > 5
    assert skew(found.vertices) < 0.8 * skew(found.before)
    assert skew(found.map) < 0.2 * skew(found.before)
    for after in (found.vertices, found.map):
        assert not after.findings.has(Defect.SPLIT).any()
        assert not after.worse_than(found.before).any()
    assert found.harmed == {"map": 0, "vertices": 0, "cage": 0}
    assert all(found.helps(way) for way in WAYS)
    assert ((found.share >= 0) & (found.share <= 1)).all()


def test_what_is_taken_back_is_not_turned_at_all_and_the_rest_keeps_its_bounds(
    studs: tuple[Tuning, Straightening],
) -> None:
    result, found = studs
    field, low = found.field, found.field.refined.low
    turning = np.flatnonzero(field.turns(found.map.points))
    rows = turning[:: max(len(turning) // 5, 1)]
    points = found.map.points.take(rows)
    back = taken_back(field, points, 0.0)
    corner = low.welded[points.triangle]
    assert (field.share[corner].max(axis=1) > 0).all() and not back.share[corner].any()
    assert not back.turns(points).any()
    assert (back.share <= field.share + 1e-12).all()
    assert (back.share <= back.greatest + 1e-12).all()
    step = back.step.tocoo()
    i, j = step.coords
    assert (np.abs(back.share[i] - back.share[j]) <= step.data + 1e-12).all()
    half = taken_back(field, points, 0.5)
    assert (half.share[corner] <= 0.5 * field.share[corner] + 1e-12).all()
    assert half.share[corner].max() > 0.4 * field.share[corner].max() > 0
    # Far from there nothing changes: steps let a share fall off within a few pieces.
    assert np.mean(np.abs(back.share - field.share) < 1e-12) > 0.5

    cage = MovedCage(found.cage.cage, np.ones((result.low.position_count, 3)), np.ones(
        result.low.position_count))  # fmt: skip
    whole = field.refined.to_parent(points)
    assert cage.turns(result.low, whole).all()
    lowered = cage.taken_back(result, whole, 0.0)
    assert not lowered.turns(result.low, whole).any()
    corner = result.low.triangles[whole.triangle]
    assert lowered.cage.positions is not None and result.cage.positions is not None
    assert lowered.cage.positions[corner] == pytest.approx(result.cage.positions[corner])


def test_harm_that_is_left_is_said_and_no_help_is_claimed(
    studs: tuple[Tuning, Straightening],
) -> None:
    _, found = studs
    said = straightening_words(found)
    assert said[0].startswith("Rays turned by the map: skew goes from ")
    assert said[0].endswith(f"none of {len(found.before.points):,} new samples is harmed.")
    assert "95 % confidence" in said[-1]
    left = replace(found, harmed={"map": 2, "vertices": 0, "cage": 0})
    assert not left.helps("map") and left.lessens("map") and left.helps("vertices")
    assert f"but 2 of {len(found.before.points):,} new samples" in straightening_words(left)[0]
    worse = replace(found, map=found.before)
    assert straightening_words(worse)[0] == "Rays turned by the map: no less skew here."


def test_the_moved_cage_slides_less_and_stays_closed(
    studs: tuple[Tuning, Straightening],
) -> None:
    result, found = studs
    positions, low = found.cage.cage.positions, result.low
    assert positions is not None
    _, first = np.unique(low.position_id, return_index=True)
    assert np.array_equal(positions, positions[first][low.position_id])
    assert found.helps("cage") and skew(found.cage) < skew(found.before)


@pytest.mark.long
def test_vertices_that_the_artist_keeps_do_not_move_sideways() -> None:
    low, high = studded_box(cells=2, fine=8)
    keep = np.full(low.mesh.vertex_count, np.nan)
    keep[low.position_id == low.position_id[0]] = 0.07
    result = tune(low, high, settings=SETTINGS, keep=keep)
    positions = straighten(result).cage.cage.positions
    assert positions is not None
    tuned = low.positions[0] + 0.07 * low.ray_normals[low.position_id[0]]
    assert positions[0] == pytest.approx(tuned, abs=1e-12)


def test_a_flat_sheet_needs_no_straightening() -> None:
    low = prepare_low(sheet(4, lambda x, y: 0 * x))
    result = tune(low, surface_of(sheet(8, lambda x, y: 0 * x + 0.02)), settings=SETTINGS)
    found = straighten(result)
    assert not found.share.any() and not found.field.share.any()
    assert not any(found.helps(way) for way in WAYS)


def test_inner_loops_turn_all_the_way_and_edges_as_far_as_their_bevel_is_hit() -> None:
    """Bevels cut the box's edges inside the low poly: straight rays there would pass them by."""
    low, high = raised_box(cells=4, height=0.05, bevel=0.02)
    result = tune(low, high, settings=SETTINGS)
    found = straightening_field(result, finer=False)
    asked = np.unique(low.welded[result.after.points.triangle[skewed(result)]])
    assert len(asked) > 20
    on_edge = (np.abs(low.ray_normals) > 0.1).sum(axis=1) > 1
    assert found.share[asked[~on_edge[asked]]] == pytest.approx(1.0)
    assert found.share[asked[on_edge[asked]]].min() < 1
    assert found.after.percent(*HARM) == found.before.percent(*HARM) == 0
    assert found.after.percent(Defect.SKEW) < 0.5 * found.before.percent(Defect.SKEW)


def skewed(result: Tuning) -> np.ndarray:
    return result.after.findings.has(Defect.SKEW)


def test_on_one_quad_a_side_only_the_map_can_turn_and_its_ramp_is_known() -> None:
    """A cube under a shell at height t: all eight vertices lie on hard edges.

    At the edges a wedge of half an angle f, tan f = s sin 45 / (1 - s + s cos 45), is 2 t sin f
    wide and must stay below a texel. Half way along an edge the ray leans 45 degrees, so the slide
    is t tan 45 in the plane, and s climbs by STRETCH / slide per length at the least.
    """
    height = 0.05
    low, high = raised_box(cells=1, height=height, bevel=0.0)
    settings_ = replace(SETTINGS, map_size=256)
    result = tune(low, high, settings=settings_)
    texels = float(low.texels_per_unit(256)[0])
    vertices = straightening_field(result, finer=False)
    assert vertices.share.max() < 0.3
    field = straightening_field(result)
    fine = field.refined.low
    edge = (np.abs(np.abs(fine.positions) - 0.5) < 1e-12).sum(axis=1) == 2
    middle = edge & (np.abs(fine.positions).min(axis=1) < 0.2)
    s = field.share[middle]
    half = np.arctan2(s * np.sqrt(0.5), 1 - s + s * np.sqrt(0.5))
    # The ray meets the shell's edge at t sqrt(2) along the diagonal.
    width = 2 * height * np.sqrt(2) * np.sin(half) * texels
    assert (width <= 1 + 1e-6).all() and width.max() > 0.8
    centre = (np.abs(fine.positions) < 0.26).sum(axis=1) == 2
    assert field.share[centre] == pytest.approx(1.0)
    # On the way in, at most one step of STRETCH over the slide at the edge.
    top = np.abs(fine.positions[:, 2] - 0.5) < 1e-12
    line = top & (np.abs(fine.positions[:, 1]) < 1e-12)
    order = np.argsort(fine.positions[line, 0])
    x, share = fine.positions[line, 0][order], field.share[line][order]
    climb = np.abs(np.diff(share) / np.diff(x))
    assert climb.max() <= 1.05 * STRETCH / (height * 0.5)
    assert field.after.percent(Defect.SKEW) < 0.5 * field.before.percent(Defect.SKEW)


def test_no_single_share_can_be_changed_for_less_skew() -> None:
    low, high = studded_box(cells=2, fine=10)
    result = tune(low, high, settings=replace(SETTINGS, samples=1500))
    field = straightening_field(result, finer=False)
    base = field.after
    least = base.texels(Defect.SKEW)
    touched = np.unique(low.welded[field.cut.parent[field.pieces]])
    dense = field.step.toarray()
    raised = 0
    for v in touched:
        beside = np.flatnonzero(dense[v])
        room = min(1.0, field.greatest[v], (field.share[beside] + dense[v, beside]).min())
        room = min(room, 1.0)
        for value in (room, max(field.share[v] - 0.2, 0.0)):
            if abs(value - field.share[v]) < 1e-9:
                continue
            raised += value > field.share[v]
            other = field.share.copy()
            other[v] = value
            cage = turned_cage(field.refined.low, field.start, other)
            changed = outcome(result, cage, base.points, refined=field.refined)
            assert changed.texels(Defect.SKEW) >= least - 1e-9
    assert raised < len(touched)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_fields_are_the_largest_and_the_smallest_that_keep_all_bounds(seed: int) -> None:
    """Against plain relaxation until nothing changes (Bellman-Ford)."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 12))
    i, j = np.triu_indices(n, 1)
    chosen = rng.random(len(i)) < 0.4
    i, j = i[chosen], j[chosen]
    g = rng.uniform(0.01, 0.6, len(i))
    step = csr_array(coo_array((np.r_[g, g], (np.r_[i, j], np.r_[j, i])), shape=(n, n)))
    greatest = np.where(rng.random(n) < 0.3, 0.0, rng.uniform(0, 1, n))
    inside = rng.random(n) < 0.5
    largest = greatest.copy()
    for _ in range(n):
        for a, b, most in zip(np.r_[i, j], np.r_[j, i], np.r_[g, g], strict=True):
            largest[a] = min(largest[a], largest[b] + most)
    found = largest_within(greatest, step)
    assert found == pytest.approx(largest, abs=1e-12)
    smallest = np.where(inside, largest, 0.0)
    for _ in range(n):
        for a, b, most in zip(np.r_[i, j], np.r_[j, i], np.r_[g, g], strict=True):
            smallest[a] = max(smallest[a], smallest[b] - most)
    assert smallest_as_good(found, inside, step) == pytest.approx(smallest, abs=1e-12)


def cut_box() -> tuple[LowPoly, Refined]:
    low, _ = studded_box(cells=2, fine=2)
    wanted = np.full(len(low.triangles), np.inf)
    wanted[[0, 5, 17]] = 0.06
    return low, refine(low, wanted, 10**6)


def test_pieces_of_a_cut_low_poly_meet_and_cover_it() -> None:
    low, cut = cut_box()
    fine = cut.low
    assert len(fine.triangles) > 3 * len(low.triangles)
    assert 2 * len(edge_pairs(fine.welded)[0]) == fine.welded.size  # closed, no gaps
    normal, area = triangle_normals(fine.positions, fine.triangles)
    assert normal == pytest.approx(fine.face_normals, abs=1e-12)
    assert area == pytest.approx(fine.area, abs=1e-15)
    covered = np.bincount(cut.parent, fine.area, minlength=len(low.triangles))
    assert covered == pytest.approx(low.area)
    assert np.bincount(cut.parent, fine.uv_area) == pytest.approx(low.uv_area)
    assert (np.linalg.norm(fine.positions[: low.position_count], axis=1) > 0).all()


def test_points_of_the_cut_are_the_same_points_of_the_low_poly() -> None:
    low, cut = cut_box()
    points = sample_points(cut.low, 0.05, seed=3)
    whole = cut.to_parent(points)
    assert whole.positions(low) == pytest.approx(points.positions(cut.low), abs=1e-12)
    on_side = (whole.barycentric == 0).any(axis=1)
    assert (on_side | (whole.kind != 1)).all()


def test_a_cut_without_shares_has_the_rays_of_the_cage() -> None:
    low, high = studded_box(cells=2, fine=4)
    result = tune(low, high, settings=replace(SETTINGS, samples=500))
    cut = refine(low, np.full(len(low.triangles), 0.1), 10**5)
    points = sample_points(cut.low, 0.1)
    cage = unturned_cage(cut, result.cage)
    mine = outcome(result, cage, points, refined=cut).rays
    theirs = outcome(result, result.cage, cut.to_parent(points)).rays
    assert mine.start == pytest.approx(theirs.start, rel=1e-9)
    assert mine.direction == pytest.approx(theirs.direction, abs=1e-12)


@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_turned_corners_keep_their_height_over_their_own_triangle(share: float) -> None:
    low, _ = studded_box(cells=2, fine=2)
    averaged = low.ray_normals[low.welded]
    push = turned(averaged, low.face_normals, np.full(low.welded.shape, share))
    height = np.einsum("tvk,tk->tv", averaged, low.face_normals)
    assert np.einsum("tvk,tk->tv", push, low.face_normals) == pytest.approx(height, abs=1e-12)
    if share == 1.0:
        along = push / np.linalg.norm(push, axis=2, keepdims=True)
        assert along == pytest.approx(np.repeat(low.face_normals[:, None], 3, axis=1), abs=1e-12)


@pytest.mark.long
def test_the_same_input_gives_the_same_fields() -> None:
    low, high = studded_box(cells=2, fine=12)
    result = tune(low, high, settings=replace(SETTINGS, samples=1000))
    a, b = straighten(result), straighten(result)
    for get in (lambda x: x.share, lambda x: x.field.share, lambda x: x.cage.cage.positions):
        assert get(a).tobytes() == get(b).tobytes()


def drawn(low: LowPoly, high: Surface, at: Settings) -> tuple[Straightening, np.ndarray]:
    """A straightening, and its map in shares."""
    found = straighten(tune(low, high, settings=at))
    return found, field_map(found.field.refined.low, found.field.share, 1.0, 1001, 128) / TOP


@pytest.fixture(scope="module")
def small() -> tuple[LowPoly, Surface, Straightening, np.ndarray]:
    low, high = raised_box(cells=2, height=0.05, bevel=0.02)
    return low, high, *drawn(low, high, replace(SETTINGS, offset=0.08))


@pytest.fixture(scope="module")
def spread(small: tuple[LowPoly, Surface, Straightening, np.ndarray]) -> dict[str, float]:
    """By how much the skew that is left differs when only the seed of the samples does."""
    low, high, *_ = small
    found = [drawn(low, high, replace(SETTINGS, offset=0.08, seed=s))[0] for s in range(4)]
    return {way: float(np.ptp([skew(f.outcome_of(way)) for f in found])) for way in WAYS}


def assert_alike(
    base: tuple[Straightening, np.ndarray],
    other: tuple[Straightening, np.ndarray],
    same: float,
    spread: dict[str, float] | None = None,
) -> None:
    """same : share of the texels that agree to a hundredth; spread : see `spread`."""
    (first, image), (second, moved) = base, other
    assert image.max() > 0.9 and ((image > 0.01) & (image < 0.99)).mean() > 0.05
    assert np.mean(np.abs(image - moved) < 0.01) >= same
    for way in WAYS:
        before, after = first.outcome_of(way), second.outcome_of(way)
        apart = max(0.1, spread[way] if spread else 0.0)
        assert skew(after) == pytest.approx(skew(before), abs=apart)
        assert second.helps(way) and first.helps(way)


@pytest.mark.long
def test_renumbered_vertices_have_the_same_straightening_map(
    small: tuple[LowPoly, Surface, Straightening, np.ndarray],
) -> None:
    low, high, *base = small
    order = np.random.default_rng(4).permutation(low.mesh.vertex_count)  # new -> old
    number = np.argsort(order).astype(np.int32)
    mesh = replace(
        low.mesh,
        positions=low.positions[order],
        corner_vertex=number[low.mesh.corner_vertex],
    )
    other = drawn(prepare_low(mesh), high, replace(SETTINGS, offset=0.08))
    assert_alike((base[0], base[1]), other, same=1.0)
    assert other[0].share[number] == pytest.approx(base[0].share, abs=0.01)


# Where turned coordinates round otherwise, other samples stand at the rim of what bevels allow: the
# outcome differs by no more than it does from seed to seed.
@pytest.mark.long
@pytest.mark.parametrize(("scale", "same"), [(1.0, 0.95), (250.0, 1.0)])
def test_a_turned_and_scaled_scene_has_the_same_straightening_map(
    small: tuple[LowPoly, Surface, Straightening, np.ndarray],
    spread: dict[str, float],
    scale: float,
    same: float,
) -> None:
    low, high, *base = small
    turn = np.eye(3)
    if scale == 1.0:
        c, s = np.cos(0.7), np.sin(0.7)
        turn = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    at = replace(SETTINGS, offset=0.08 * scale, depth=0.05 * scale, reach=0.2 * scale)
    other = drawn(
        prepare_low(low.mesh.with_positions(scale * low.positions @ turn.T)),
        replace(high, positions=scale * high.positions @ turn.T),
        at,
    )
    assert_alike((base[0], base[1]), other, same, spread if scale == 1.0 else None)


def scene_without_uvs() -> tuple[LowPoly, Surface]:
    low, high = studded_box(cells=3, fine=8)
    return prepare_low(replace(low.mesh, corner_uv=None)), high


def test_without_uvs_no_wedge_is_opened_at_all() -> None:
    low, high = scene_without_uvs()
    result = tune(low, high, settings=SETTINGS)
    field: StraighteningField = straightening_field(result, finer=False)
    opened = field.after.findings.has(Defect.SPLIT) & ~field.before.findings.has(Defect.SPLIT)
    assert not opened.any()
    assert not field.after.worse_than(field.before).any()
