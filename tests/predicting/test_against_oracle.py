"""Predictions on random small scenes against a brute-force reading of the definitions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from cagecheck.defects.kinds import Defect
from cagecheck.meshes.lowpoly import prepare_low
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from tests.oracle import Bake, Model, answer, groups_of, unit
from tests.scenes.shapes import box, combined, grid, halves

SAMPLES = 260


@dataclass(frozen=True)
class Piece:
    low: tuple[np.ndarray, np.ndarray]
    high: tuple[np.ndarray, np.ndarray]


def rough(positions, triangles, rng, amount, cuts=2):
    """Cut finely and shake: what a sculpt is to its low poly."""
    mesh = trimesh.Trimesh(positions, triangles, process=False)
    for _ in range(cuts):
        mesh = mesh.subdivide()
    shaken = mesh.vertices + rng.normal(size=mesh.vertices.shape) * amount
    return shaken, np.asarray(mesh.faces)


def damaged(positions, triangles, rng):
    """Flip some triangles and take some out."""
    triangles = triangles.copy()
    flipped = rng.random(len(triangles)) < 0.08
    triangles[flipped] = triangles[flipped][:, ::-1]
    return positions, triangles[rng.random(len(triangles)) > 0.08]


def plate(rng):
    positions, quads = grid(int(rng.integers(1, 3)), rng.uniform(0.8, 1.6))
    low = positions, halves(quads)
    moved = positions + [0, 0, rng.uniform(-0.25, 0.25)]
    return Piece(low, damaged(*rough(moved, halves(quads), rng, 0.03), rng))


def block(rng):
    size = rng.uniform(0.3, 0.8, 3)
    positions, quads = box(-size, size)
    low = positions, halves(quads)
    grown = positions * rng.uniform(0.8, 1.2)
    return Piece(low, damaged(*rough(grown, halves(quads), rng, 0.03), rng))


def slot(rng):
    """Two walls of one part that face each other."""
    gap = rng.uniform(0.1, 0.4)
    left, right = (
        box((-1, -0.6, -0.6), (-gap / 2, 0.6, 0.6)),
        box((gap / 2, -0.6, -0.6), (1, 0.6, 0.6)),
    )
    positions, quads = combined(left, right)
    return Piece((positions, halves(quads)), rough(positions, halves(quads), rng, 0.02, cuts=1))


def thin_wall(rng):
    """A sheet with both sides: the back wall is near, but not what the front should record."""
    thick = rng.uniform(0.02, 0.08)
    positions, quads = box((-0.7, -0.7, -thick), (0.7, 0.7, thick))
    return Piece((positions, halves(quads)), rough(positions, halves(quads), rng, thick / 8))


def scene(seed):
    """Two or three pieces near one another, turned at random; some parts have two high parts."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 4))
    kinds = rng.choice([plate, block, slot, thin_wall], count)
    lows, highs = [], []
    for make in kinds:
        piece = make(rng)
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
        shift = rng.uniform(-0.5, 0.5, 3)
        lows.append((piece.low[0] @ turn.T + shift, piece.low[1]))
        highs.append((piece.high[0] @ turn.T + shift, piece.high[1]))
    low, low_triangles = combined(*lows)
    high, high_triangles = combined(*highs)
    paired = np.eye(count, dtype=bool)
    if rng.random() < 0.3:
        paired[0, 1] = True
    if rng.random() < 0.15:
        paired[-1] = False
    uv = None
    if rng.random() < 0.8:
        # Every triangle somewhere of its own on a tile of its part, at a density of its own.
        corner = rng.uniform(0.1, 0.9, (len(low_triangles), 1, 2))
        uv = np.clip(corner + rng.uniform(-0.1, 0.1, (len(low_triangles), 3, 2)), 0.01, 0.99)
        uv[:, :, 0] += np.repeat(np.arange(count), [len(t) for _, t in lows])[:, None]
    normals = None
    if rng.random() < 0.4:
        p = low[low_triangles]
        face = unit(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]))
        normals = unit(face[:, None] + 0.3 * rng.normal(size=p.shape))
        if rng.random() < 0.5:
            # Rays so slanted that what they cross lies nearer to other triangles.
            aside = unit(np.cross(face, rng.normal(size=3)))
            normals = unit(normals + rng.uniform(2, 6) * aside[:, None])
        # Some neighbours wound the other way, as in a careless export.
        wrong = rng.random(len(p)) < 0.1
        low_triangles[wrong] = low_triangles[wrong, ::-1]
        normals[wrong] = normals[wrong, ::-1]
    return Model(
        low, low_triangles, np.repeat(np.arange(count), [len(t) for _, t in lows]), uv, normals,
        high, high_triangles, np.repeat(np.arange(count), [len(t) for _, t in highs]), paired,
    ), Bake(
        offset=rng.uniform(0.01, 0.5), depth=rng.uniform(0.03, 0.3), reach=rng.uniform(0.1, 0.6),
        size=int(rng.integers(16, 256)), apart=bool(rng.random() < 0.2),
    )  # fmt: skip


def predicted(model, bake, seed, texels=None, unseen_points=0):
    count = len(model.low_triangles)
    names = tuple(f"part{k}" for k in range(len(model.paired)))
    low = prepare_low(
        Mesh(
            model.low,
            3 * np.arange(count + 1, dtype=np.int64),
            model.low_triangles.ravel().astype(np.int32),
            model.low_part.astype(np.int32),
            names,
            corner_uv=None if model.uv is None else model.uv.reshape(-1, 2),
            corner_normal=None if model.normals is None else model.normals.reshape(-1, 3),
        )
    )
    high = Surface(
        model.high, model.high_triangles.astype(np.int32), model.high_part.astype(np.int32), names
    )
    settings = Settings(
        offset=bake.offset,
        depth=bake.depth,
        reach=bake.reach,
        map_size=bake.size,
        samples=SAMPLES,
        texels=texels,
        apart=bake.apart,
        directions="averaged" if model.normals is None else "corner",
        seed=seed,
        unseen_points=unseen_points,
    )
    return predict(low, high, paired=model.paired, settings=settings)


@pytest.mark.long
@hypothesis_settings(max_examples=12, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6))
def test_every_sample_has_the_defects_that_the_definitions_give_it(seed):
    model, bake = scene(seed)
    result = predicted(model, bake, seed)
    points = result.points
    truth = answer(model, bake, points.triangle, points.barycentric, points.kind, visible=True)
    counted = truth.known[points.area > 0].mean()
    assert counted > 0.6, "most samples can be decided"
    for kind in range(10):
        sure = truth.known[:, kind]
        mine = result.findings.has(Defect(kind))
        expected = (truth.flags >> kind & 1).astype(bool)
        wrong = np.flatnonzero(sure & (mine != expected))
        told = truth.target_t[wrong], truth.recorded_t[wrong], result.targets.t[wrong]
        assert len(wrong) == 0, (Defect(kind), wrong, *told)
        both = sure & mine & expected
        measure = result.findings.measures[Defect(kind)][both]
        exact = truth.measures[kind][both]
        loose = 0.02 if kind == Defect.FOLD else 1e-4
        assert np.allclose(measure, exact, rtol=loose, atol=loose * 0.1, equal_nan=True), Defect(
            kind
        )
    sure = truth.error_known
    assert sure.mean() > 0.3
    assert np.allclose(result.visible_error[sure], truth.error[sure], atol=0.01)


@pytest.mark.long
@hypothesis_settings(max_examples=10, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 10**6), log_scale=st.floats(-4, 5), log_shift=st.floats(0, 6),
    turned=st.booleans(),
)  # fmt: skip
def test_nothing_depends_on_place_size_or_turn(seed, log_scale, log_shift, turned):
    """From a ten-thousandth to a hundred thousand times the size, up to a million sizes away."""
    model, bake = scene(seed)
    scale, rng = 10.0**log_scale, np.random.default_rng(seed)
    turn = np.eye(3)
    if turned:
        turn = trimesh.transformations.random_rotation_matrix(rng.random(3))[:3, :3]
    shift = scale * 10.0**log_shift * rng.uniform(-1, 1, 3)
    moved_model = replace(
        model,
        low=scale * model.low @ turn.T + shift,
        high=scale * model.high @ turn.T + shift,
        normals=None if model.normals is None else model.normals @ turn.T,
    )
    lengths = {name: scale * getattr(bake, name) for name in ("offset", "depth", "reach")}
    moved = predicted(moved_model, replace(bake, **lengths), seed)
    plain = predicted(model, bake, seed)
    points = plain.points
    known = answer(model, bake, points.triangle, points.barycentric, points.kind).known
    one, other = _order(points), _order(moved.points)
    differ = plain.findings.flags[one] ^ moved.findings.flags[other]
    for kind in range(10):
        assert not ((differ >> kind & 1).astype(bool) & known[one, kind]).any(), Defect(kind)
    for before, after in zip(plain.totals(), moved.totals(), strict=True):
        assert after["regions"] == pytest.approx(before["regions"], abs=1)
        assert after["percent"] == pytest.approx(before["percent"], abs=1)


def _order(points):
    w = points.barycentric
    return np.lexsort((w[:, 2], w[:, 1], w[:, 0], points.kind, points.triangle))


def atlas(count, rng):
    """(T, 3, 2) UVs on one tile: every triangle anywhere in a cell of its own."""
    across = int(np.ceil(np.sqrt(count)))
    cell = np.stack(np.divmod(np.arange(count), across), axis=1)[:, None]
    return (cell + rng.uniform(0.02, 0.98, (count, 3, 2))) / across


def centres_inside(uv, size):
    """Texel centres inside UV triangles: (N,) triangle, (N, 3) barycentric, (N,) sure.

    By signed areas, centre by centre; one within a thousandth of a texel of an edge is not sure.
    """
    centre = (np.stack(np.divmod(np.arange(size**2), size), axis=1) + 0.5) / size
    found = []
    for t, (a, b, c) in enumerate(uv):
        doubled = np.linalg.det([b - a, c - a])
        p, q, r = (x - centre for x in (a, b, c))
        pairs = np.stack([[q, r], [r, p], [p, q]])
        w = np.linalg.det(pairs.transpose(2, 0, 1, 3)) / doubled
        edges = np.linalg.norm([c - b, a - c, b - a], axis=1)
        slack = (w * np.abs(doubled) / edges).min(
            axis=1
        ) * size  # texels inside of the nearest edge
        rows = np.flatnonzero(slack > -1e-3)
        found.append((np.full(len(rows), t), w[rows], slack[rows] > 1e-3))
    return (np.concatenate(x) for x in zip(*found, strict=True))


@hypothesis_settings(max_examples=12, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), size=st.integers(24, 64))
def test_defects_at_texel_centres_are_counted_texel_by_texel(seed, size):
    """Against a count of the centres that the definitions call defective, centre by centre."""
    model, bake = scene(seed)
    model = replace(model, uv=atlas(len(model.low_triangles), np.random.default_rng(seed)))
    bake = replace(bake, size=size)
    result = predicted(model, bake, seed, texels=size)
    triangle, barycentric, sure = centres_inside(model.uv, size)
    assert sure.sum() <= len(result.points) <= len(sure)
    per_triangle = np.bincount(triangle, minlength=len(model.low_triangles))
    mine = np.bincount(result.points.triangle, minlength=len(per_triangle))
    unsure = np.bincount(triangle[~sure], minlength=len(per_triangle))
    assert ((mine <= per_triangle) & (mine >= per_triangle - unsure)).all()
    truth = answer(model, bake, triangle, barycentric, np.full(len(triangle), 3))
    for row, kind in zip(result.totals()[:9], range(9), strict=True):
        flagged = (truth.flags >> kind & 1).astype(bool)
        certain = truth.known[:, kind] & sure
        least, most = (flagged & certain).sum(), (flagged | ~certain).sum()
        assert row["name"] == Defect(kind).title
        assert least - 1e-6 <= row["texels"] <= most + 1e-6
        regions = [r.texels for r in result.regions if r.name == row["name"]]
        assert sum(regions) == pytest.approx(row["texels"])
        assert all(texels == pytest.approx(round(texels)) for texels in regions)


@hypothesis_settings(max_examples=60, deadline=None, derandomize=True)
@given(seed=st.integers(10**6, 2 * 10**6))
def test_regions_are_the_connected_groups_with_their_measures(seed):
    model, bake = scene(seed)
    result = predicted(model, bake, seed)
    points, place = result.points, result.rays.origin
    corners = model.low[model.low_triangles]
    for kind in range(10):
        regions = [r for r in result.regions if r.name == Defect(kind).title]
        chosen = np.flatnonzero(result.findings.flags >> kind & 1)
        lone = ~model.paired.any(axis=1)
        whole = [np.flatnonzero(model.low_part[points.triangle] == k) for k in np.flatnonzero(lone)]
        rest = chosen[~lone[model.low_part[points.triangle[chosen]]]]
        expected = groups_of(place, points.spacing, points.triangle, model.low_part, corners, rest)
        expected += [frozenset(np.intersect1d(chosen, w).tolist()) for w in whole]
        if kind != Defect.SPLIT:
            expected = [g for g in expected if points.area[list(g)].sum() > 0]
        assert {frozenset(r.samples.tolist()) for r in regions} == {g for g in expected if g}
        for region in regions:
            _check_region(region, result, model, bake, Defect(kind))
    order = [(-r.harm, -r.texels, -r.area) for r in result.regions]
    assert order == sorted(order)
    assert [r.number for r in result.regions] == list(range(1, len(order) + 1))


def _check_region(region, result, model, bake, kind):
    points, samples = result.points, region.samples
    triangle, weight = points.triangle[samples], points.area[samples]
    p = model.low[model.low_triangles]
    area = 0.5 * np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    density = np.zeros(len(area))
    if model.uv is not None:
        doubled = np.abs(np.linalg.det(model.uv[:, 1:] - model.uv[:, :1]))
        density = bake.size * np.sqrt(doubled / 2 / area)
    values = result.findings.measures[kind][samples]
    if kind == Defect.SPLIT:
        scale = density[triangle]
        weight = points.spacing[samples] * np.where(
            scale > 0, values / np.where(scale, scale, 1), values
        )
    part = np.unique(model.low_part[triangle])
    assert len(part) == 1 and region.part == f"part{part[0]}"
    assert region.area == pytest.approx(weight.sum())
    assert region.percent == pytest.approx(
        100 * weight.sum() / area[model.low_part == part[0]].sum()
    )
    texels = weight * density[triangle] ** 2
    assert region.texels == pytest.approx(texels.sum())
    error = result.visible_error[samples]
    assert region.texels_seen == pytest.approx(texels[error > 2].sum())
    assert region.area_seen == pytest.approx(weight[error > 2].sum())
    shown = texels if texels.sum() > 0 else weight
    assert region.harm == pytest.approx(
        (np.where(error > 2, np.minimum(error, 30), 0) * shown).sum()
    )
    assert region.visible_error == pytest.approx(np.average(error, weights=shown))
    assert region.tile == (0 if model.uv is None else 1001 + part[0])
    place = np.einsum("nk,nkx->nx", points.barycentric[samples], p[triangle])
    centre = (weight[:, None] * place).sum(axis=0) / weight.sum()
    nearest = np.linalg.norm(place - centre, axis=1)
    away = np.linalg.norm(np.array(region.centroid) - centre)
    assert away == pytest.approx(nearest.min(), abs=1e-9)
    assert np.linalg.norm(place - region.centroid, axis=1).min() < 1e-9, "a place on the surface"
    assert region.radius == pytest.approx(nearest.max())
    finite = values[np.isfinite(values)]
    worst = None if len(finite) == 0 else min(finite) if kind == Defect.FOLD else max(finite)
    assert region.worst == (None if worst is None else pytest.approx(worst))
    assert region.unit == {
        Defect.SKEW: "texels" if model.uv is not None else "units",
        Defect.SPLIT: "texels" if model.uv is not None else "units",
        Defect.STEEP: "degrees", Defect.BACK_FACING: "degrees", Defect.FOLD: "ratio",
    }.get(kind, "units")  # fmt: skip
    assert region.sample_count == len(samples)
