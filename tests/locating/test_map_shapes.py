"""Maps that are not one square tile: half an axis, a doubled axis, several tiles in one picture."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import binary_dilation

from cagecheck.locating.conventions import Reading
from cagecheck.locating.enlarging import block_means, enlarged_at
from cagecheck.locating.first_look import FirstLook, mask_over_tile, over_tile, shape_fault
from cagecheck.locating.locate import LocateSettings, Location, locate
from cagecheck.locating.one_map import _times_enlarged
from cagecheck.locating.read_maps import BakedMap
from tests.scenes.locating import DEPTH, OFFSET, PAIRED, Plan, Scenery, baked_maps, make_scenery

pytestmark = pytest.mark.long

FLAT = np.full((512, 512, 3), (128, 128, 255), np.uint8)


@pytest.fixture(scope="module")
def scenery() -> Scenery:
    return make_scenery(31)


@pytest.fixture(scope="module")
def wrong(scenery: Scenery) -> tuple[dict[int | None, BakedMap], Plan]:
    maps, plan = baked_maps(scenery, ("recorded another part", "skew"), 7)
    return {m.tile: m for m in maps}, plan


def found(scenery: Scenery, *maps: BakedMap) -> Location:
    settings = LocateSettings(offset=OFFSET, depth=DEPTH)
    return locate(maps, scenery.low, scenery.scene, paired=PAIRED, settings=settings)


def said(result: Location) -> list[tuple[str, str]]:
    return [(c.code, c.text) for m in result.maps for c in m.conventions]


def halved(values: np.ndarray, axis: int) -> np.ndarray:
    """Every two lines of an 8-bit map as their mean."""
    lines = np.moveaxis(values, axis, 0).astype(float)
    return np.moveaxis(np.rint((lines[::2] + lines[1::2]) / 2), 0, axis).astype(np.uint8)


@pytest.mark.parametrize("shape", [(6, 24), (24, 6), (9, 16), (16, 15)])
def test_the_shorter_edge_is_interpolated_between_texel_centres(shape: tuple[int, int]) -> None:
    picture = np.random.default_rng(3).random((*shape, 3)).astype(np.float32)
    out = over_tile(picture)
    size, axis = max(shape), int(np.argmin(shape))
    assert out.shape == (size, size, 3)
    centres = (np.arange(min(shape)) + 0.5) / min(shape)
    asked = (np.arange(size) + 0.5) / size
    for line in range(size):
        for k in range(3):
            wanted = np.interp(asked, centres, np.take(picture, line, 1 - axis)[:, k])
            assert np.allclose(np.take(out, line, 1 - axis)[:, k], wanted, atol=1e-5)


def test_a_mask_is_laid_over_the_tile() -> None:
    mask = np.array([[True, False, False, True], [False, True, False, False]])
    assert np.array_equal(mask_over_tile(mask, 4), np.repeat(mask, 2, axis=0))
    assert np.array_equal(mask_over_tile(np.repeat(mask, 2, axis=0), 4)[::2], mask)


@pytest.mark.parametrize("axis", [0, 1])
def test_half_an_axis_is_named_and_the_map_judged_whole(
    scenery: Scenery, wrong: tuple[dict[int | None, BakedMap], Plan], axis: int
) -> None:
    maps, plan = wrong
    tile, mask = plan.planted["recorded another part"]
    values = halved(maps[tile].values, axis)
    result = found(scenery, replace(maps[tile], values=values))
    ((code, text),) = said(result)
    assert code == "not-square" and f"{'VU'[axis]} has half the resolution" in text
    assert result.maps[0].reading.agreement > 0.9
    (region,) = [r for r in result.regions if r.name == "recorded another part"]
    assert 0.7 < region.texels / mask.sum() < 1.3
    assert sum(r.texels for r in result.regions if r.number != region.number) < 200


@pytest.mark.parametrize(
    ("height", "says"),
    [(512, "V has half the"), (256, "V has a quarter the"), (768, "V has 75 % of the")],
)
def test_how_much_coarser_an_axis_is_reads_as_english(height: int, says: str) -> None:
    baked = BakedMap(Path("arm_normal.png"), 1001, np.zeros((height, 1024, 3), np.uint8), None)
    shares = np.zeros((1024, 1024, 3), np.float32)
    fault = shape_fault(baked, FirstLook(shares, 1024 / height, 1, 1001, Reading(1001)))
    assert fault is not None and f"so {says} resolution;" in fault.text


@pytest.mark.parametrize("turn", [0, 4])
def test_lines_that_the_file_only_repeats_do_not_count_as_enlarged_along_one_axis(
    turn: int,
) -> None:
    shares, reading = np.zeros((512, 512, 3), np.float32), Reading(1001, turn=turn)
    baked = BakedMap(Path("arm_normal.png"), 1001, np.zeros((512, 1024, 3), np.uint8), None)
    stretched = FirstLook(shares, 2.0, 1, 1001, reading)
    along = (2, 1) if turn == 0 else (1, 2)
    assert _times_enlarged(baked, stretched, 2) == along
    assert _times_enlarged(baked, stretched, 4) == (4, 4)
    # 512 x 512 texels, every column twice: what is soft in it is soft both ways.
    repeated = FirstLook(shares, 1.0, 2, 1001, reading)
    assert _times_enlarged(baked, repeated, 2) == (2, 2)


def test_a_turned_map_names_the_axes_of_the_uvs(scenery: Scenery) -> None:
    (_, ring), _ = baked_maps(scenery, (), 7)
    result = found(scenery, replace(ring, values=np.rot90(halved(ring.values, 0)).copy()))
    codes = dict(said(result))
    assert set(codes) == {"rotated", "not-square"} and not result.regions
    assert "256 x 512 texels: 512 along U and 256 along V" in codes["not-square"]


def test_repeated_lines_are_no_resolution(scenery: Scenery) -> None:
    (_, ring), _ = baked_maps(scenery, (), 7)
    result = found(scenery, replace(ring, values=np.repeat(ring.values, 2, axis=0)))
    ((code, text),) = said(result)
    assert code == "not-square" and "along V every texel is there 2 times" in text
    assert not result.regions and result.maps[0].record is not None
    assert result.maps[0].record.size == 512


@pytest.mark.parametrize("shape", ["flipped column", "block"])
def test_one_picture_of_several_tiles_is_cut_and_judged(
    scenery: Scenery, wrong: tuple[dict[int | None, BakedMap], Plan], shape: str
) -> None:
    maps, plan = wrong
    one, two = maps[1001].values, maps[1002].values
    picture, words = {
        "flipped column": (
            np.vstack([one, two])[::-1].copy(),
            "one above the other (from the top: 1002, 1001)",
        ),
        "block": (
            np.vstack([np.hstack([FLAT, two]), np.hstack([one, FLAT])]),
            "in 2 columns and 2 rows (row by row from the top: empty, 1002, 1001, empty)",
        ),
    }[shape]
    result = found(scenery, BakedMap(Path("all_normal.1001.png"), 1001, picture, None))
    texts = dict(said(result))
    assert set(texts) == {"several-tiles"} | ({"v-flipped"} if shape[0] == "f" else set())
    assert words in texts["several-tiles"]
    assert sorted(m.reading.tile for m in result.maps) == [1001, 1002]
    assert {r.name for r in result.regions} == set(plan.planted)
    assert not [n for n in result.notices if n.code == "no-map"]
    for m in result.maps:
        assert m.source.crop is not None and m.source.size == (512, 512)
        left, top, width, height = m.source.crop
        assert np.array_equal(m.source.values, picture[top : top + height, left : left + width])


def test_a_square_of_something_else_is_not_cut(scenery: Scenery) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (512, 512, 3)).astype(np.uint8)
    (only,) = found(scenery, BakedMap(Path("photo.png"), None, noise, None)).maps
    assert only.source.crop is None and [c.code for c in only.conventions] == ["no-match"]


def test_block_means_and_their_enlarging_are_those_of_a_linear_ramp() -> None:
    # Means of blocks of a ramp lie on it, and so does what is drawn between them.
    y, x = np.mgrid[:24, :36].astype(np.float32)
    ramp = np.stack([0.01 * x, 0.02 * y, np.ones_like(x)], axis=-1)
    inside = np.ones((24, 36), bool)
    inside[:8] = False
    small, share = block_means(ramp, inside, (4, 3))
    assert small.shape == (6, 12, 3) and (share[:2] == 0).all() and (share[2:] == 1).all()
    rows, columns = (a.ravel() for a in np.mgrid[10:22, 1:35])
    mixed, known = enlarged_at(small, share == 1, rows, columns, (4, 3))
    wanted = ramp[rows, columns] / np.linalg.norm(ramp[rows, columns], axis=1, keepdims=True)
    assert known.all() and np.allclose(mixed, wanted, atol=1e-6)
    _, known = enlarged_at(small, share == 1, np.array([9]), np.array([5]), (4, 3))
    assert not known.any(), "half of it lies where nothing is"


@pytest.mark.parametrize(
    "faults", [("rescaled", "tangent-basis"), ("rescaled", "padding too thin")]
)
def test_what_enlarging_mixes_is_no_defect(faults: tuple[str, str]) -> None:
    # Frames of single triangles jump by 60 degrees where the ball's UVs are narrow; bare background
    # is drawn into the islands.
    scenery, seed = (
        (make_scenery(72), 2) if faults[1] == "tangent-basis" else (make_scenery(103), 529)
    )
    maps, plan = baked_maps(scenery, faults, seed)
    result = found(scenery, *maps[:1])
    assert {code for code, _ in said(result)} == set(faults) - {"padding too thin"}
    # The scene's own misses are true.
    missed = binary_dilation(plan.bake[1001].missed, iterations=12)
    texels = result.texels
    names = {
        r.name for r in result.regions if not missed[texels.y[r.samples], texels.x[r.samples]].any()
    }
    assert names == set(faults) - {"rescaled", "tangent-basis"}
