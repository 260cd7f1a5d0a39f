"""The low poly made ready for rays: triangles, welds, normals, tiles, texel scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cagecheck.arrays.types import Floats, Ints
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.normals import (
    NormalRule,
    averaged_normals,
    corner_normals,
    sheet_normals,
    triangle_normals,
    weld,
)
from cagecheck.meshes.tiles import NO_TILE, udim_of
from cagecheck.meshes.triangulate import QuadSplit, Triangulation, triangulate


@dataclass(frozen=True, eq=False)
class LowPoly:
    """A low poly and all that is derived from it once.

    Attributes
    ----------
    mesh : the file's own mesh.
    cut : its triangulation.
    triangles : (T, 3) int32 vertex indices.
    triangle_part : (T,) int32 into ``mesh.part_names``.
    position_id : (V,) int32 welded number of every vertex (see `weld`), P of them.
    welded : (T, 3) int32, triangles by welded number.
    ray_normals : (P, 3) unit averaged normals, one per welded position; zero where both sides of a
        sheet share it.
    sheet_normals : (T, 3, 3) unit, the directions of the corners at such positions, each its own
        side's; zero at all others.
    shading_normals : (T, 3, 3) unit corner normals.
    face_normals : (T, 3) unit, zero where the triangle has no area.
    area : (T,) world area.
    uv : (T, 3, 2) or None; uv_area : (T,) signed area in UV units (0 without UVs).
    tile : (T,) int32 UDIM number by UV centroid, `NO_TILE` without UVs.
    """

    mesh: Mesh
    cut: Triangulation
    triangles: Ints
    triangle_part: Ints
    position_id: Ints
    welded: Ints
    ray_normals: Floats
    sheet_normals: Floats
    shading_normals: Floats
    face_normals: Floats
    area: Floats
    uv: Floats | None
    uv_area: Floats
    tile: Ints
    normal_rule: NormalRule

    @property
    def positions(self) -> Floats:
        """(V, 3) float64 vertex positions."""
        return self.mesh.positions

    @property
    def position_count(self) -> int:
        """Number of welded positions, P."""
        return len(self.ray_normals)

    @property
    def corner_rays(self) -> Floats:
        """(T, 3, 3) unit averaged normals of the corners: what rays of a closed cage follow."""
        averaged = self.ray_normals[self.welded]
        own = np.any(self.sheet_normals != 0, axis=2, keepdims=True)
        out: Floats = np.where(own, self.sheet_normals, averaged)
        return out

    @property
    def part_names(self) -> tuple[str, ...]:
        """Names of the parts."""
        return self.mesh.part_names

    def texels_per_unit(self, map_size: int) -> Floats:
        """Return (T,) texels per world length for square maps of `map_size` (0 without UVs)."""
        scale = np.divide(
            np.abs(self.uv_area), self.area, out=np.zeros_like(self.area), where=self.area > 0
        )
        out: Floats = map_size * np.sqrt(scale)
        return out

    def diagonal(self) -> float:
        """Length of the bounding box's diagonal over the vertices in use."""
        if len(self.triangles) == 0:
            return 0.0
        used = self.positions[self.triangles.ravel()]
        return float(np.linalg.norm(used.max(axis=0) - used.min(axis=0)))


def prepare_low(
    mesh: Mesh, *, rule: NormalRule | None = None, quads: QuadSplit = "first"
) -> LowPoly:
    """Derive triangles, welds, normals and tiles from a low-poly mesh.

    Raises `InputError` when `rule` asks for smoothing groups that the mesh lacks.
    """
    rule = rule or NormalRule()
    cut = triangulate(mesh, quads)
    triangles = mesh.corner_vertex[cut.corners]
    position_id = weld(mesh.positions, triangles)
    unit, area = triangle_normals(mesh.positions, triangles)
    welded = position_id[triangles]
    averaged = averaged_normals(mesh.positions, triangles, position_id)
    sheets = sheet_normals(mesh.positions, triangles, position_id)
    averaged[welded[np.any(sheets != 0, axis=2)]] = 0.0
    uv = None if mesh.corner_uv is None else mesh.corner_uv[cut.corners]
    uv_area = np.zeros(len(triangles))
    tile = np.full(len(triangles), NO_TILE, np.int32)
    if uv is not None:
        e1, e2 = uv[:, 1] - uv[:, 0], uv[:, 2] - uv[:, 0]
        signed = 0.5 * (e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0])
        uv_area = np.where(np.isfinite(signed), signed, 0.0)
        tile = udim_of(uv.mean(axis=1))
    return LowPoly(
        mesh=mesh,
        cut=cut,
        triangles=triangles,
        triangle_part=mesh.face_part[cut.face],
        position_id=position_id,
        welded=welded,
        ray_normals=averaged,
        sheet_normals=sheets,
        shading_normals=corner_normals(mesh, cut, position_id, rule),
        face_normals=unit,
        area=area,
        uv=uv,
        uv_area=uv_area,
        tile=tile,
        normal_rule=rule,
    )
