"""The low poly made ready for rays: triangles, welds, normals, tiles, texel scale."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from cagecheck.arrays.types import Floats, Ints
from cagecheck.errors import Notice, takes
from cagecheck.meshes.mesh import Mesh
from cagecheck.meshes.normals import (
    NormalRule,
    averaged_normals,
    corner_normals,
    sheet_normals,
    triangle_normals,
    weld,
)
from cagecheck.meshes.set_aside import SetAside, set_aside
from cagecheck.meshes.tiles import NO_TILE, udim_of
from cagecheck.meshes.triangulate import QuadSplit, Triangulation, triangulate
from cagecheck.words.numbers import count_text


@dataclass(frozen=True, eq=False)
class LowPoly:
    """A low poly and all that is derived from it once.

    Attributes
    ----------
    mesh : Mesh
        The file's own mesh.
    cut : Triangulation
        Its triangulation, without the faces that are set aside.
    triangles : (T, 3) int32
        Vertex indices.
    triangle_part : (T,) int32
        Index into ``mesh.part_names``.
    position_id : (V,) int32
        Welded number of every vertex (see `weld`), P of them.
    welded : (T, 3) int32
        Triangles by welded number.
    ray_normals : (P, 3) float64
        Unit averaged normals, one per welded position; zero where both sides of a sheet share it.
    sheet_normals : (T, 3, 3) float64
        Unit, the directions of the corners at such positions, each its own side's; zero at all
        others.
    shading_normals : (T, 3, 3) float64
        Unit corner normals.
    face_normals : (T, 3) float64
        Unit, zero where the triangle has no area.
    area : (T,) float64
        World area, 0 for triangles that only close a gap (see `set_aside`).
    uv : (T, 3, 2) float64 or None
        UVs of the corners, v upwards.
    uv_area : (T,) float64
        Signed area in UV units (0 without UVs or area).
    tile : (T,) int32
        UDIM number by UV centroid, `NO_TILE` without UVs.
    normal_rule : NormalRule
        How the corner normals were found.
    aside : SetAside
        The file's faces without area and doubled ones, which take no part.
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
    aside: SetAside = field(default_factory=SetAside)

    def __repr__(self) -> str:
        return f"<LowPoly {self.mesh.label}: {count_text(len(self.triangles))} triangles>"

    @property
    def positions(self) -> Floats:
        """(V, 3) float64 vertex positions."""
        return self.mesh.positions

    @property
    def position_count(self) -> int:
        """Number of welded positions, P."""
        return len(self.ray_normals)

    @property
    def places(self) -> Floats:
        """(P, 3) float64, where every welded position lies."""
        out = np.zeros((self.position_count, 3))
        out[self.position_id] = self.positions
        return out

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What was set aside, in words."""
        return self.aside.notices(self.mesh)

    @cached_property
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
        """Return how many texels a world length has on every triangle.

        Parameters
        ----------
        map_size : int
            Width and height of the maps, texels.

        Returns
        -------
        (T,) float64
            Texels per world unit, 0 without UVs.
        """
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


@takes(mesh=Mesh, rule=NormalRule)
def prepare_low(
    mesh: Mesh,
    *,
    rule: NormalRule | None = None,
    quads: QuadSplit = "first",
    cut: Triangulation | None = None,
) -> LowPoly:
    """Derive triangles, welds, normals and tiles from a low-poly mesh.

    Faces without area and doubled faces are set aside first.

    Parameters
    ----------
    mesh : Mesh
        The low poly as read.
    rule : NormalRule, optional
        How corner normals are found; the defaults of `NormalRule` by default.
    quads : QuadSplit, optional
        Quads are cut along the diagonal from their first corner (``first``) or along the shorter
        one (``short``).
    cut : Triangulation, optional
        The triangles to use, for a moved copy of a low poly that is to keep them; nothing is set
        aside then.

    Raises
    ------
    InputError
        `rule` asks for smoothing groups that the mesh lacks.

    Examples
    --------
    >>> import cagecheck
    >>> mesh = cagecheck.read_mesh("hero_low.obj")
    >>> low = cagecheck.prepare_low(mesh, rule=cagecheck.NormalRule("smooth"))
    >>> low
    <LowPoly hero_low.obj: 8 triangles>
    >>> low.part_names
    ('plate',)
    """
    rule = rule or NormalRule()
    aside = SetAside()
    if cut is None:
        cut, aside = set_aside(mesh, triangulate(mesh, quads))
    triangles = mesh.corner_vertex[cut.corners]
    solid = np.ones(len(triangles), bool) if cut.solid is None else cut.solid
    position_id = weld(mesh.positions, triangles[solid])
    unit, area = triangle_normals(mesh.positions, triangles)
    unit[~solid], area[~solid] = 0.0, 0.0
    welded = position_id[triangles]
    averaged = averaged_normals(mesh.positions, triangles[solid], position_id)
    sheets = np.zeros((len(triangles), 3, 3))
    sheets[solid] = sheet_normals(mesh.positions, triangles[solid], position_id)
    averaged[welded[np.any(sheets != 0, axis=2)]] = 0.0
    uv = None if mesh.corner_uv is None else mesh.corner_uv[cut.corners]
    uv_area = np.zeros(len(triangles))
    tile = np.full(len(triangles), NO_TILE, np.int32)
    if uv is not None:
        e1, e2 = uv[:, 1] - uv[:, 0], uv[:, 2] - uv[:, 0]
        signed = 0.5 * (e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0])
        uv_area = np.where(np.isfinite(signed) & solid, signed, 0.0)
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
        aside=aside,
    )
