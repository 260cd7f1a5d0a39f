"""Tuning for texel centres, against what plain arithmetic says of every texel.

Low polys are flat sheets whose UVs are their own x and y, so that the texel centres of an N x N map
lie at ((i + 1/2) / N, (j + 1/2) / N), rays run along z, and high polys that bend along x alone have
their closed form at every centre.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.tri import LinearTriInterpolator, Triangulation
from typer.testing import CliRunner

from cagecheck.cli import app
from cagecheck.defects.match import Matcher
from cagecheck.errors import InputError
from cagecheck.formats.write_mesh import write_mesh, write_surface
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, Surface, join_meshes
from cagecheck.predicting.predict import predict
from cagecheck.predicting.settings import Settings
from cagecheck.rays.points import PointKind, SurfacePoints
from cagecheck.rays.scene import Scene
from cagecheck.tuning import texels as texels_module
from cagecheck.tuning.conflicts import KINDS
from cagecheck.tuning.corridors import Limits
from cagecheck.tuning.search import Search
from cagecheck.tuning.texels import TexelWatch
from cagecheck.tuning.tune import TuneSettings, Tuning, tune
from tests.scenes.tuning import sheet, surface_of

N = 64
FINE = 256
SETTINGS = Settings(samples=300, texels=N, unseen_points=0, depth=0.05, reach=0.3)


def with_uv(mesh: Mesh, column: int = 0) -> Mesh:
    """UVs that are x and y, on the tile `column` to the right."""
    uv = mesh.positions[mesh.corner_vertex][:, :2] + [column, 0]
    return replace(mesh, corner_uv=uv)


def ridges(x: np.ndarray) -> np.ndarray:
    """Ridges narrower than a texel whose tops run exactly through texel centres, on a slope.

    Linear between multiples of 1 / FINE.
    """
    out = 0.01 + 0.01 * x
    for column, height in ((5, 0.02), (23, 0.05), (50, 0.035)):
        top = (column + 0.5) / N
        out = out + height * np.clip(1 - np.abs(x - top) * FINE, 0, 1)
    return out


def scene(height: Callable[[np.ndarray], np.ndarray], count: int = 4) -> tuple[LowPoly, Surface]:
    low = prepare_low(with_uv(sheet(count, lambda x, y: 0 * x)))
    return low, surface_of(sheet(FINE, lambda x, y: height(x)))


def centres(size: int = N) -> tuple[np.ndarray, np.ndarray]:
    c = (np.arange(size) + 0.5) / size
    x, y = np.meshgrid(c, c)
    return x.ravel(), y.ravel()


def cage_height(low: LowPoly, offsets: np.ndarray, part: int = 0) -> np.ndarray:
    """The cage over every texel centre, by matplotlib's interpolation in triangles."""
    triangles = low.triangles[low.triangle_part == part]
    used, number = np.unique(triangles, return_inverse=True)
    p = low.positions[used]
    plane = Triangulation(p[:, 0], p[:, 1], number.reshape(triangles.shape))
    found = LinearTriInterpolator(plane, p[:, 2] + offsets[used])(*centres())
    assert not np.ma.getmaskarray(found).any()
    return np.asarray(found)


def search_of(low: LowPoly, high: Surface, offset: float) -> Search:
    count = low.position_count
    limits = Limits(1.0, 0.0, np.full(count, np.nan), np.zeros(0), np.zeros(0))
    settings = replace(SETTINGS, offset=0.02)
    points = TexelWatch(low, 8).starting_points(settings)
    matcher = Matcher(low, Scene(high), np.ones((1, 1), bool))
    search = Search(matcher, settings, 1e-4, limits, points)
    search.offsets = np.full(count, offset)
    return search


@pytest.mark.parametrize("portion", [texels_module.PORTION, 700])
def test_every_texel_is_counted_as_arithmetic_says(
    monkeypatch: pytest.MonkeyPatch, portion: int
) -> None:
    monkeypatch.setattr(texels_module, "PORTION", portion)
    low, high = scene(ridges)
    watch = TexelWatch(low, N)
    assert watch.covered.sum() == N * N
    h = ridges(centres()[0])
    for offset in (0.0, 0.0153, 0.04, 0.08):
        search = search_of(low, high, offset)
        points, wrong = watch.look(search)
        assert watch.result(search).open == wrong.sum() == (h > offset).sum()
        where = points.positions(low)[wrong]
        assert ridges(where[:, 0]) == pytest.approx(np.sort(h)[-len(where) :].mean(), abs=0.05)
        assert (ridges(where[:, 0]) > offset).all()


def test_samples_start_from_spread_texels_and_all_edges_and_vertices() -> None:
    low, _ = scene(ridges)
    watch = TexelWatch(low, N)
    points = watch.starting_points(replace(SETTINGS, samples=100))
    texel = points.kind == PointKind.TEXEL
    assert watch.stride == 7 and watch.start == texel.sum() == 9**2
    where = points.positions(low)[texel][:, :2]
    assert np.unique(where[:, 0]) == pytest.approx((np.arange(9) * 7 + 3.5) / N)
    # They stand for the texels around them.
    assert points.area[texel] == pytest.approx(49 / N**2) and not points.area[~texel].any()
    on = points.kind == PointKind.VERTEX
    assert set(low.welded[points.triangle[on]].ravel()) == set(range(low.position_count))
    assert on.sum() == low.position_count and (points.kind == PointKind.EDGE).sum() > 50


def test_progress_of_a_look_is_told_before_each_portion() -> None:
    low, high = scene(ridges)
    watch, search = TexelWatch(low, N), search_of(low, high, 0.03)
    told: list[tuple[str, int, int]] = []
    search.progress = lambda *said: told.append(said)  # type: ignore[assignment]
    watch.look(search)
    # All texels are one portion here, so none is done before it.
    assert [said for said in told if said[0] == "checking texels"] == [
        ("checking texels", 0, N * N)
    ]


def test_only_changed_triangles_are_cast_again_and_the_counts_stay_right() -> None:
    low, high = scene(ridges)
    watch, search = TexelWatch(low, N), search_of(low, high, 0.03)
    watch.look(search)
    search.offsets[[7, 12]] = [0.0, 0.09]
    cast: list[int] = []
    whole = search.cast
    search.cast = lambda points, extra=None: cast.append(len(points)) or whole(points)  # type: ignore
    watch.look(search)
    fresh = TexelWatch(low, N)
    fresh.look(search)
    assert watch.result(search).open == fresh.result(search).open > 0
    assert np.array_equal(watch.short_or_beyond, fresh.short_or_beyond)
    cast.clear()
    search.offsets[:] = 0.09
    watch.look(search)
    watch.look(search)
    assert len(cast) == 1  # nothing was wrong, and then nothing had changed


def test_a_texel_that_stays_wrong_is_told_once() -> None:
    low, high = scene(ridges)
    watch = TexelWatch(low, N)
    start = watch.starting_points(SETTINGS)
    search = search_of(low, high, 0.03)
    search.points = start
    points, wrong = watch.look(search)
    known = {tuple(row) for row in _places(start.take(start.kind == PointKind.TEXEL))}
    new = {tuple(row) for row in _places(points.take(wrong))} - known
    assert wrong.sum() > len(new) > 0
    for _ in range(3):
        search.add(points.take(wrong))
    assert watch.result(search).added == len(new)


def _places(points: SurfacePoints) -> np.ndarray:
    return np.column_stack([points.triangle, points.barycentric])


def test_the_tuned_cage_clears_every_texel_centre() -> None:
    low, high = scene(ridges)
    result = tune(low, high, settings=SETTINGS)
    found = result.texels
    assert found is not None and found.clean and result.clean
    assert (found.size, found.tiles, found.count) == (N, 1, N * N)
    # 4096 texels, 300 wanted: every 4th each way.
    assert found.stride == 4 and found.start == (N / 4) ** 2
    cage, h = cage_height(low, result.offset_out), ridges(centres()[0])
    assert (cage >= h).all()
    assert cage.min() < h.max() + 0.001  # not simply lifted out of reach
    # What `predict` says of the same texels.
    again = predict(low, high, cage=result.cage, settings=SETTINGS)
    assert len(again.points) == N * N
    assert not any(again.findings.has(kind).any() for kind in KINDS)


def test_texels_stay_below_what_lies_next() -> None:
    """Plate b rises over plate a; over the texels of a the cage has to pass between."""
    low = prepare_low(
        join_meshes(
            [
                replace(with_uv(sheet(3, lambda x, y: 0 * x)), part_names=("a",)),
                replace(
                    with_uv(sheet(3, lambda x, y: 0.04 + 0.1 * x), column=1), part_names=("b",)
                ),
            ]
        )
    )
    high = surface_of(sheet(8, lambda x, y: 0.02 + 0.09 * x), sheet(8, lambda x, y: 0.04 + 0.1 * x))
    result = tune(low, high, paired=np.eye(2, dtype=bool), settings=SETTINGS)
    assert result.texels is not None and result.texels.clean
    assert (result.texels.tiles, result.texels.count) == (2, 2 * N * N)
    x = centres()[0]
    cage = cage_height(low, result.offset_out)
    assert (cage >= 0.02 + 0.09 * x).all() and (cage < 0.04 + 0.1 * x).all()


def test_what_a_limit_leaves_is_counted_texel_by_texel() -> None:
    low, high = scene(ridges)
    result = tune(low, high, settings=SETTINGS, tuning=TuneSettings(limit=0.03))
    h = ridges(centres()[0])
    assert result.texels is not None and not result.texels.clean and not result.clean
    assert (result.texels.open, result.texels.conflicting) == (0, (h > 0.03).sum())


def test_texels_deeper_than_the_depth_are_counted_and_an_automatic_depth_reaches_them() -> None:
    def groove(x: np.ndarray) -> np.ndarray:
        return 0.01 - 0.04 * np.clip(1 - np.abs(x - 20.5 / N) * FINE, 0, 1)

    low, high = scene(groove)
    deep = tune(low, high, settings=replace(SETTINGS, depth=0.02)).texels
    assert deep is not None
    assert deep.too_deep == (groove(centres()[0]) < -0.02).sum() == N
    assert deep.deepest == pytest.approx(0.03, abs=1e-6)
    free = tune(low, high, settings=replace(SETTINGS, depth=None))
    assert free.texels is not None and free.texels.too_deep == 0 and free.depth > 0.03


def test_without_uvs_there_are_no_texels_to_tune_for() -> None:
    low, high = scene(ridges)
    bare = prepare_low(replace(low.mesh, corner_uv=None))
    with pytest.raises(InputError, match="texels"):
        tune(bare, high, settings=SETTINGS)


def small_island(corner: float, edge: float) -> LowPoly:
    """A sheet whose UVs are a square of that edge."""
    mesh = sheet(1, lambda x, y: 0 * x)
    uv = corner + edge * mesh.positions[mesh.corner_vertex][:, :2]
    return prepare_low(replace(mesh, corner_uv=uv))


def test_uvs_between_all_texel_centres_are_told() -> None:
    """Centres are at odd multiples of 1 / 128; these UVs lie inside 1 / 128 to 3 / 128."""
    _, high = scene(ridges)
    with pytest.raises(InputError, match="no texel centre of a 64 x 64 map") as told:
        tune(small_island(1.1 / 128, 1.8 / 128), high, settings=SETTINGS)
    assert "`texels`" in str(told.value.cure)


def test_texels_that_the_stride_passes_over_are_cast_all_the_same() -> None:
    """One centre, in row 62 from the top: a stride of 2 takes odd rows alone."""
    _, high = scene(ridges)
    low = small_island(1.9 / 128, 1.2 / 128)
    watch = TexelWatch(low, N)
    assert watch.covered.sum() == 1
    watch.covered *= 4 * SETTINGS.samples  # as if there were many
    points = watch.starting_points(SETTINGS)
    assert watch.start == 0 and watch.stride == 2
    assert len(points) and (points.kind != PointKind.TEXEL).all()
    found = tune(low, high, settings=SETTINGS).texels
    assert found is not None and found.count == 1


def test_scale_and_another_vertex_order_change_nothing() -> None:
    low, high = scene(ridges)
    tuning = TuneSettings(margin=1e-4)
    base = tune(low, high, settings=SETTINGS, tuning=tuning)
    order = np.random.default_rng(2).permutation(low.mesh.vertex_count)  # new -> old
    number = np.argsort(order).astype(np.int32)
    moved = replace(
        low.mesh,
        positions=100 * low.positions[order],
        corner_vertex=number[low.mesh.corner_vertex],
    )
    big = replace(SETTINGS, depth=5.0, reach=30.0)
    other = tune(
        prepare_low(moved), replace(high, positions=100 * high.positions), settings=big,
        tuning=TuneSettings(margin=1e-2),
    )  # fmt: skip
    assert other.offset_out[number] / 100 == pytest.approx(base.offset_out, abs=3e-4)
    assert other.texels is not None and other.texels.clean


@pytest.mark.long
def test_the_command_says_what_holds_at_the_texels(tmp_path: Path) -> None:
    low, high = scene(ridges)
    write_mesh(low.mesh, tmp_path / "low.obj")
    write_surface(high, tmp_path / "high.ply")
    words = ["tune", str(tmp_path / "low.obj"), str(tmp_path / "high.ply"), "--texels", "64",
             "--samples", "300", "--depth", "0.05", "--reach", "0.3"]  # fmt: skip
    said = CliRunner().invoke(app, [*words, "--out", str(tmp_path / "one")])
    assert said.exit_code == 0, said.output
    text = said.output.replace("\n", " ")
    assert "All 4,096 texels of the 64 x 64 map were cast through the tuned cage" in text
    assert "none misses or overshoots" in text
    document = json.loads((tmp_path / "one" / "tuning.json").read_text())
    assert document["texels"]["count"] == 4096 and document["texels"]["open"] == 0
    assert document["settings"]["texels"] == 64
    regions = json.loads((tmp_path / "one" / "regions.json").read_text())
    assert regions["settings"]["texels"] is None and regions["settings"]["map_size"] == 64
    held = CliRunner().invoke(app, [*words, "--limit", "0.03"])
    assert held.exit_code == 1
    left = int((ridges(centres()[0]) > 0.03).sum())
    assert f"{left:,} of them" in held.output.replace("\n", " ")


def test_the_result_of_a_plain_tuning_speaks_of_no_texels() -> None:
    low, high = scene(ridges)
    result: Tuning = tune(low, high, settings=replace(SETTINGS, texels=None))
    assert result.texels is None and result.settings.texels is None
