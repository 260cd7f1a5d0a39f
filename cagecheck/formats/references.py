"""What a mesh file names beside itself: materials of an OBJ, data of a glTF, layers of a USD."""

from __future__ import annotations

import gzip
from pathlib import Path

from cagecheck.files import open_plain, read_plain
from cagecheck.formats.file_bytes import GZIP_MAGIC, split_name
from cagecheck.formats.gltf_document import beside
from cagecheck.formats.stored import parse_json
from cagecheck.formats.usd_layers import usd_layers

# Exporters name the materials before the first vertex; a dense OBJ is not read whole for them.
_HEAD = 1 << 16
# The data lies in other files; the text of the largest scenes is far smaller.
_LARGEST_GLTF = 256 << 20


def data_files(path: Path) -> list[Path]:
    """Return the data files of a .gltf or the layers of a USD scene, as far as it can be read."""
    if path.suffix.lower() != ".gltf":
        return usd_layers(path)[0]
    try:
        buffers = parse_json(read_plain(path, most=_LARGEST_GLTF))["buffers"]
        names = [buffer["uri"] for buffer in buffers if "uri" in buffer]
        found = [beside(path, name) for name in names if not name.startswith("data:")]
        return [other for other in found if other is not None]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return []  # whoever reads the file will say what is wrong with it


def material_files(path: Path) -> list[Path]:
    """Return what else is named: materials in the head of an OBJ, USD layers that are not there."""
    if split_name(path)[1] != ".obj":
        return usd_layers(path)[1]
    try:
        with open_plain(path) as stream:
            packed = stream.read(2) == GZIP_MAGIC
        with gzip.open(path) if packed else path.open("rb") as stream:
            head = stream.read(_HEAD).decode("utf-8", "replace")
    except (OSError, EOFError):
        return []
    # The name may hold blanks, so it is the whole rest of the line.
    lines = (line.strip().split(None, 1) for line in head.splitlines())
    names = [words[1] for words in lines if len(words) == 2 and words[0] == "mtllib"]
    return [path.parent / name for name in names if "\0" not in name]
