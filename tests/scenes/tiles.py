"""Small meshes on several tiles, and pictures baked from them, for the tests of the chores."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.ndimage import distance_transform_edt

from cagecheck.maps.coverage import tile_coverage
from cagecheck.maps.pictures import Picture, write_picture
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Mesh, SourceFile

# part, material, tile origin, UV rectangle (u0, v0, u1, v1) within the tile
Patch = tuple[str, str, tuple[int, int], tuple[float, float, float, float]]

CHARACTER: tuple[Patch, ...] = (
    ("body", "skin", (0, 0), (0.1, 0.1, 0.9, 0.5)),
    ("head", "skin", (1, 0), (0.3, 0.2, 0.7, 0.9)),
    ("coat", "leather", (0, 1), (0.1, 0.55, 0.45, 0.95)),
    ("belt", "metal", (0, 1), (0.6, 0.1, 0.9, 0.3)),
)


def patch_mesh(patches: tuple[Patch, ...] = CHARACTER, name: str = "hero_low.obj") -> Mesh:
    """One quad of size 2 x 1 per patch, side by side."""
    positions, uv, part_names, material_names = [], [], [], []
    part, material = [], []
    for k, (part_name, material_name, (tu, tv), (u0, v0, u1, v1)) in enumerate(patches):
        x = 3.0 * k
        positions += [(x, 0, 0), (x + 2, 0, 0), (x + 2, 1, 0), (x, 1, 0)]
        uv += [(tu + u, tv + v) for u, v in ((u0, v0), (u1, v0), (u1, v1), (u0, v1))]
        for names, value, index in (
            (part_names, part_name, part),
            (material_names, material_name, material),
        ):
            if value not in names:
                names.append(value)
            index.append(names.index(value))
    count = len(patches)
    return Mesh(
        positions=np.array(positions, float),
        face_start=np.arange(0, 4 * count + 1, 4, dtype=np.int64),
        corner_vertex=np.arange(4 * count, dtype=np.int32),
        face_part=np.array(part, np.int32),
        part_names=tuple(part_names),
        corner_uv=np.array(uv, float),
        face_material=np.array(material, np.int32),
        material_names=tuple(material_names),
        source=SourceFile(name, "obj", "0" * 64),
    )


def patch_low(patches: tuple[Patch, ...] = CHARACTER, name: str = "hero_low.obj") -> LowPoly:
    return prepare_low(patch_mesh(patches, name))


def bake(
    low: LowPoly,
    tile: int,
    path: Path,
    *,
    colour: tuple[int, ...] = (90, 160, 220),
    material: str | None = None,
    size: tuple[int, int] = (128, 128),
    padding: float = 0,
    dtype: type = np.uint8,
) -> np.ndarray:
    """Write a map that fills a tile's coverage (or one material's) with a colour, on black."""
    chosen = low.tile == tile
    if material is not None:
        face = low.mesh.face_material[low.cut.face]
        chosen &= face == low.mesh.material_names.index(material)
    mask = tile_coverage(low.uv[chosen], tile, *size)
    if padding:
        mask = distance_transform_edt(~mask) <= padding
    texels = np.zeros((size[1], size[0], len(colour)), dtype)
    texels[mask] = colour
    write_picture(path, Picture(texels), path.suffix[1:])
    return texels


def write_obj(path: Path, patches: tuple[Patch, ...] = CHARACTER) -> Path:
    """Write the patches as an OBJ with objects, materials and a library name."""
    mesh = patch_mesh(patches)
    lines = ["# made for a test", "mtllib hero.mtl"]
    lines += [f"v {x} {y} {z}" for x, y, z in mesh.positions]
    lines += [f"vt {u:.6f} {v:.6f}" for u, v in mesh.corner_uv]
    for face in range(mesh.face_count):
        corners = range(4 * face + 1, 4 * face + 5)
        lines += [
            f"o {mesh.part_names[mesh.face_part[face]]}",
            f"usemtl {mesh.material_names[mesh.face_material[face]]}",
            "f " + " ".join(f"{i}/{i}" for i in corners),
        ]
    path.write_text("\n".join(lines) + "\n")
    return path
