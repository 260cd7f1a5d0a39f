"""Maps from files, patterns and folders, and what is said of bad ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from cagecheck.chores.pictures import Picture, write_picture
from cagecheck.errors import InputError
from cagecheck.maps.read_maps import as_shares, find_maps, read_map

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
    (tmp_path / "broken.png").write_bytes(b"\x89PNG\r\n\x1a\nnot really")
    with pytest.raises(InputError, match="cannot be read"):
        read_map(tmp_path / "broken.png")
    for name in ("x_normal.1001.png", "y_normal.1001.png"):
        write_picture(tmp_path / name, Picture(texels("uint8")), "png")
    with pytest.raises(InputError, match="both"):
        find_maps(tmp_path)
