"""FBX files, through an optional reader library."""

from __future__ import annotations

from cagecheck.meshes.file_bytes import FileBytes
from cagecheck.meshes.mesh import Mesh, Surface
from cagecheck.progress import Progress, silent


def read_fbx_mesh(file: FileBytes, *, progress: Progress = silent) -> Mesh:
    """Read an FBX file faithfully. Raises `InputError`."""
    raise file.error("FBX is not read yet.", "Export the mesh as OBJ or GLB.")


def read_fbx_surface(file: FileBytes, *, progress: Progress = silent) -> Surface:
    """Read the triangles of an FBX file. Raises `InputError`."""
    raise file.error("FBX is not read yet.", "Export the mesh as OBJ or GLB.")
