"""Reading and writing map files without changing a bit of their texels.

PNG by libpng and JPEG, WebP by their own libraries (imagecodecs), TIFF by tifffile, EXR by
OpenEXR, TGA and BMP by Pillow: the first libraries keep 16-bit colour, Pillow does not.
"""

from __future__ import annotations

import contextlib
import io
import math
import os
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.files import open_plain, read_plain

# Threads would give each other's outputs back in the wrong order.
_EXR_ALONE = threading.Lock()
# Markers of JPEG (ITU-T T.81, table B.1): a scan begins (SOS), the picture ends (EOI); within a
# scan neither can stand. Decoders fill what is missing with grey and say nothing.
_SCAN, _END = b"\xff\xda", b"\xff\xd9"
# A picture larger than this, and than so many times its file, is none: some decoders fill what is
# missing, all of the memory if need be. Flat maps pack best, and by strips not that well.
_LARGE_BYTES, _MOST_RATIO = 1 << 30, 1 << 14
LOSSLESS = ("png", "tga", "tif", "tiff", "exr", "bmp")
# What no kept library decodes (KTX 2.0 is the Khronos Group's, with Basis Universal inside).
_PACKED = ("ktx2", "ktx", "basis", "dds")


@dataclass(frozen=True, eq=False)
class Picture:
    """Texels (H, W, C) in the file's own type, row 0 on top, alpha last.

    `channels` are the file's own channel names where the format has them (EXR).
    """

    texels: NDArray[Any]
    channels: tuple[str, ...] = ()

    @property
    def size(self) -> tuple[int, int]:
        """Width and height."""
        return self.texels.shape[1], self.texels.shape[0]


def read_picture(path: str | os.PathLike[str]) -> Picture:
    """Read a map. Raises `InputError` when the file is damaged or of no known kind."""
    path = Path(path)
    ending = path.suffix.lower().lstrip(".")
    if ending in _PACKED:
        raise InputError(
            "pictures that are packed for graphics hardware are not read.",
            file=str(path),
            cure="Give the map as it was baked: PNG, TGA, TIFF or EXR.",
        )
    try:
        # Before any decoder opens it: a pipe would wait for ever.
        open_plain(path).close()
        if ending == "exr":
            return _read_exr(path)
        texels = _read_texels(path, ending)
    except MemoryError as error:
        # Mostly the size in a damaged header; whoever reads many pictures leaves this one out.
        raise InputError(
            "this picture needs more memory than the machine has.",
            file=str(path),
            cure="Bake or export it again, or smaller.",
        ) from error
    except Exception as error:
        # Decoders raise errors of their own kinds, which share no base but Exception.
        raise InputError(
            f"this picture cannot be read ({type(error).__name__}: {error}).",
            file=str(path),
            cure="Bake or export it again.",
        ) from error
    if texels.ndim == 2:
        texels = texels[:, :, None]
    if texels.ndim != 3 or texels.size == 0:
        raise InputError("this file holds no single flat picture.", file=str(path))
    return Picture(np.ascontiguousarray(texels))


def write_picture(path: Path, picture: Picture, ending: str) -> None:
    """Write a map in the format of `ending`. Raises `InputError` for formats that lose texels."""
    ending = ending.lower()
    if ending not in LOSSLESS:
        raise InputError(
            f"maps are not written as {ending}, which changes texels.",
            file=str(path),
            cure="Bake to PNG, TGA, TIFF or EXR.",
        )
    # Encoders take whole arrays only, and flipped or cropped views are none.
    texels = np.ascontiguousarray(
        picture.texels[:, :, 0] if picture.texels.shape[2] == 1 else picture.texels
    )
    if ending == "png":
        import imagecodecs

        path.write_bytes(imagecodecs.png_encode(texels))
    elif ending in ("tif", "tiff"):
        import tifffile

        many = picture.texels.shape[2] > 1
        tifffile.imwrite(
            path,
            texels,
            photometric="rgb" if picture.texels.shape[2] >= 3 else "minisblack",
            planarconfig="contig" if many else None,
            compression="zlib",
        )
    elif ending == "exr":
        _write_exr(path, picture)
    else:
        from PIL import Image

        Image.fromarray(texels).save(path, format={"tga": "TGA", "bmp": "BMP"}[ending])


def _read_texels(path: Path, ending: str) -> NDArray[Any]:
    if ending in ("png", "jpg", "jpeg", "webp"):
        import imagecodecs

        decode = {
            "png": imagecodecs.png_decode,
            "jpg": imagecodecs.jpeg_decode,
            "jpeg": imagecodecs.jpeg_decode,
            "webp": imagecodecs.webp_decode,
        }[ending]
        data = read_plain(path)
        if ending in ("jpg", "jpeg") and data.rfind(_END) < data.rfind(_SCAN):
            raise ValueError("it is cut off: its end is missing")
        if ending in ("jpg", "jpeg"):
            _check_jpeg(data)
        decoded: NDArray[Any] = decode(data)
        return decoded
    if ending in ("tif", "tiff"):
        import tifffile

        with tifffile.TiffFile(path) as file:
            page = file.pages[0]
            bytes_each = 1 if page.dtype is None else page.dtype.itemsize
            _check_size(math.prod(page.shape) * bytes_each, path.stat().st_size)
            texels: NDArray[Any] = page.asarray()
            planar = getattr(page, "planarconfig", 1) == 2 and texels.ndim == 3
        return np.moveaxis(texels, 0, -1) if planar else texels
    from PIL.BmpImagePlugin import BmpImageFile
    from PIL.TgaImagePlugin import TgaImageFile

    # Not through `Image.open`, which takes maps of 16384 texels for an attack.
    with (BmpImageFile if _is_bmp(path) else TgaImageFile)(path) as image:
        return np.asarray(image.convert("RGBA") if image.mode == "P" else image)


def _check_jpeg(data: bytes) -> None:
    from PIL.JpegImagePlugin import JpegImageFile

    with JpegImageFile(io.BytesIO(data)) as image:  # reads the header only
        _check_size(image.width * image.height * len(image.getbands()), len(data))


def _check_size(decoded_bytes: int, file_bytes: int) -> None:
    if decoded_bytes > max(_LARGE_BYTES, _MOST_RATIO * file_bytes):
        raise ValueError("its header promises far more texels than the file can hold")


def _is_bmp(path: Path) -> bool:
    with open_plain(path) as stream:
        return stream.read(2) == b"BM"


def _read_exr(path: Path) -> Picture:
    import OpenEXR

    with (
        # It prints warnings; a command's output may be a document.
        _EXR_ALONE,
        contextlib.redirect_stdout(sys.stderr),
        OpenEXR.File(str(path), separate_channels=True) as file,
    ):
        held = {name: channel.pixels for name, channel in file.channels().items()}
    names = sorted(held, key=_channel_order)
    return Picture(np.stack([held[name] for name in names], axis=2), tuple(names))


def _write_exr(path: Path, picture: Picture) -> None:
    import OpenEXR

    names = picture.channels or tuple("RGBA"[: picture.texels.shape[2]])
    channels = {name: np.ascontiguousarray(picture.texels[:, :, k]) for k, name in enumerate(names)}
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    with OpenEXR.File(header, channels) as file:
        file.write(str(path))


def _channel_order(name: str) -> tuple[int, str]:
    """Red, green, blue, then all others, alpha last."""
    short = name.rpartition(".")[2].upper()
    return {"R": 0, "G": 1, "B": 2, "A": 9}.get(short, 5), name
