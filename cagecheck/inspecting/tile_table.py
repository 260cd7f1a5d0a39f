"""Which part and material lies on which UDIM tile, and what is wrong with that.

A face belongs to the tile of its UV centroid. Texel density is texels per world length on a
square map: ``size * sqrt(UV area / world area)``, where a tile is one UV unit wide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.quantiles import weighted_quantiles
from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import InputError, takes
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.tiles import NO_TILE, tile_origin, udim_of

NO_MATERIAL = "(no material)"

# UVs in text files carry six decimals as a rule: a corner this near to a border lies on it.
BORDER_SLACK = 1e-6


@dataclass(frozen=True)
class TileRow:
    """What one part with one material has on one tile.

    `faces` counts polygons, `uv_area` is in tiles (1 is a whole tile, overlaps counted twice),
    `world_area` in square file units, `density` in texels per file unit (the median over the
    area, with the smallest and the largest beside it).
    """

    tile: int
    part: str
    material: str
    faces: int
    uv_area: float
    world_area: float
    density: float
    density_min: float
    density_max: float

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return dict(vars(self))


@dataclass(frozen=True, eq=False)
class TileTable:
    """The tiles of a low poly.

    Attributes
    ----------
    map_size : int
        Width and height of the maps, texels.
    rows : tuple[TileRow, ...]
        One per tile, part and material, in that order.
    face_tile : (F,) int32
        The tile of every polygon (`NO_TILE` outside the grid or without UVs).
    crossing : (K,) int64
        Polygons with corners in more than one tile.
    outside : (K,) int64
        Polygons with UVs whose centroid lies outside the grid of tiles.
    without_uv : (K,) int64
        Polygons with a corner that has no UV.
    """

    map_size: int
    rows: tuple[TileRow, ...]
    face_tile: Ints
    crossing: NDArray[np.int64]
    outside: NDArray[np.int64]
    without_uv: NDArray[np.int64]

    def __repr__(self) -> str:
        return f"<TileTable: tiles {', '.join(map(str, self.tiles)) or 'none'}>"

    @property
    def tiles(self) -> tuple[int, ...]:
        """The tiles in use, ascending."""
        return tuple(sorted({row.tile for row in self.rows if row.tile != NO_TILE}))

    def tiles_of_material(self) -> dict[str, tuple[int, ...]]:
        """Return the tiles of every material, ascending."""
        return self._tiles_by(lambda row: row.material)

    def tiles_of_part(self) -> dict[str, tuple[int, ...]]:
        """Return the tiles of every part, ascending."""
        return self._tiles_by(lambda row: row.part)

    def materials_of_tile(self) -> dict[int, tuple[str, ...]]:
        """Return the materials of every tile, the one with the largest UV area first."""
        area: dict[int, dict[str, float]] = {}
        for row in self.rows:
            if row.tile != NO_TILE:
                held = area.setdefault(row.tile, {})
                held[row.material] = held.get(row.material, 0.0) + row.uv_area
        return {
            tile: tuple(sorted(held, key=lambda name: (-held[name], name)))
            for tile, held in sorted(area.items())
        }

    def spanning_materials(self) -> dict[str, tuple[int, ...]]:
        """Return the materials that lie on more than one tile."""
        return {
            name: tiles
            for name, tiles in self.tiles_of_material().items()
            if len(tiles) > 1 and name != NO_MATERIAL
        }

    def mixed_tiles(self) -> dict[int, tuple[str, ...]]:
        """Return the tiles that hold more than one material."""
        return {tile: held for tile, held in self.materials_of_tile().items() if len(held) > 1}

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; face numbers count from 0."""
        return {
            "map_size": self.map_size,
            "rows": [row.to_dict() for row in self.rows],
            "tiles": list(self.tiles),
            "crossing_faces": self.crossing.tolist(),
            "outside_faces": self.outside.tolist(),
            "faces_without_uv": self.without_uv.tolist(),
            "spanning_materials": {k: list(v) for k, v in self.spanning_materials().items()},
            "mixed_tiles": {str(k): list(v) for k, v in self.mixed_tiles().items()},
        }

    def _tiles_by(self, key: Any) -> dict[str, tuple[int, ...]]:
        found: dict[str, set[int]] = {}
        for row in self.rows:
            if row.tile != NO_TILE:
                found.setdefault(key(row), set()).add(row.tile)
        return {name: tuple(sorted(tiles)) for name, tiles in sorted(found.items())}


@dataclass(frozen=True, eq=False)
class FaceTiles:
    """The tile of every polygon; see `TileTable` for the fields."""

    tile: Ints
    crossing: NDArray[np.bool_]
    has_uv: NDArray[np.bool_]


def face_tiles(mesh: Mesh) -> FaceTiles:
    """Find the tile of every polygon by the mean of its corners' UVs.

    Raises `InputError` when the mesh has no UVs at all.
    """
    if mesh.corner_uv is None:
        raise InputError(
            "this mesh has no UVs, so it lies on no tile.",
            file=mesh.source.path if mesh.source else None,
            cure="Unwrap it, or export it with its UVs.",
        )
    sizes = np.diff(mesh.face_start)
    corner_face = mesh.corner_face
    finite = np.asarray(np.isfinite(mesh.corner_uv).all(axis=1))
    good = np.bincount(corner_face, weights=finite, minlength=mesh.face_count)
    has_uv = np.asarray((good == sizes) & (sizes > 0))
    uv = np.where(finite[:, None], mesh.corner_uv, 0.0)
    total = np.zeros((mesh.face_count, 2))
    np.add.at(total, corner_face, uv)
    centre = total / np.maximum(sizes, 1)[:, None]
    cell = np.floor(centre)
    start = cell[corner_face]
    beyond = ((uv < start - BORDER_SLACK) | (uv > start + 1 + BORDER_SLACK)).any(axis=1)
    crossing = np.asarray(np.bincount(corner_face, beyond, mesh.face_count) > 0)
    tile = np.where(has_uv, udim_of(centre), NO_TILE).astype(np.int32)
    return FaceTiles(tile, crossing & has_uv, has_uv)


@takes(low=LowPoly)
def tile_table(low: LowPoly, map_size: int = 4096) -> TileTable:
    """Tabulate tiles, parts and materials of a low poly.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    map_size : int, optional
        Width and height of the maps, texels.

    Raises
    ------
    InputError
        The mesh has no UVs.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> cagecheck.tile_table(low, 1024)
    <TileTable: tiles 1001>
    """
    mesh = low.mesh
    faces = face_tiles(mesh)
    material = (
        np.full(mesh.face_count, -1, np.int32) if mesh.face_material is None else mesh.face_material
    )
    keys = np.stack([faces.tile, mesh.face_part, material], axis=1)
    groups, number = np.unique(keys, axis=0, return_inverse=True)
    number = number.ravel()
    triangle_group = number[low.cut.face]
    order = np.argsort(triangle_group, kind="stable")
    bounds = np.searchsorted(triangle_group[order], np.arange(len(groups) + 1))
    face_count = np.bincount(number, minlength=len(groups))
    density = low.texels_per_unit(map_size)
    rows = []
    for k, (tile, part, mat) in enumerate(groups.tolist()):
        mine = order[bounds[k] : bounds[k + 1]]
        middle, least, most = _spread(density[mine], low.area[mine])
        rows.append(
            TileRow(
                tile=tile,
                part=mesh.part_names[part],
                material=mesh.material_names[mat] if mat >= 0 else NO_MATERIAL,
                faces=int(face_count[k]),
                uv_area=float(np.abs(low.uv_area[mine]).sum()),
                world_area=float(low.area[mine].sum()),
                density=middle,
                density_min=least,
                density_max=most,
            )
        )
    return TileTable(
        map_size=map_size,
        rows=tuple(sorted(rows, key=lambda row: (row.tile, row.part, row.material))),
        face_tile=faces.tile,
        crossing=np.flatnonzero(faces.crossing),
        outside=np.flatnonzero(faces.has_uv & (faces.tile == NO_TILE)),
        without_uv=np.flatnonzero(~faces.has_uv),
    )


def describe_tile(tile: int) -> str:
    """Say a tile in words: its number and where it starts in UV space."""
    if tile == NO_TILE:
        return "none"
    u, v = tile_origin(tile)
    return f"{tile} (u {u}, v {v})"


def _spread(density: Floats, area: Floats) -> tuple[float, float, float]:
    """Return the area-weighted median and the least and greatest density."""
    held = area > 0
    if not held.any():
        return 0.0, 0.0, 0.0
    density, area = density[held], area[held]
    (middle,) = weighted_quantiles(density, area, (0.5,))
    return float(middle), float(density.min()), float(density.max())
