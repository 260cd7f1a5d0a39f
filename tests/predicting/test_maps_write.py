"""Maps as files: values, formats, padding, legends; EXR and 16-bit PNG read back bit by bit."""

from __future__ import annotations

from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cagecheck.defects.kinds import CLEAN, Defect
from cagecheck.defects.match import Matcher
from cagecheck.errors import InputError
from cagecheck.files import OutputFolder
from cagecheck.maps.encode import quantised, unquantised
from cagecheck.predicting.maps.bake import TileBake
from cagecheck.predicting.maps.defect_map import defect_map
from cagecheck.predicting.maps.write_maps import MapFormat, id_colours, write_tile_maps
from cagecheck.rays.cage import cage_from_offset
from cagecheck.rays.scene import Scene
from tests.scenes.maps import bake, plate, sheet


@given(st.floats(-1, 1), st.sampled_from([8, 16]))
def test_rounding_is_half_up_of_the_stated_mapping(n: float, bits: int) -> None:
    top = 2**bits - 1
    (value,) = quantised(np.array([n]), bits)  # type: ignore[arg-type]
    exact = (n + 1) * top / 2
    assert value - 0.5 - 1e-9 <= exact <= value + 0.5 + 1e-9
    assert abs(unquantised(quantised(np.array([n]), bits))[0] - n) <= 1 / top + 1e-12  # type: ignore[arg-type]


def test_ends_and_middle() -> None:
    ends = np.array([-1.0, 0.0, 1.0])
    assert quantised(ends, 8).tolist() == [0, 128, 255]
    assert quantised(ends, 16).tolist() == [0, 32768, 65535]
    assert quantised(ends, 32).tolist() == [0.0, 0.5, 1.0]


def ramp() -> TileBake:
    low = plate()
    return bake(low, sheet(lambda x, y: 0.2 * (x - 0.5)))


def written(folder: Path, baked: TileBake, **form: object) -> dict[str, np.ndarray]:
    with OutputFolder(folder) as out:
        rows = write_tile_maps(
            baked,
            out,
            MapFormat(asset="hero", **form),
            part_names=["body"],  # type: ignore[arg-type]
        )
    pictures = {}
    for row in rows:
        path = folder / row["file"]
        if path.suffix == ".png":
            # libpng through imagecodecs, called directly.
            pictures[row["kind"]] = imagecodecs.png_decode(path.read_bytes())
    return pictures


@pytest.mark.parametrize("bits", [8, 16])
def test_png_holds_the_quantised_normals(bits: int, tmp_path: Path) -> None:
    baked = ramp()
    texels = written(tmp_path / "a", baked, bits=bits)["normal"]
    assert texels.dtype == (np.uint8 if bits == 8 else np.uint16)
    assert np.array_equal(texels, quantised(baked.tangent, bits))  # type: ignore[arg-type]
    assert (tmp_path / "a" / "hero_normal.1001.png").exists()


def test_green_down_mirrors_the_green_channel_only(tmp_path: Path) -> None:
    baked = bake(plate(), sheet(lambda x, y: 0.3 * (y - 0.5)))
    up = written(tmp_path / "up", baked, bits=16)["normal"].astype(int)
    down = written(tmp_path / "down", baked, bits=16, green="down")["normal"].astype(int)
    assert np.array_equal(up[..., [0, 2]], down[..., [0, 2]])
    assert np.abs(up[..., 1] + down[..., 1] - 65535).max() <= 1
    assert up[0, 0, 1] != down[0, 0, 1]


def test_height_says_its_range(tmp_path: Path) -> None:
    baked = ramp()
    with OutputFolder(tmp_path / "h") as out:
        (row,) = write_tile_maps(baked, out, MapFormat(kinds=("height",), bits=16))
    texels = imagecodecs.png_decode((tmp_path / "h" / row["file"]).read_bytes())
    height = unquantised(texels) * row["height_range"]
    assert np.abs(height - baked.height).max() <= row["height_range"] / 65535 + 1e-7


def test_exr_and_tiff_hold_floating_point(tmp_path: Path) -> None:
    OpenEXR = pytest.importorskip("OpenEXR", reason="EXR needs the OpenEXR package")
    tifffile = pytest.importorskip("tifffile")
    baked = ramp()
    for ending in ("exr", "tif"):
        with OutputFolder(tmp_path / ending) as out:
            form = MapFormat(kinds=("normal", "height"), bits=32, ending=ending)
            rows = write_tile_maps(baked, out, form)
        for row in rows:
            path = str(tmp_path / ending / row["file"])
            if ending == "tif":
                texels = tifffile.imread(path)
            else:
                with OpenEXR.File(path, separate_channels=True) as file:
                    texels = np.stack(
                        [file.channels()[c].pixels for c in "RGB" if c in file.channels()], axis=-1
                    )
            wanted = (baked.tangent + 1) / 2 if row["kind"] == "normal" else baked.height
            assert texels.dtype == np.float32
            assert np.allclose(np.squeeze(texels), wanted, atol=1e-6)


def test_misses_stay_flat_and_islands_are_padded(tmp_path: Path) -> None:
    baked = ramp()
    hit = np.zeros((64, 64), bool)
    hit[20:40, 20:40] = True
    covered = hit.copy()
    covered[40:44, 20:40] = True
    tangent = np.where(hit[..., None], np.float32([0.6, 0, 0.8]), 0)
    baked = TileBake(1001, 64, covered, hit, tangent, None, None, None, None, 0)
    texels = written(tmp_path / "p", baked, padding=5)["normal"]
    tilted, flat = quantised(np.array([0.6, 0, 0.8])), np.array([128, 128, 255])
    assert np.all(texels[20:40, 15:45] == tilted)
    assert np.all(texels[41, 25:35] == flat)
    assert np.all(texels[20:40, :15] == flat) and np.all(texels[:14] == flat)


def test_id_colours_are_all_different() -> None:
    colours = id_colours(300)
    assert len(np.unique(colours, axis=0)) == 300
    assert not (colours == 0).all(axis=1).any()


def test_part_map_has_a_legend(tmp_path: Path) -> None:
    baked = ramp()
    with OutputFolder(tmp_path / "i") as out:
        (row,) = write_tile_maps(baked, out, MapFormat(kinds=("part",)), part_names=["body"])
    texels = imagecodecs.png_decode((tmp_path / "i" / row["file"]).read_bytes())
    assert np.all(texels == row["colours"]["body"])


def test_defect_map_shows_the_defect_and_is_transparent_outside(tmp_path: Path) -> None:
    low = plate()
    high = sheet(lambda x, y: np.where(x > 0.5, 0.3, 0.0), n=257)
    scene, cage = Scene(high), cage_from_offset(low, 0.1)
    matcher = Matcher(low, scene, np.ones((1, 1), bool))
    main = defect_map(matcher, cage, tile=1001, size=64, depth=0.1, reach=1.0)
    assert np.all(main[:, :28] == CLEAN)
    assert np.mean(main[:, 36:] == Defect.MISS_TIGHT) > 0.99
    baked = bake(low, high, offset=0.1)
    with OutputFolder(tmp_path / "d") as out:
        (row,) = write_tile_maps(baked, out, MapFormat(kinds=("defect",)), defects=main)
    texels = imagecodecs.png_decode((tmp_path / "d" / row["file"]).read_bytes())
    assert texels[32, 50, :3].tolist() == row["colours"][Defect.MISS_TIGHT.title]
    assert texels.shape[2] == 4 and np.all(texels[..., 3] == 255)


@pytest.mark.parametrize(
    "form,words",
    [
        ({"ending": "png", "bits": 32}, "32 bits"),
        ({"ending": "exr", "bits": 8}, "8 bits"),
        ({"ending": "jpg"}, "not written as jpg"),
        ({"padding": -1.0}, "padding"),
    ],
)
def test_impossible_formats_are_refused(form: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        MapFormat(**form).checked()  # type: ignore[arg-type]
