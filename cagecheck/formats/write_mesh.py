"""Write a `Mesh` or a `Surface` to any of the written formats, whole or not at all."""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from cagecheck.errors import InputError, takes
from cagecheck.files import replace_file
from cagecheck.formats.encode_gltf import asset_of_mesh, asset_of_surface
from cagecheck.formats.encode_ply import ply_of_mesh, ply_of_surface
from cagecheck.formats.encode_stl import stl_of_triangles
from cagecheck.formats.encode_text import obj_of_mesh, obj_of_surface
from cagecheck.formats.file_bytes import split_name
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.triangulate import triangulate

Chunks = Iterable[Any]  # of bytes, or arrays that stand for their bytes

_GZIP_LEVEL = 6


def _stl_of_mesh(mesh: Mesh) -> Iterator[Any]:
    return stl_of_triangles(mesh.positions, mesh.corner_vertex[triangulate(mesh).corners])


_OF_MESH: dict[str, Callable[[Mesh], Chunks]] = {
    ".obj": obj_of_mesh,
    ".ply": ply_of_mesh,
    ".stl": _stl_of_mesh,
    ".glb": lambda mesh: asset_of_mesh(mesh).glb(),
    ".gltf": lambda mesh: asset_of_mesh(mesh).gltf(),
}
_OF_SURFACE: dict[str, Callable[[Surface], Chunks]] = {
    ".obj": obj_of_surface,
    ".ply": ply_of_surface,
    ".stl": lambda surface: stl_of_triangles(surface.positions, surface.triangles),
    ".glb": lambda surface: asset_of_surface(surface).glb(),
    ".gltf": lambda surface: asset_of_surface(surface).gltf(),
}
WRITABLE = tuple(_OF_MESH)


@takes(mesh=Mesh)
def write_mesh(mesh: Mesh, path: str | os.PathLike[str], force: bool = False) -> None:
    """Write a mesh; the extension (``.obj .ply .stl .glb .gltf``, with ``.gz``) is the format.

    OBJ keeps everything a `Mesh` has. PLY has no parts, materials or smoothing groups; STL has
    triangles only; GLB and glTF have triangles, float32 positions, no smoothing groups.

    Parameters
    ----------
    mesh : Mesh
        The mesh.
    path : str | os.PathLike[str]
        The file to write.
    force : bool, optional
        Replace a file that exists.

    Raises
    ------
    InputError
        The extension is none of these, the file exists and `force` is off, or it cannot be
        written.

    Examples
    --------
    >>> import cagecheck
    >>> mesh = cagecheck.read_mesh("hero_low.obj")
    >>> cagecheck.write_mesh(mesh, "copy.glb", force=True)
    >>> cagecheck.read_mesh("copy.glb").part_names
    ('plate',)
    """
    write_chunks(path, _OF_MESH[_extension(path)](mesh), force)


@takes(surface=Surface)
def write_surface(surface: Surface, path: str | os.PathLike[str], force: bool = False) -> None:
    """Write a surface, formats as in `write_mesh`.

    Its normals are kept, but not in STL, nor where a vertex has several in PLY; in GLB and glTF
    such a vertex is written once for each.

    Parameters
    ----------
    surface : Surface
        The surface.
    path : str | os.PathLike[str]
        The file to write.
    force : bool, optional
        Replace a file that exists.

    Raises
    ------
    InputError
        As for `write_mesh`.

    Examples
    --------
    >>> import cagecheck
    >>> high = cagecheck.read_surface("hero_high.ply")
    >>> cagecheck.write_surface(high, "copy.stl", force=True)
    """
    write_chunks(path, _OF_SURFACE[_extension(path)](surface), force)


def write_chunks(path: str | os.PathLike[str], chunks: Chunks, force: bool) -> None:
    """Write bytes whole or not at all, packed where the name ends in ``.gz``."""
    with replace_file(path, force=force) as temporary:
        try:
            with temporary.open("wb") as raw:
                if not str(path).lower().endswith(".gz"):
                    raw.writelines(_raw(c) for c in chunks)
                    return
                # No name and time inside: the same mesh gives the same bytes.
                with gzip.GzipFile("", "wb", _GZIP_LEVEL, raw, mtime=0) as packed:
                    for chunk in chunks:
                        packed.write(_raw(chunk))
        except OSError as error:
            raise InputError(
                f"the file could not be written ({error.strerror}).", file=str(path)
            ) from error


def _raw(chunk: Any) -> Any:
    if isinstance(chunk, bytes | bytearray):
        return chunk
    return np.ascontiguousarray(chunk).reshape(-1).view(np.uint8).data


def _extension(path: str | os.PathLike[str]) -> str:
    _, extension = split_name(path)
    if extension not in _OF_MESH:
        raise InputError(
            f"cagecheck does not write “{extension or Path(path).name}” files.",
            file=str(path),
            cure=f"Choose one of {', '.join(WRITABLE)}.",
        )
    return extension
