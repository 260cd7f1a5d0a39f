"""Pictures that are cut off or promise too much say so, in every format."""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cagecheck.errors import InputError
from cagecheck.maps.pictures import Picture, read_picture, write_picture


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


def test_headers_that_promise_too_much_are_refused_before_memory_is_taken(tmp_path: Path) -> None:
    """Decoders would fill up to 12 GB with grey (JPEG) or nought (TIFF) and call it a picture."""
    jpeg, tiff = bytearray(encoded("jpg")), bytearray(encoded("tif"))
    # The frame header holds height and width behind marker, length and precision (T.81, B.2.2).
    at = jpeg.index(b"\xff\xc0") + 5
    jpeg[at : at + 4] = b"\xff\xff\xff\xff"
    # Tag, type, count, value (TIFF 6.0, section 2): 256 is the width.
    at = tiff.index(struct.pack("<HHI", 256, 4, 1)) + 8
    tiff[at : at + 4] = struct.pack("<I", 1 << 30)
    for name, data in (("a.jpg", jpeg), ("a.tif", tiff)):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError, match="far more texels than the file can hold"):
            read_picture(tmp_path / name)


@pytest.mark.parametrize("ending", ["tga", "bmp"])
def test_large_maps_are_no_attack(
    tmp_path: Path, ending: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 100)
    (tmp_path / f"a.{ending}").write_bytes(encoded(ending))
    assert read_picture(tmp_path / f"a.{ending}").size == (48, 48)


def test_a_broken_exr_prints_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.exr"
    write_picture(path, Picture(np.ones((16, 16, 3), np.float32)), "exr")
    data = path.read_bytes()
    for length in range(len(data) - 200, len(data), 40):
        path.write_bytes(data[:length])
        with pytest.raises(InputError):
            read_picture(path)
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("ending", ["ktx2", "KTX2", "dds"])
def test_pictures_packed_for_graphics_hardware_are_refused_in_words(
    tmp_path: Path, ending: str
) -> None:
    path = tmp_path / f"normal.{ending}"
    # The identifier of KTX 2.0 (Khronos, KTX File Format Specification, section 3.1).
    path.write_bytes(b"\xabKTX 20\xbb\r\n\x1a\n" + bytes(68))
    with pytest.raises(InputError, match=r"packed for graphics hardware.*PNG, TGA, TIFF or EXR"):
        read_picture(path)
