"""Joining the maps of several materials on one tile into one map.

Every texel comes whole from one source: from the material that covers it, and elsewhere from the
one whose coverage is nearest, so that each island keeps its own padding up to half way to its
neighbour.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from cagecheck.errors import InputError
from cagecheck.maps.coverage import Mask, tile_coverage
from cagecheck.maps.pictures import LOSSLESS, Picture, read_picture, write_picture
from cagecheck.meshes.lowpoly import LowPoly


def coverage_of(low: LowPoly, name: str, tile: int, size: tuple[int, int]) -> Mask:
    """Return the texels that a material, or else a part, of this name covers on a tile."""
    assert low.uv is not None, "plans are made for meshes with UVs"
    mesh = low.mesh
    if name in mesh.material_names and mesh.face_material is not None:
        chosen = mesh.face_material[low.cut.face] == mesh.material_names.index(name)
    else:
        chosen = low.triangle_part == mesh.part_names.index(name)
    return tile_coverage(low.uv[chosen & (low.tile == tile)], tile, *size)


def compose(pictures: Sequence[Picture], coverage: Sequence[Mask]) -> Picture:
    """Join pictures of one size and type by the masks of what each covers.

    Where masks overlap the first counts. Raises `InputError` when the pictures do not match or
    none covers anything.
    """
    first = pictures[0]
    for other in pictures[1:]:
        if other.texels.shape != first.texels.shape or other.texels.dtype != first.texels.dtype:
            raise InputError(
                f"maps of one tile differ in size, channels or depth: {_looks(first)} and "
                f"{_looks(other)}.",
                cure="Bake them alike.",
            )
    owner = nearest_owner(coverage)
    out = first.texels.copy()
    for k in range(1, len(pictures)):
        out[owner == k] = pictures[k].texels[owner == k]
    return Picture(out, first.channels)


def nearest_owner(coverage: Sequence[Mask]) -> NDArray[np.intp]:
    """Return (H, W): the number of the mask that covers a texel or is nearest to it."""
    number = np.full(coverage[0].shape, -1, np.intp)
    for k in reversed(range(len(coverage))):
        number[coverage[k]] = k
    empty = number < 0
    if empty.all():
        raise InputError("the materials of these maps cover nothing on their tile.")
    # Distances to the nearest covered texel; its number is that texel's own.
    rows, columns = distance_transform_edt(empty, return_distances=False, return_indices=True)
    owner: NDArray[np.intp] = number[rows, columns]
    return owner


def compose_files(
    sources: Sequence[Path], names: Sequence[str], low: LowPoly, tile: int, out: Path
) -> None:
    """Join map files, told apart by material or part name, into the file `out`."""
    ending = sources[0].suffix.lstrip(".").lower()
    if ending not in LOSSLESS:
        raise InputError(
            f"maps in {ending} cannot be joined without changing texels.",
            file=str(sources[0]),
            cure="Bake to PNG, TGA, TIFF or EXR.",
        )
    pictures = [read_picture(path) for path in sources]
    size = pictures[0].size
    coverage = [coverage_of(low, name, tile, size) for name in names]
    write_picture(out, compose(pictures, coverage), ending)


def _looks(picture: Picture) -> str:
    width, height = picture.size
    return f"{width} x {height}, {picture.texels.shape[2]} channels, {picture.texels.dtype}"
