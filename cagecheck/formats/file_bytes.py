"""A mesh file's bytes, read once into memory, unpacked if they are gzipped, and hashed beside.

Files are read rather than memory-mapped: a file that another program shortens while it is mapped
ends the process, and network drives do that to mapped files as well.
"""

from __future__ import annotations

import hashlib
import os
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import Thread

import numpy as np
from numpy.typing import NDArray

from cagecheck.errors import InputError
from cagecheck.meshes.mesh import SourceFile
from cagecheck.meshes.pose import Pose
from cagecheck.progress import Progress, silent
from cagecheck.words.numbers import count_text

GZIP_MAGIC = b"\x1f\x8b"
_BLOCK = 1 << 24

# Dense meshes as text pack 3 to 10 times, hardly ever beyond 30. A file that grows more than
# this is taken for a bomb; small ones are let through, since they cannot do harm.
MOST_GROWTH = 100
SMALL_ENOUGH = 64 << 20
MOST_UNPACKED = 32 << 30


@dataclass(frozen=True, eq=False)
class FileBytes:
    """What a reader starts from.

    path : as the user gave it. stem : file name without ``.gz`` and the extension.
    extension : lower case with its dot, without ``.gz``. data : (N,) uint8, unpacked.
    sha256 : call it for the SHA-256 of the file as it lies on disk (waits for the hashing thread).
    pose : the frame to read, None for the mesh as it lies there. also_from : folders besides the
    file's own from which files that it refers to may be read.
    """

    path: str
    stem: str
    extension: str
    packed: bool
    data: NDArray[np.uint8]
    sha256: Callable[[], str]
    pose: Pose | None = None
    also_from: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The file's name without its folders: what notices say, since others read them, too."""
        return Path(self.path).name

    def source(self, format_name: str, layout: object = None) -> SourceFile:
        """Return the record of this file that a mesh carries."""
        return SourceFile(self.path, format_name, self.sha256(), layout)

    def error(self, what: str, cure: str = "", **place: object) -> InputError:
        """Return an `InputError` about this file."""
        return InputError(what, file=self.path, cure=cure or None, **place)  # type: ignore[arg-type]


def split_name(path: str | os.PathLike[str]) -> tuple[str, str]:
    """Return a file's stem and lower-case extension, looking through ``.gz``."""
    name = Path(path).name
    if name.lower().endswith(".gz"):
        name = name[:-3]
    inner = Path(name)
    return inner.stem, inner.suffix.lower()


def load_bytes(path: str | os.PathLike[str], *, progress: Progress = silent) -> FileBytes:
    """Read a file whole.

    Raises `InputError` when it is missing, empty, a folder, unreadable, or a broken or
    endlessly growing gzip file.
    """
    place = Path(path)
    text = str(path)
    try:
        if place.is_dir():
            raise InputError("this is a folder.", file=text, cure="Name a mesh file.")
        size = place.stat().st_size
        if size == 0 and place.is_file():
            raise InputError("this file is empty.", file=text, cure="Export it again.")
        if not place.is_file():
            raise InputError("this is not a plain file.", file=text, cure="Name a mesh file.")
        raw = _read(place, size, progress)
    except FileNotFoundError:
        raise InputError("there is no such file.", file=text, cure="Check the name.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"the file cannot be read ({reason}).", file=text) from error
    digest = hashlib.sha256()
    thread = Thread(target=digest.update, args=(raw,), daemon=True)
    thread.start()

    def sha256() -> str:
        thread.join()
        return digest.hexdigest()

    packed = raw[:2].tobytes() == GZIP_MAGIC
    data = _unpack(raw, text) if packed else raw
    stem, extension = split_name(place)
    return FileBytes(text, stem or "mesh", extension, packed, data, sha256)


def _read(place: Path, size: int, progress: Progress) -> NDArray[np.uint8]:
    data = np.empty(size, np.uint8)
    view = data.data
    done = 0
    with place.open("rb", buffering=0) as stream:
        while done < size:
            got = stream.readinto(view[done : done + _BLOCK])
            if not got:
                break
            done += got
            progress(f"read {place.name}", done, size)
    return data[:done]


def _unpack(raw: NDArray[np.uint8], path: str) -> NDArray[np.uint8]:
    """Undo gzip, member by member, within bounds."""
    limit = min(max(MOST_GROWTH * len(raw), SMALL_ENOUGH), MOST_UNPACKED)
    out = bytearray()
    rest: bytes | memoryview = raw.data
    try:
        while len(rest):
            packer = zlib.decompressobj(wbits=31)
            feed: bytes | memoryview = rest
            while not packer.eof:
                piece = packer.decompress(feed, _BLOCK)
                feed = packer.unconsumed_tail
                out += piece
                if len(out) > limit:
                    raise InputError(
                        f"unpacked, this file grows beyond {count_text(limit / 2**20)} MiB, more "
                        f"than {MOST_GROWTH} times its size; a mesh does not.",
                        file=path,
                        cure="Unpack it yourself if you trust it.",
                    )
                if not piece and not len(feed) and not packer.eof:
                    raise InputError("this gzip file is cut off.", file=path, cure="Copy it again.")
            rest = packer.unused_data
            if bytes(rest[:2]) != GZIP_MAGIC:
                break  # padding behind the last member
    except zlib.error as error:
        raise InputError(
            f"this gzip file is damaged ({error}).", file=path, cure="Copy it again."
        ) from error
    if not out:
        raise InputError("this gzip file is empty inside.", file=path, cure="Export it again.")
    return np.frombuffer(out, np.uint8)
