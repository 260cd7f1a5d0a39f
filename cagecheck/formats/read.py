"""The front door for mesh files: any format in, a `Mesh` or a `Surface` out.

`read_mesh` keeps the file's own vertices, order, polygons and corners (the low poly and its
cage); `read_surface` reads triangles quickly and sparingly (the high poly). Both see through
``.gz`` and know a file by its first bytes where these are unmistakable, else by its extension.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from cagecheck.errors import InputError, Notice
from cagecheck.formats import alembic, fbx, gltf, obj, ply, stl, usd
from cagecheck.formats.checks import finish_mesh
from cagecheck.formats.file_bytes import FileBytes, load_bytes
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.meshes.pose import Pose
from cagecheck.meshes.surface_normals import checked_normals
from cagecheck.progress import Progress, silent

_M = TypeVar("_M", Mesh, Surface)


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
    "abc": _Format(alembic.read_alembic_mesh, alembic.read_alembic_surface),
} | {ending[1:]: _Format(usd.read_usd_mesh, usd.read_usd_surface) for ending in usd.ENDINGS}
READABLE = tuple(f".{name}" for name in _FORMATS)

_MAGIC = (
    (b"glTF", "glb"),
    (b"ply\n", "ply"),
    (b"ply\r", "ply"),
    (b"PXR-USDC", "usdc"),
    (b"#usda 1.", "usda"),
    (b"Ogawa", "abc"),
)
# Formats that hold several frames.
MOVING = ("glb", "gltf", "abc", *(ending[1:] for ending in usd.ENDINGS))
_ZIP = b"PK\x03\x04"
# Files that artists drop by mistake, told apart so that the message can say so.
_OTHERS = (
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"II*\x00", "a TIFF picture"),
    (b"MM\x00*", "a TIFF picture"),
    (b"v/1\x01", "an OpenEXR picture"),
    (b"8BPS", "a layered picture"),
    (_ZIP, "a zip archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"%PDF", "a PDF document"),
)


def read_mesh(
    path: str | os.PathLike[str],
    *,
    pose: Pose | None = None,
    also_from: Sequence[str | os.PathLike[str]] = (),
    progress: Progress = silent,
) -> Mesh:
    """Read a mesh faithfully.

    Positions are in world space (transforms of glTF, FBX and USD applied), UVs have v upwards (glTF
    stores it downwards), parts are OBJ objects or groups, glTF and FBX nodes, USD meshes by their
    paths, STL solids, and one part named after the file for PLY.

    Parameters
    ----------
    path : str | os.PathLike[str]
        The file.
    pose : Pose, optional
        The frame to read (glTF, USD, Alembic); without it the mesh as it lies in the file.
    also_from : sequence of str | os.PathLike[str], optional
        Folders besides the file's own from which layers of a USD scene may be read.
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
    file = _told(load_bytes(path, progress=progress), pose, also_from)
    name = _format_of(file)
    mesh = _posed(_FORMATS[name].mesh(file, progress=progress), pose, name)
    return finish_mesh(file, replace(mesh, notices=(*mesh.notices, *_still(file, name))))


def read_surface(
    path: str | os.PathLike[str],
    *,
    normals: bool = True,
    pose: Pose | None = None,
    progress: Progress = silent,
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
    pose : Pose, optional
        As for `read_mesh`.
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
    file = _told(load_bytes(path, progress=progress), pose, ())
    name = _format_of(file)
    surface = _FORMATS[name].surface(file, normals=normals, progress=progress)
    surface = _posed(surface, pose, name)
    return checked_normals(replace(surface, notices=(*surface.notices, *_still(file, name))))


def _posed(mesh: _M, pose: Pose | None, name: str) -> _M:
    """Return a mesh that says which frame of its file it is; its places are not those in there."""
    if pose is None or name not in MOVING or mesh.source is None:
        return mesh
    return replace(mesh, source=replace(mesh.source, pose=pose, layout=None))


def _told(
    file: FileBytes, pose: Pose | None, also_from: Sequence[str | os.PathLike[str]]
) -> FileBytes:
    return replace(file, pose=pose, also_from=tuple(os.fspath(folder) for folder in also_from))


def _still(file: FileBytes, name: str) -> tuple[Notice, ...]:
    """Say where a frame was asked for and the format holds none."""
    if file.pose is None or file.pose.frame is None or name in MOVING:
        return ()
    return (
        Notice("no-frames", f"{file.name}: {name.upper()} files hold no frames; read as it is."),
    )


def _format_of(file: FileBytes) -> str:
    """Name the format of a file by its bytes, else by its extension."""
    head = file.data[:64].tobytes()
    for magic, name in _MAGIC:
        if head.startswith(magic):
            return name
    if head[8:18] == b"FBX Binary":
        return "fbx"
    name = file.extension.lstrip(".")
    if name == "usdz" and head.startswith(_ZIP):
        return name
    for magic, words in _OTHERS:
        if head.startswith(magic):
            raise _not_a_mesh(file, f"this is {words}, not a mesh.")
    if name in _FORMATS:
        return name
    said = f"“{file.extension}” is" if file.extension else "a name without an extension is"
    raise _not_a_mesh(file, f"{said} no mesh format that cagecheck reads.")


def _not_a_mesh(file: FileBytes, what: str) -> InputError:
    return file.error(what, "Export the mesh as OBJ, PLY, STL, GLB, glTF, FBX, USD or Alembic.")
