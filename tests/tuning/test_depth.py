"""Depths: what rays need, along the rays, whatever the corners' directions are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.defects.match import Matcher
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, join_meshes
from cagecheck.predicting.settings import Settings
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.points import sample_points
from cagecheck.tuning.corridors import Graph, corridors_of, low_graph, most_needed, part_extents
from cagecheck.tuning.depth import DOUBLING_PRICE, find_depths, inward_distances
from cagecheck.tuning.tune import tune
from tests.scenes.tuned_meshes import cape
from tests.scenes.tuning import raised_box, sheet, surface_of

QUICK = Settings(samples=3000, unseen_points=0)
MARGIN = 1e-6


def pitted(share: float, deep: float) -> tuple[LowPoly, Surface]:
    """Two sheets beside each other; below the first a pit so deep, of so much of its area."""
    side = float(np.sqrt(share))
    flat = sheet(4, lambda x, y: 0 * x)
    low = join_meshes(
        [replace(flat, part_names=("pitted",)), replace(_beside(flat), part_names=("even",))]
    )

    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        inside = (np.abs(x - 0.4) < side / 2) & (np.abs(y - 0.4) < side / 2)
        return np.where(inside, -deep, -0.01)

    high = surface_of(sheet(400, ground), _beside(sheet(4, lambda x, y: 0 * x - 0.002)))
    return prepare_low(low), high


def _beside(mesh):
    return replace(mesh, positions=mesh.positions + [2.0, 0, 0])


@pytest.mark.parametrize(
    ("share", "kept"), [(4e-3, True), pytest.param(4e-5, False, marks=pytest.mark.long)]
)
def test_a_part_is_as_deep_as_it_is_worth(share: float, kept: bool) -> None:
    """A pit four times as deep costs two doublings, 2e-4 of the area: more is kept, less is not."""
    low, high = pitted(share, 0.04)
    assert (share > 2 * DOUBLING_PRICE) == kept
    matcher = Matcher(low, _scene(high), np.eye(2, dtype=bool))
    points = sample_points(low, 1 / 400, seed=1)
    cast = matcher.cast(cage_from_offset(low, 0.0), points, 0.1, 0.1)
    found = find_depths(low, cast, MARGIN, 1e-4)
    assert found.parts["even"] == pytest.approx(0.002 + MARGIN)
    if kept:
        assert found.parts["pitted"] == pytest.approx(0.04 + MARGIN) and not found.places
        return
    # The walls of the pit slope, so what is kept may lie a little below its rim.
    assert 0.01 <= found.parts["pitted"] < 0.02
    place = found.places[0]
    assert place.part == "pitted" and place.depth == pytest.approx(0.04 + MARGIN)
    # With the walls, one cell wide all around, of which the upper part is kept.
    walled = (share**0.5 + 2 / 400) ** 2
    assert 100 * share <= place.percent <= 100 * walled
    assert place.centroid == pytest.approx((0.4, 0.4, 0.0), abs=0.02)


def _scene(high: Surface):
    from cagecheck.rays.scene import Scene

    return Scene(high)


@pytest.mark.parametrize("scene", ["box", "cape"])
def test_inward_distances_are_no_more_than_the_rays_around_need(scene: str) -> None:
    """On a box corners point 55 degrees off its sides, at the rim of a thin sheet 45 and more."""
    low, high = raised_box(2, -0.05, 0.0) if scene == "box" else cape(8)
    matcher = Matcher(low, _scene(high), np.ones((1, 1), bool))
    points = sample_points(low, 0.02, seed=1)
    cage = cage_from_offset(low, 0.0)
    cast = matcher.cast(cage, points, 0.1, 0.1)
    corridors = corridors_of(low, cage.normals, cast, MARGIN)
    depths = find_depths(low, cast, MARGIN, 1e-4)
    inward = inward_distances(
        low, low_graph(low), cast, corridors, depths, MARGIN, 1e-4, "interior"
    )
    need = MARGIN - corridors.target
    asked = need <= max(depths.parts.values())
    deepest = np.full(low.position_count, 1e-4)
    for k in range(3):
        np.maximum.at(deepest, corridors.columns[asked, k], need[asked])
    assert (inward <= deepest + 1e-12).all()
    # And every ray within the depth reaches its target, mixed as a number.
    reach = np.einsum("ij,ij->i", points.barycentric[corridors.point], inward[corridors.columns])
    assert (reach >= need - 1e-8)[asked].all()


def test_no_offset_goes_beyond_what_rays_around_it_need() -> None:
    """A row that its corner hardly weighs in, and directions that cancel, ask for no more."""
    line = Graph(
        np.array([[0, 1], [1, 2], [2, 3], [3, 4], [4, 5]], np.int32),
        np.ones(5), np.ones(6), np.ones(5),
    )  # fmt: skip
    low, high = raised_box(2, 0.05, 0.0)
    cage = cage_from_offset(low, 0.0)
    cast = Matcher(low, _scene(high), np.ones((1, 1), bool)).cast(
        cage, sample_points(low, 0.2, seed=1), 0.1, 0.1
    )
    rows = corridors_of(low, cage.normals, cast, 0.0).take(np.arange(2))
    rows = replace(
        rows,
        columns=np.array([[0, 1, 1], [0, 0, 1]], np.int32),
        coefficients=np.array([[0.01, 0.99, 0.0], [0.02, 0.01, 0.0]]),
        target=np.array([0.2, 0.4]),
    )
    most = most_needed(line, rows, 0.0, 0.001, np.full(6, 3.0))
    # 0.4 with a tenth to spare, over cos 45; two edges farther the same; beyond, the largest.
    assert most[:4] == pytest.approx(0.44 * 2**0.5) and most[4:] == pytest.approx(3.0)
    below = replace(rows, target=np.array([-0.2, -0.4]))
    assert most_needed(line, below, 0.0, 0.001, np.full(6, 3.0))[0] == 0.001
    assert part_extents(low) == pytest.approx(np.sqrt(3))


@pytest.mark.long
def test_depth_of_a_thin_cape_is_what_its_rays_need_and_zeros_are_zeros() -> None:
    low, high = cape(8)
    result = tune(low, high, settings=QUICK)
    found = result.last.targets.found
    deepest = float(-result.last.targets.t[found].min())
    assert result.offset_in.max() <= deepest + 2 * result.margin
    assert result.depth <= max(deepest + 2 * result.margin, result.before.settings.depth)
    tiny = (result.offset_out > 0) & (result.offset_out < 1e-9)
    assert not tiny.any()
