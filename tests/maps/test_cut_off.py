"""Pictures that are cut off say so, in every format."""

from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cagecheck.errors import InputError
from cagecheck.maps.pictures import read_picture


def encoded(ending: str, **how: object) -> bytes:
    rng = np.random.default_rng(4)
    texels = rng.integers(0, 256, (48, 48, 3), dtype=np.uint8)
    stream = io.BytesIO()
    kind = {"jpg": "JPEG", "tif": "TIFF"}.get(ending, ending.upper())
    Image.fromarray(texels).save(stream, kind, **how)
    return stream.getvalue()


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_that_is_cut_off_is_told_wherever_it_ends(tmp_path: Path, progressive: bool) -> None:
    data, path = encoded("jpg", quality=90, progressive=progressive), tmp_path / "a.jpg"
    path.write_bytes(data)
    assert read_picture(path).size == (48, 48)
    path.write_bytes(data + b"\0" * 100)  # what some programs write behind the end
    assert read_picture(path).size == (48, 48)
    for length in (*range(0, len(data) - 1, 97), len(data) - 2, len(data) - 1):
        path.write_bytes(data[:length])
        with pytest.raises(InputError, match="cannot be read"):
            read_picture(path)


@pytest.mark.parametrize("ending", ["png", "tga", "tif", "bmp", "webp"])
def test_other_pictures_that_are_cut_off_are_told(tmp_path: Path, ending: str) -> None:
    data, path = encoded(ending), tmp_path / f"a.{ending}"
    for share in (0.05, 0.5, 0.9):
        path.write_bytes(data[: int(share * len(data))])
        with pytest.raises(InputError):
            read_picture(path)


@pytest.mark.parametrize("ending", ["png", "jpg", "tif", "exr", "tga", "bmp", "webp"])
def test_a_pipe_in_place_of_a_picture_does_not_hang(tmp_path: Path, ending: str) -> None:
    os.mkfifo(tmp_path / f"a.{ending}")
    with pytest.raises(InputError, match="not a plain file"):
        read_picture(tmp_path / f"a.{ending}")
