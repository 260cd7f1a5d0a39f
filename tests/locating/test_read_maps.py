"""Maps from files, patterns and folders, and what is said of bad ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cagecheck.errors import InputError
from cagecheck.locating.read_maps import UNIT_SHARE, as_shares, find_maps, read_map, unit_share
from cagecheck.maps.pictures import Picture, write_picture

RNG = np.random.default_rng(3)


def texels(kind: str, channels: int = 3) -> np.ndarray:
    if kind == "float32":
        return RNG.random((16, 16, channels)).astype(np.float32)
    top = np.iinfo(kind).max
    return RNG.integers(0, top + 1, (16, 16, channels)).astype(kind)


@pytest.mark.parametrize(
    "ending,kind",
    [
        ("png", "uint8"),
        ("png", "uint16"),
        ("tga", "uint8"),
        ("tif", "uint8"),
        ("tif", "uint16"),
        ("tif", "float32"),
        ("exr", "float32"),
    ],
)
def test_every_format_reads_back_its_values(ending: str, kind: str, tmp_path: Path) -> None:
    if ending == "exr":
        pytest.importorskip("OpenEXR", reason="EXR needs the OpenEXR package")
    values = texels(kind)
    path = tmp_path / f"hero_normal.1002.{ending}"
    write_picture(path, Picture(values), ending)
    baked = read_map(path, 1002)
    assert np.array_equal(baked.values, values)
    assert baked.bits == {"uint8": 8, "uint16": 16, "float32": 32}[kind]
    assert as_shares(baked.values).min() >= 0 and as_shares(baked.values).max() <= 1


def test_a_path_may_be_a_word(tmp_path: Path) -> None:
    write_picture(tmp_path / "a.png", Picture(texels("uint8", 3)), "png")
    baked = read_map(str(tmp_path / "a.png"))
    assert baked.path == tmp_path / "a.png" and baked.name == "a.png"
    with pytest.raises(InputError, match="no-such"):
        read_map(str(tmp_path / "no-such.png"))


def test_alpha_tells_where_nothing_was_baked(tmp_path: Path) -> None:
    values = texels("uint8", 4)
    values[..., 3] = 255
    values[:4, :, 3] = 0
    write_picture(tmp_path / "a.png", Picture(values), "png")
    baked = read_map(tmp_path / "a.png")
    assert baked.values.shape == (16, 16, 3)
    assert baked.empty is not None and baked.empty[:4].all() and not baked.empty[4:].any()


def test_signed_floating_point_is_recognised() -> None:
    signed = np.float32([[[-1, 0, 1]]])
    assert np.allclose(as_shares(signed), [[[0, 0.5, 1]]])


def test_pattern_folder_and_file(tmp_path: Path) -> None:
    for name in ("hero_normal.1001.png", "hero_normal.1002.png", "hero_color.1001.png"):
        write_picture(tmp_path / name, Picture(texels("uint8")), "png")
    both = [(tmp_path / f"hero_normal.{t}.png", t) for t in (1001, 1002)]
    assert find_maps(tmp_path / "hero_normal.{tile}.png") == both
    assert find_maps(tmp_path / "hero_normal.<UDIM>.png") == both
    assert find_maps(tmp_path / "hero_normal.*.png") == both
    assert find_maps(tmp_path) == both
    assert find_maps(tmp_path / "hero_color.1001.png") == [(tmp_path / "hero_color.1001.png", 1001)]


@pytest.mark.parametrize("ending", ["exr", "tif"])
def test_half_floats_are_sixteen_bits(ending: str, tmp_path: Path) -> None:
    values = RNG.random((16, 16, 3)).astype(np.float16)
    write_picture(tmp_path / f"a.{ending}", Picture(values), ending)
    half = read_map(tmp_path / f"a.{ending}")
    assert np.array_equal(half.values, values) and half.values.dtype == np.float32
    assert (half.bits, half.numbers, half.depth_words) == (16, "half float", "16 bits (half float)")


@pytest.mark.parametrize("ending", ["png", "tga", "bmp", "tif", "exr"])
def test_flipped_and_cropped_pictures_are_written(ending: str, tmp_path: Path) -> None:
    values = texels("float32" if ending == "exr" else "uint8")[::-1, 2:-3]
    assert not values.flags.c_contiguous
    write_picture(tmp_path / f"a.{ending}", Picture(values), ending)
    assert np.array_equal(read_map(tmp_path / f"a.{ending}").values, values)


def bumps(kind: str = "uint8", size: int = 64) -> np.ndarray:
    """A made-up normal map."""
    n = RNG.normal(size=(size, size, 3)) * 0.3 + [0, 0, 1]
    n /= np.linalg.norm(n, axis=2, keepdims=True)
    top = 1 if kind in ("float16", "float32") else np.iinfo(kind).max
    share = (n + 1) / 2 * top
    return share.astype(kind) if top == 1 else np.rint(share).astype(kind)


def test_other_maps_beside_the_normals_are_left_alone(tmp_path: Path) -> None:
    for kind in ("albedo", "roughness", "ao", "height", "emissive"):
        for tile in (1001, 1002):
            path = tmp_path / f"hero_{kind}.{tile}.png"
            write_picture(path, Picture(texels("uint8")), "png")
    for name in ("hero_NormalUp.1001.png", "hero_normalmap.1002.png"):
        write_picture(tmp_path / name, Picture(bumps()), "png")
    assert [tile for _, tile in find_maps(tmp_path)] == [1001, 1002]
    for place in tmp_path.glob("hero_*ormal*"):
        place.rename(tmp_path / place.name.replace("NormalUp", "N").replace("normalmap", "n"))
    assert [path.stem.split("_")[1][0] for path, _ in find_maps(tmp_path)] == ["N", "n"]


def test_a_folder_whose_names_say_nothing_is_looked_into(tmp_path: Path) -> None:
    write_picture(tmp_path / "hero_a.1001.png", Picture(texels("uint8")), "png")
    write_picture(tmp_path / "hero_b.1001.png", Picture(texels("uint8", 1)), "png")
    with pytest.raises(InputError, match="none of the 2 pictures"):
        find_maps(tmp_path)
    write_picture(tmp_path / "hero_c.1001.tif", Picture(bumps("uint16")), "tif")
    assert find_maps(tmp_path) == [(tmp_path / "hero_c.1001.tif", 1001)]
    assert unit_share(bumps()) > 0.99 and unit_share(texels("uint8")) < UNIT_SHARE


def test_half_floats_and_layers_of_an_exr_file(tmp_path: Path) -> None:
    pytest.importorskip("OpenEXR", reason="EXR needs the OpenEXR package")
    half = bumps("float16")
    write_picture(tmp_path / "half.exr", Picture(half), "exr")
    assert np.array_equal(read_map(tmp_path / "half.exr").values, half.astype(np.float32))
    colour = RNG.random((64, 64, 3)).astype(np.float16)
    both = np.concatenate([colour, half], axis=2)
    names = ("R", "G", "B", "Normal.X", "Normal.Y", "Normal.Z")
    write_picture(tmp_path / "layers.exr", Picture(both, names), "exr")
    assert np.array_equal(read_map(tmp_path / "layers.exr").values, half.astype(np.float32))
    names = ("a.R", "a.G", "a.B", "b.R", "b.G", "b.B")
    write_picture(tmp_path / "unclear.exr", Picture(both, names), "exr")
    with pytest.raises(InputError, match="layers a, b"):
        read_map(tmp_path / "unclear.exr")


def test_errors_say_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        find_maps(tmp_path / "nothing.png")
    with pytest.raises(InputError, match="holds no pictures"):
        find_maps(tmp_path)
    with pytest.raises(InputError, match="no file fits"):
        find_maps(tmp_path / "a.{tile}.png")
    write_picture(tmp_path / "grey.png", Picture(texels("uint8", 1)), "png")
    with pytest.raises(InputError, match="three"):
        read_map(tmp_path / "grey.png")
    write_picture(tmp_path / "mask.png", Picture(texels("uint8", 1).repeat(3, axis=2)), "png")
    with pytest.raises(InputError, match="picture is grey"):
        read_map(tmp_path / "mask.png")
    (tmp_path / "broken.png").write_bytes(b"\x89PNG\r\n\x1a\nnot really")
    with pytest.raises(InputError, match="cannot be read"):
        read_map(tmp_path / "broken.png")
    for name in ("x_normal.1001.png", "y_normal.1001.png"):
        write_picture(tmp_path / name, Picture(texels("uint8")), "png")
    with pytest.raises(InputError, match="both"):
        find_maps(tmp_path)
