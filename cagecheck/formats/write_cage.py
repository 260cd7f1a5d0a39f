"""Write a cage as the low poly's own file with nothing but its positions changed.

The file is taken apart again where it lies, so it must be the one that was read. Vertices that
did not move keep their bytes. What a format can keep:

* OBJ: every byte but the coordinates on ``v`` lines of moved vertices.
* PLY: every property and element; text or binary as it was.
* GLB, glTF: everything but position data and its min and max; positions go back through the
  inverse of their node's transform. Positions that are quantised or sparse get new float32 data.
* STL: header, order and attributes; facet normals follow the corners.
* USD: all of it, since the cage is a layer that overrides points and names the scene below it;
  a package (.usdz) is copied with such a layer put first. A layer is .usda, .usdc or .usd.

Other targets, and meshes without a file, are written anew by `write_mesh`.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.types import Floats
from cagecheck.errors import InputError, Notice, takes
from cagecheck.formats import cage_gltf, cage_text
from cagecheck.formats.cage_text import CannotKeepError
from cagecheck.formats.file_bytes import FileBytes, load_bytes, split_name
from cagecheck.formats.usd import ENDINGS
from cagecheck.formats.usd_write import override_points
from cagecheck.formats.write_mesh import Chunks, write_chunks, write_mesh
from cagecheck.meshes.mesh import Mesh
from cagecheck.words.numbers import count_text

_Rewrite = Callable[[FileBytes, Mesh, Floats, NDArray[np.bool_]], Chunks]
_REWRITES: dict[str, _Rewrite] = {
    ".obj": cage_text.rewrite_obj,
    ".ply": cage_text.rewrite_ply,
    ".stl": cage_text.rewrite_stl,
    ".glb": cage_gltf.rewrite_glb,
    ".gltf": cage_gltf.rewrite_gltf,
}


@takes(source_mesh=Mesh)
def write_cage(
    source_mesh: Mesh,
    cage_positions: Floats,
    path: str | os.PathLike[str],
    force: bool = False,
    *,
    place: str | os.PathLike[str] | None = None,
    copy: bool = False,
) -> tuple[Notice, ...]:
    """Write the cage of a low poly: its mesh with its vertices elsewhere.

    Parameters
    ----------
    source_mesh : Mesh
        The low poly's mesh as read.
    cage_positions : (V, 3) float64
        The cage's vertices, world space.
    path : str | os.PathLike[str]
        The file to write.
    force : bool, optional
        Replace a file that exists.
    place : str | os.PathLike[str], optional
        Where the file will lie in the end, if `path` is for a time; a layer of a USD scene names
        the scene as seen from there.
    copy : bool, optional
        Write the cage of a USD scene as a copy of its file with only points changed, not as a
        layer over it. Other formats and packages (.usdz) are always copied.

    Returns
    -------
    tuple of Notice
        Empty when the source file was kept but for its positions, else one that says why the mesh
        was written anew.

    Raises
    ------
    InputError
        The source file has changed or gone since it was read, the target's extension is not one
        that cagecheck writes (FBX), the file exists and `force` is off, a position is not finite,
        or it cannot be written.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> cage = cagecheck.cage_from_offset(low, 0.02)
    >>> cagecheck.write_cage(low.mesh, cage.positions, "hero_cage.obj", force=True)
    ()
    """
    cage = np.ascontiguousarray(cage_positions, dtype=np.float64)
    if cage.shape != source_mesh.positions.shape:
        raise InputError(
            f"a cage needs {count_text(source_mesh.vertex_count)} positions, one for each vertex "
            f"of the low poly, and got {count_text(len(cage))}.",
            file=str(path),
        )
    if not np.isfinite(cage).all():
        raise InputError("a cage position is not a finite number.", file=str(path))
    extension = split_name(path)[1]
    source = source_mesh.source
    if source is not None and source.pose is not None:
        if extension in ENDINGS:
            raise InputError(
                "the cage of one frame is not written as a layer of USD.",
                file=str(path),
                cure="Name the cage .obj or .glb.",
            )
        write_mesh(source_mesh.with_positions(cage), path, force)
        return (
            Notice(
                "cage-written-anew",
                f"{path}: this is one frame of {source.name}; the cage was written as a new file "
                "of that frame.",
            ),
        )
    is_layer = source is not None and f".{source.format}" in ENDINGS and extension in ENDINGS
    if source is None or not (
        is_layer or (extension == f".{source.format}" and extension in _REWRITES)
    ):
        write_mesh(source_mesh.with_positions(cage), path, force)
        return () if source is None else (_anew(source.format, extension),)
    file = load_bytes(source.path)
    if file.sha256() != source.sha256:
        raise InputError(
            "the file has changed since it was read.",
            file=source.path,
            cure="Run cagecheck again.",
        )
    moved = (cage != source_mesh.positions).any(axis=1)
    try:
        chunks: Chunks
        if is_layer:
            chunks = [
                override_points(
                    file, source_mesh, cage, moved, extension, Path(place or path), copy=copy
                )
            ]
        else:
            chunks = _REWRITES[extension](file, source_mesh, cage, moved)
    except CannotKeepError as reason:
        if is_layer:
            raise InputError(
                f"{reason}.", file=str(path), cure="Name the cage .obj or .glb."
            ) from None
        write_mesh(source_mesh.with_positions(cage), path, force)
        return (
            Notice(
                "cage-written-anew",
                f"{path}: {reason}; the cage was written as a new file with the low poly's faces.",
            ),
        )
    write_chunks(path, chunks, force)
    return ()


def _anew(source: str, target: str) -> Notice:
    words = "cagecheck writes no FBX" if source == "fbx" else "the formats differ"
    lost = {
        ".glb": " Polygons are triangles in it, and vertices are split at UV seams.",
        ".gltf": " Polygons are triangles in it, and vertices are split at UV seams.",
        ".stl": " It has triangles only, without UVs and parts.",
        ".ply": " It has no parts and materials.",
    }.get(target, "")
    return Notice(
        "cage-written-anew",
        f"the cage of a {source.upper()} file was written as {target[1:].upper()} ({words}).{lost}",
        "Name the cage with the low poly's own extension to keep everything else as it is."
        if source != "fbx"
        else "",
    )
