"""Cages, and the rays that a bake through them shoots.

The ray at a low-poly point p runs from the point with the same barycentric coordinates on the
cage triangle to p, and on to `depth` below it. Distances t are measured from p along the outward
unit direction, so the ray starts at ``t = start`` and looks towards smaller t.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from cagecheck.arrays.blocks import in_blocks
from cagecheck.arrays.types import Floats, Ints
from cagecheck.arrays.vectors import (
    Corners,
    blend,
    corners,
    dot,
    flat_row,
    row,
    run_end,
    scaled,
    store_flat,
)
from cagecheck.errors import InputError, takes
from cagecheck.loops import njit
from cagecheck.meshes.lowpoly import LowPoly
from cagecheck.meshes.mesh import Mesh
from cagecheck.rays.points import SurfacePoints, taken
from cagecheck.words.numbers import count_text, figures

Directions = Literal["averaged", "corner", "face"]
Along = Literal["cage", "normals"]


@dataclass(frozen=True, eq=False)
class Cage:
    """Where the rays of every low-poly corner start.

    Attributes
    ----------
    displacement : (T, 3, 3) float64
        From each triangle corner of the low poly to the cage, world units.
    normals : (T, 3, 3) float64
        Unit, the direction of each corner (used where the displacement is zero, and by rays that
        follow normals instead of the cage).
    label : str
        Where the cage comes from, in words.
    positions : (V, 3) float64 or None
        The cage's vertices, world space; None where corners of one vertex part company.
    """

    displacement: Floats
    normals: Floats
    label: str
    positions: Floats | None = None

    def __repr__(self) -> str:
        return f"<Cage: {self.label}, {count_text(len(self.displacement))} triangles>"


@dataclass(frozen=True, eq=False)
class Rays:
    """N rays of a bake.

    Attributes
    ----------
    origin : (N, 3) float64
        Points on the low poly, world space.
    direction : (N, 3) float64
        Unit, outward.
    start : (N,) float64
        Where the ray starts (the cage), as a distance from the origin.
    """

    origin: Floats
    direction: Floats
    start: Floats

    def __repr__(self) -> str:
        return f"<Rays: {count_text(len(self))}>"

    def __len__(self) -> int:
        return len(self.origin)

    def take(self, index: NDArray[np.integer] | NDArray[np.bool_]) -> Rays:
        """Return some of the rays.

        Parameters
        ----------
        index : array of int, or (N,) bool
            The rays.
        """
        return Rays(*taken([self.origin, self.direction, self.start], index))


def corner_directions(low: LowPoly, directions: Directions = "averaged") -> Floats:
    """Return the (T, 3, 3) unit directions in which corners are pushed.

    ``averaged`` gives one direction per welded position (a closed cage; one per side where both
    sides of a sheet share it, which a cage mesh cannot follow), ``corner`` the shading
    normals (splits open at hard edges), ``face`` the triangle's own normal.
    """
    if directions == "averaged":
        return low.corner_rays
    if directions == "corner":
        return low.shading_normals
    return np.repeat(low.face_normals[:, None], 3, axis=1)


@takes(low=LowPoly)
def cage_from_offset(low: LowPoly, offset: float, directions: Directions = "averaged") -> Cage:
    """Push every corner by the same distance.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    offset : float
        World units, 0 or more.
    directions : Directions, optional
        ``averaged`` gives one direction per welded position (a closed cage), ``corner`` the
        shading normals (splits open at hard edges), ``face`` the triangle's own normal.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> cagecheck.cage_from_offset(low, 0.02)
    <Cage: uniform offset 0.02, 8 triangles>
    """
    normals = corner_directions(low, directions)
    positions = None
    if directions == "averaged":
        positions = low.positions + offset * low.ray_normals[low.position_id]
    return Cage(offset * normals, normals, f"uniform offset {figures(offset, 6)}", positions)


@takes(low=LowPoly)
def cage_from_push(low: LowPoly, offsets: Floats, directions: Directions = "averaged") -> Cage:
    """Push every vertex by its own distance.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    offsets : (V,) float64
        World units, one for each file vertex.
    directions : Directions, optional
        See `cage_from_offset`.

    Raises
    ------
    InputError
        The count is not the low poly's vertex count, or a value is not finite.

    Examples
    --------
    >>> import cagecheck
    >>> import numpy as np
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> cage = cagecheck.cage_from_push(low, np.linspace(0.01, 0.09, 9))
    >>> cage.positions[0, 2]
    0.01
    """
    offsets = np.asarray(offsets, dtype=np.float64)
    if offsets.shape != (low.mesh.vertex_count,):
        raise InputError(
            f"the push distances are for {count_text(offsets.size)} vertices, the low poly has "
            f"{count_text(low.mesh.vertex_count)}.",
            cure="Use a file made for this low poly.",
        )
    if not np.isfinite(offsets).all():
        raise InputError("the push distances hold values that are not numbers.")
    normals = corner_directions(low, directions)
    positions = None
    if directions == "averaged":
        positions = low.positions + offsets[:, None] * low.ray_normals[low.position_id]
    displacement = offsets[low.triangles][:, :, None] * normals
    return Cage(displacement, normals, "offset per vertex", positions)


@takes(low=LowPoly, mesh=Mesh)
def cage_from_mesh(low: LowPoly, mesh: Mesh) -> Cage:
    """Use a cage mesh with the low poly's own vertices and faces.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    mesh : Mesh
        The low poly's mesh with its vertices moved.

    Raises
    ------
    InputError
        Vertex count, face count or the faces' vertices differ.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> moved = low.mesh.with_positions(low.positions + [0, 0, 0.03])
    >>> cagecheck.cage_from_mesh(low, moved)
    <Cage: cage mesh, 8 triangles>
    """
    source = mesh.source.path if mesh.source else None
    for what, mine, theirs in (
        ("vertices", low.mesh.vertex_count, mesh.vertex_count),
        ("faces", low.mesh.face_count, mesh.face_count),
    ):
        if mine != theirs:
            raise InputError(
                f"the cage has {count_text(theirs)} {what}, the low poly has {count_text(mine)}.",
                file=source,
                cure="A cage is a copy of the low poly whose vertices are only moved.",
            )
    if not (
        np.array_equal(mesh.face_start, low.mesh.face_start)
        and np.array_equal(mesh.corner_vertex, low.mesh.corner_vertex)
    ):
        raise InputError(
            "the cage's faces join other vertices than the low poly's.",
            file=source,
            cure="Export both with the same settings, so that the vertex order is kept.",
        )
    moved = mesh.positions - low.positions
    return Cage(moved[low.triangles], corner_directions(low), "cage mesh", mesh.positions)


@takes(low=LowPoly, cage=Cage, points=SurfacePoints)
def rays_through(low: LowPoly, cage: Cage, points: SurfacePoints, along: Along = "cage") -> Rays:
    """Return the rays that the points get through the cage.

    Where the cage touches the low poly rays follow the normal, whatever `along` says.

    Parameters
    ----------
    low : LowPoly
        See `prepare_low`.
    cage : Cage
        The cage of this low poly.
    points : SurfacePoints
        Points on this low poly.
    along : Along, optional
        ``cage``: from the cage point to the low-poly point. ``normals``: along the interpolated
        corner normal, from as far out as the cage point reaches along it.

    Examples
    --------
    >>> import cagecheck
    >>> low = cagecheck.prepare_low(cagecheck.read_mesh("hero_low.obj"))
    >>> cage = cagecheck.cage_from_offset(low, 0.02)
    >>> rays = cagecheck.rays_through(low, cage, cagecheck.sample_points(low, 0.5))
    >>> rays.direction[0], rays.start[0]
    (array([0., 0., 1.]), 0.02)
    """
    n = len(points)
    origin, direction, start = np.empty((n, 3)), np.empty((n, 3)), np.empty(n)
    touching = touching_distance(low)
    weights = np.ascontiguousarray(points.barycentric)

    def shoot(begin: int, end: int) -> None:
        here = slice(begin, end)
        _shoot(
            low.positions, low.triangles, cage.normals, cage.displacement, points.triangle[here],
            weights[here], along == "normals", touching, origin[here], direction[here], start[here],
        )  # fmt: skip

    in_blocks(n, shoot)
    return Rays(origin, direction, start)


def touching_distance(low: LowPoly) -> float:
    """Return the length below which a displacement has no direction of its own, world units.

    It is below the rounding of the positions themselves.
    """
    scale = float(np.abs(low.positions).max(initial=0.0))
    return 8 * float(np.finfo(np.float64).eps) * scale


@njit(cache=True, nogil=True, makes_arrays=False)
def _shoot(
    positions: Floats,
    triangles: Ints,
    normals: Floats,
    displacement: Floats,
    triangle: Ints,
    barycentric: Floats,
    follow_normals: bool,
    touching: float,
    origin: Floats,
    direction: Floats,
    start: Floats,
) -> None:
    """Write the rays of `rays_through`, run by run of points on one triangle."""
    weights = barycentric.reshape(-1)
    origins, directions = origin.reshape(-1), direction.reshape(-1)
    first = 0
    while first < len(triangle):
        end, f = run_end(triangle, first), triangle[first]
        a, b, c = triangles[f, 0], triangles[f, 1], triangles[f, 2]
        low = (row(positions, a), row(positions, b), row(positions, c))
        _shoot_run(
            low, corners(displacement, f), corners(normals, f), weights, follow_normals, touching,
            origins, directions, start, np.uint64(first), np.uint64(end),
        )  # fmt: skip
        first = end


@njit(cache=True, nogil=True, makes_arrays=False, error_model="numpy")
def _shoot_run(
    low: Corners,
    displacement: Corners,
    normals: Corners,
    barycentric: Floats,
    follow_normals: bool,
    touching: float,
    origin: Floats,
    direction: Floats,
    start: Floats,
    first: int | np.uint64,
    end: int | np.uint64,
) -> None:
    """Write the rays of points on one triangle: a wide loop (see `vectors`)."""
    for i in range(first, end):
        w = flat_row(barycentric, i)
        store_flat(origin, i, blend(*low, w))
        out, normal = blend(*displacement, w), blend(*normals, w)
        length, size = np.sqrt(dot(out, out)), np.sqrt(dot(normal, normal))
        # A cage inside the low poly starts its rays at negative t along the same outward line.
        signed = -length if dot(out, normal) < 0.0 else length
        unit = scaled(normal, 1.0 / size if size > 0.0 else 1.0)
        if not follow_normals and length > touching:
            start[i] = signed
            store_flat(direction, i, scaled(out, 1.0 / signed))
        else:
            start[i] = dot(out, unit) if follow_normals else 0.0
            store_flat(direction, i, unit)
