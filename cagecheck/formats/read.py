"""The front door for mesh files: any format in, a `Mesh` or a `Surface` out.

`read_mesh` keeps the file's own vertices, order, polygons and corners (the low poly and its
cage); `read_surface` reads triangles quickly and sparingly (the high poly). Both see through
``.gz`` and know a file by its first bytes where these are unmistakable, else by its extension.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass

from cagecheck.errors import InputError
from cagecheck.formats import fbx, gltf, obj, ply, stl
from cagecheck.formats.checks import finish_mesh
from cagecheck.formats.file_bytes import FileBytes, load_bytes
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.surface_normals import checked_normals
from cagecheck.progress import Progress, silent


@dataclass(frozen=True)
class _Format:
    mesh: Callable[..., Mesh]
    surface: Callable[..., Surface]


_FORMATS = {
    "obj": _Format(obj.read_obj_mesh, obj.read_obj_surface),
    "ply": _Format(ply.read_ply_mesh, ply.read_ply_surface),
    "stl": _Format(stl.read_stl_mesh, stl.read_stl_surface),
    "glb": _Format(gltf.read_gltf_mesh, gltf.read_gltf_surface),
    "gltf": _Format(gltf.read_gltf_mesh, gltf.read_gltf_surface),
    "fbx": _Format(fbx.read_fbx_mesh, fbx.read_fbx_surface),
}
READABLE = tuple(f".{name}" for name in _FORMATS)

_MAGIC = (
    (b"glTF", "glb"),
    (b"ply\n", "ply"),
    (b"ply\r", "ply"),
)
# Files that artists drop by mistake, told apart so that the message can say so.
_OTHERS = (
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"II*\x00", "a TIFF picture"),
    (b"MM\x00*", "a TIFF picture"),
    (b"v/1\x01", "an OpenEXR picture"),
    (b"8BPS", "a layered picture"),
    (b"PK\x03\x04", "a zip archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"%PDF", "a PDF document"),
)


def read_mesh(path: str | os.PathLike[str], *, progress: Progress = silent) -> Mesh:
    """Read a mesh faithfully.

    Positions are in world space (glTF and FBX node transforms applied), UVs have v upwards (glTF
    stores it downwards), parts are OBJ objects or groups, glTF and FBX nodes, STL solids, and one
    part named after the file for PLY.

    Parameters
    ----------
    path : str | os.PathLike[str]
        The file.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        The file is missing, empty, not a mesh, damaged or cut off, has no vertices or faces, an
        index out of range, or a coordinate that is not finite.

    Examples
    --------
    >>> import cagecheck
    >>> cagecheck.read_mesh("hero_low.obj")
    <Mesh hero_low.obj: 9 vertices, 4 faces>
    """
    file = load_bytes(path, progress=progress)
    mesh = _FORMATS[_format_of(file)].mesh(file, progress=progress)
    return finish_mesh(file, mesh)


def read_surface(
    path: str | os.PathLike[str], *, normals: bool = True, progress: Progress = silent
) -> Surface:
    """Read triangles to cast rays at, quickly and with little memory.

    Binary formats keep their float32 positions. Polygons are cut as `triangulate` does. Same
    places and parts as `read_mesh`.

    Parameters
    ----------
    path : str | os.PathLike[str]
        The file.
    normals : bool, optional
        Also keep the file's own normals (12 bytes a vertex; 12 more a triangle where it has hard
        edges), which maps are shaded with. Parts whose normals face against their triangles lose
        them, with a notice. STL has none.
    progress : Progress, optional
        Called now and then with stage, done and total.

    Raises
    ------
    InputError
        As for `read_mesh`.

    Examples
    --------
    >>> import cagecheck
    >>> cagecheck.read_surface("hero_high.ply")
    <Surface hero_high.ply: 32 triangles>
    """
    file = load_bytes(path, progress=progress)
    surface = _FORMATS[_format_of(file)].surface(file, normals=normals, progress=progress)
    return checked_normals(surface)


def _format_of(file: FileBytes) -> str:
    """Name the format of a file by its bytes, else by its extension."""
    head = file.data[:64].tobytes()
    for magic, name in _MAGIC:
        if head.startswith(magic):
            return name
    if head[8:18] == b"FBX Binary":
        return "fbx"
    for magic, words in _OTHERS:
        if head.startswith(magic):
            raise _not_a_mesh(file, f"this is {words}, not a mesh.")
    name = file.extension.lstrip(".")
    if name in _FORMATS:
        return name
    said = f"“{file.extension}” is" if file.extension else "a name without an extension is"
    raise _not_a_mesh(file, f"{said} no mesh format that cagecheck reads.")


def _not_a_mesh(file: FileBytes, what: str) -> InputError:
    return file.error(what, "Export the mesh as OBJ, PLY, STL, GLB, glTF or FBX.")
