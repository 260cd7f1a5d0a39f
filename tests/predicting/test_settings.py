"""What a prediction takes from its settings, and its sums, on planes worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from cagecheck.defects.kinds import Defect
from cagecheck.defects.match import Matcher
from cagecheck.defects.unseen import SEEN_SPACINGS
from cagecheck.errors import InputError
from cagecheck.predicting.distances import LEAST_SHARE
from cagecheck.predicting.predict import lost_title, place_points, predict, resolve, texel_tiles
from cagecheck.predicting.settings import Settings, check_settings
from cagecheck.rays import Scene, cage_from_offset
from tests.scenes.shapes import as_low, grid, halves, plane_high, plane_low, surface

ALL = np.ones((1, 1), bool)
FEW = dict(samples=2000, unseen_points=0)


def test_samples_are_placed_by_density_or_by_texels_not_both() -> None:
    check_settings(Settings(density=4.0))
    check_settings(Settings(texels=64))
    with pytest.raises(InputError, match="`density` and `texels`"):
        check_settings(Settings(density=4.0, texels=64))


@pytest.mark.parametrize(
    ("name", "allowed", "refused"),
    [
        ("offset", [0.0, 5.0], [-1e-9, np.nan, np.inf]),
        ("depth", [1e-9], [0.0, -1.0, np.nan]),
        ("reach", [1e-9], [0.0, -1.0, np.inf]),
        ("samples", [1], [0, -5]),
        ("density", [1e-9], [0.0, np.nan]),
        ("texels", [1, 16384], [0, 16385]),
        ("map_size", [1, 65536], [0, 65537]),
    ],
)
def test_settings_out_of_range_are_refused_by_their_name(
    name: str, allowed: list[float], refused: list[float]
) -> None:
    for value in allowed:
        settings = Settings(**{name: value})
        assert check_settings(settings) is settings
    for value in refused:
        with pytest.raises(InputError, match=f"^`{name}` must be "):
            predict(plane_low(1), plane_high([0.0]), settings=Settings(**{name: value}))


def test_only_what_is_missing_is_taken_from_the_scene_and_said() -> None:
    """A flat match: the least offset and depth, and three offsets of reach, whoever gave them."""
    matcher = Matcher(plane_low(2), Scene(plane_high([0.0])), ALL)
    least = LEAST_SHARE * np.sqrt(2)
    found, (notice,) = resolve(matcher, Settings(), False)
    assert (found.offset, found.depth, found.reach) == pytest.approx((least, least, 3 * least))
    assert "offset 0.001414, depth 0.001414, reach 0.004243" in notice.text
    assert "--offset, --depth, --reach" in notice.cure
    found, (notice,) = resolve(matcher, Settings(offset=0.02, depth=0.5), False)
    assert (found.offset, found.depth, found.reach) == pytest.approx((0.02, 0.5, 0.06))
    assert "scene: reach 0.06 " in notice.text and notice.cure.startswith("Give --reach to")
    found, (notice,) = resolve(matcher, Settings(reach=1.0), True)
    assert found.offset is None and found.depth == pytest.approx(least)
    assert "offset" not in notice.text + notice.cure
    given = Settings(offset=0.1, depth=0.2, reach=0.3)
    assert resolve(matcher, given, False) == (given, ())


def test_texel_numbers_are_for_the_map_that_is_sampled() -> None:
    matcher = Matcher(plane_low(2, with_uv=True), Scene(plane_high([0.0])), ALL)
    given = Settings(offset=0.1, depth=0.2, reach=0.3, map_size=4096)
    assert resolve(matcher, given, False)[0].map_size == 4096
    texels = Settings(offset=0.1, depth=0.2, reach=0.3, texels=32, map_size=4096)
    assert resolve(matcher, texels, False)[0].map_size == 32


def test_layers_are_known_a_little_beyond_the_farthest_start() -> None:
    low, high = plane_low(2), plane_high([0.0])
    cage = cage_from_offset(low, 0.4)
    short = predict(low, high, cage=cage, settings=Settings(depth=0.1, reach=0.2, **FEW))
    assert short.settings.reach == pytest.approx(1.05 * 0.4)
    long = predict(low, high, cage=cage, settings=Settings(depth=0.1, reach=2.0, **FEW))
    assert long.settings.reach == 2.0


@pytest.mark.parametrize("depths", [0.9, 1.1, 2.9, 3.1, 12.0])
def test_surface_below_is_found_as_deep_as_it_lies(depths: float) -> None:
    """Beyond one depth no bake records it; it is looked for along the whole ray all the same."""
    result = predict(
        plane_low(2), plane_high([-0.1 * depths]),
        settings=Settings(offset=0.01, depth=0.1, reach=0.1, **FEW),
    )  # fmt: skip
    assert result.targets.found.all()
    assert np.isfinite(result.findings.hit_distance).all() == (depths < 1)
    assert result.findings.has(Defect.MISS_DEEP).all() == (depths > 1)


def test_totals_of_a_plate_that_misses_everywhere() -> None:
    """A plate of 2 x 2 on one whole tile: 4 square units, 100 %, 256 x 256 texels."""
    low = plane_low(2, size=2.0, with_uv=True)
    result = predict(
        low, plane_high([50.0]),
        settings=Settings(offset=0.1, depth=0.1, reach=0.2, map_size=256, **FEW),
    )  # fmt: skip
    assert result.texel_area.sum() == pytest.approx(256**2)
    rows = [row for row in result.totals() if row["samples"]]
    (row,) = rows
    assert row["samples"] == len(result.points.triangle) and row["regions"] == 1
    assert (row["area"], row["percent"], row["texels"]) == pytest.approx((4, 100, 256**2))


def test_regions_of_low_and_high_are_numbered_together_by_what_shows() -> None:
    """A quarter of the ground is cut away and a sixty-fourth elsewhere; a plate floats over it.

    On a plate of side 1 with a whole tile of 256 texels, texels are area times 256 squared.
    """
    low = plane_low(4, with_uv=True)
    positions, quads = grid(8)
    middle = positions[quads].mean(axis=1)
    hole = (middle[:, 0] > 0.25) | (np.abs(middle[:, :2] + 0.4375).max(axis=1) < 0.01)
    plate = positions * [0.4, 0.4, 0] + [-0.1, 0.1, 0.05]
    high = surface(
        np.concatenate([positions, plate]), halves(np.concatenate([quads[~hole], quads + 81]))
    )
    settings = Settings(
        offset=0.1, depth=0.1, reach=0.5, samples=6000, unseen_points=6000, map_size=256
    )
    result = predict(low, high, settings=settings)
    regions = result.regions
    assert [region.number for region in regions] == list(range(1, len(regions) + 1))
    order = [(-region.harm, -region.texels) for region in regions]
    assert order == sorted(order)
    texels = [region.texels for region in regions]
    assert texels == pytest.approx([region.area * 256**2 for region in regions])
    lost = [region for region in regions if region.name == lost_title()]
    # The plate is as level as the ground that it hides: nothing of that shows.
    assert regions[0].name == regions[1].name == Defect.MISS_NOTHING.title
    assert lost == [regions[-1]] and not lost[0].harm
    # The ground under the plate, less a rim that lies within some spacings of hits beside it.
    rim = SEEN_SPACINGS / np.sqrt(settings.samples)
    assert (0.4 - 2 * rim) ** 2 < lost[0].area < 0.4**2
    (row,) = [row for row in result.totals() if row["name"] == lost_title()]
    assert (row["regions"], row["area"], row["texels"]) == (1, lost[0].area, lost[0].texels)
    assert row["samples"] == lost[0].sample_count


@pytest.mark.parametrize(("paired", "count"), [([True, False], 2), ([False, False], 1)])
def test_two_holes_are_two_places_unless_the_part_has_no_partner(
    paired: list[bool], count: int
) -> None:
    """A part without any partner is one place; one partner of two is enough not to be."""
    positions, quads = grid(8)
    middle = positions[quads].mean(axis=1)
    hole = np.abs(middle[:, 0]) > 0.3
    far = positions + [0, 0, 50]
    triangles = [halves(quads[~hole]), halves(quads + 81)]
    part = np.repeat([0, 1], [len(t) for t in triangles])
    high = surface(
        np.concatenate([positions, far]), np.concatenate(triangles), part, ("ground", "far")
    )
    settings = Settings(offset=0.1, depth=0.1, reach=0.5, **FEW)
    result = predict(plane_low(4), high, paired=np.array([paired]), settings=settings)
    holes = [r for r in result.regions if r.name == Defect.MISS_NOTHING.title]
    assert len(holes) == count


def test_points_lie_as_densely_as_asked() -> None:
    """4 square units: at 500 a unit, about 2,000 inside; of 16 x 16 texels, one centre each."""
    low = plane_low(1, size=2.0, with_uv=True)
    by_density = place_points(low, Settings(density=500.0))
    by_count = place_points(low, Settings(samples=2000))
    inside = [int((points.kind == 0).sum()) for points in (by_density, by_count)]
    assert inside == [pytest.approx(2000, rel=0.1)] * 2
    texels = place_points(low, Settings(texels=16))
    assert len(texels.triangle) >= 256 and texels.area.sum() == pytest.approx(4.0)


def test_tiles_are_listed_upwards_and_asked_for_where_there_are_none() -> None:
    positions, quads = grid(1)
    two = np.concatenate([positions, positions + [3, 0, 0]]), np.concatenate([quads, quads + 4])
    square = np.array([[0.1, 0.1], [0.9, 0.1], [0.9, 0.9], [0.1, 0.9]])
    low = as_low(*two, np.concatenate([square + [0, 1], square]))
    assert texel_tiles(low) == [1001, 1011]
    half_off = as_low(*two, np.concatenate([square - [3, 0], square]))
    assert texel_tiles(half_off) == [1001]
    for uv, said in ((None, "no UVs"), (np.concatenate([square - [3, 0]] * 2), "off the tile")):
        with pytest.raises(InputError, match=said) as error:
            texel_tiles(as_low(*two, uv))
        assert error.value.cure is not None and "`texels`" in error.value.cure
