"""Loops that work on several points of a triangle at a time give what a point alone gets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cagecheck.arrays.vectors import run_end
from cagecheck.maps.encode import tangent_basis
from cagecheck.maps.high_normals import high_shading
from cagecheck.maps.texels import texel_points
from cagecheck.meshes.lowpoly import LowPoly, prepare_low
from cagecheck.meshes.mesh import Surface, mesh_from_polygons
from cagecheck.rays.cage import Cage, cage_from_offset, cage_from_push, rays_through
from cagecheck.rays.points import PointKind, SurfacePoints


def bumpy(n: int = 4) -> LowPoly:
    """An uneven grid with UVs, one row of it mirrored."""
    rng = np.random.default_rng(5)
    u, v = np.meshgrid(np.linspace(0.02, 0.98, n + 1), np.linspace(0.02, 0.98, n + 1))
    p = np.stack([u, v, 0.2 * rng.random(u.shape)], axis=-1).reshape(-1, 3)
    c = (np.arange(n)[:, None] * (n + 1) + np.arange(n)).ravel()
    quads = np.stack([c, c + 1, c + n + 2, c + n + 1], axis=1)
    uv = np.stack([u, v], axis=-1).reshape(-1, 2)[quads]
    uv[:n, :, 0] = 1 - uv[:n, :, 0]
    return prepare_low(mesh_from_polygons(p, quads, uv=uv.reshape(-1, 2)))


def in_runs(low: LowPoly) -> SurfacePoints:
    """Points in runs of 1 to 40 on one triangle, so that every remainder of a wide loop occurs."""
    rng = np.random.default_rng(6)
    triangle = np.repeat(rng.integers(0, len(low.triangles), 41), np.arange(41)).astype(np.int32)
    n = len(triangle)
    barycentric = rng.dirichlet([1, 1, 1], n)
    return SurfacePoints(
        triangle, barycentric, np.ones(n), np.full(n, PointKind.INTERIOR, np.uint8), np.ones(n)
    )


def cages(low: LowPoly) -> list[Cage]:
    rng = np.random.default_rng(7)
    push = rng.uniform(-0.1, 0.2, low.mesh.vertex_count)
    push[: len(push) // 3] = 0
    return [cage_from_offset(low, 0.1), cage_from_offset(low, 0.0), cage_from_push(low, push)]


@pytest.mark.parametrize("along", ["cage", "normals"])
def test_rays_of_runs_are_those_of_single_points(along: str) -> None:
    low = bumpy()
    points = in_runs(low)
    for cage in cages(low):
        together = rays_through(low, cage, points, along)  # type: ignore[arg-type]
        for i in range(len(points)):
            alone = rays_through(low, cage, points.take(np.array([i])), along)  # type: ignore[arg-type]
            assert np.array_equal(alone.origin[0], together.origin[i])
            assert np.array_equal(alone.direction[0], together.direction[i])
            assert alone.start[0] == together.start[i]


def test_rays_of_runs_follow_their_definition() -> None:
    low = bumpy()
    points = in_runs(low)
    weights = points.barycentric[:, :, None]
    for cage in cages(low):
        rays = rays_through(low, cage, points)
        origin = (low.positions[low.triangles[points.triangle]] * weights).sum(axis=1)
        tip = origin + (cage.displacement[points.triangle] * weights).sum(axis=1)
        assert np.allclose(rays.origin, origin, atol=1e-15)
        assert np.allclose(rays.origin + rays.start[:, None] * rays.direction, tip, atol=1e-15)
        assert np.allclose(np.linalg.norm(rays.direction, axis=1), 1, atol=1e-15)


def test_other_layouts_of_the_weights_are_taken() -> None:
    low = bumpy()
    points = in_runs(low)
    across = replace(points, barycentric=np.asfortranarray(points.barycentric))
    cage, basis = cage_from_offset(low, 0.1), tangent_basis(low)
    one, two = (rays_through(low, cage, p) for p in (points, across))
    assert np.array_equal(one.direction, two.direction)
    one, two = (basis.encode(p.triangle, p.barycentric, one.direction) for p in (points, across))
    assert np.array_equal(one, two)


def test_other_layouts_of_hits_are_taken() -> None:
    low = bumpy()
    face = np.arange(len(low.triangles), dtype=np.int32)
    surface = Surface(low.positions, low.triangles, low.triangle_part, low.part_names)
    points = low.positions[low.triangles].mean(axis=1)
    for normals in ("smooth", "face"):
        shading = high_shading(surface, normals)  # type: ignore[arg-type]
        expected = shading.at(face, points)
        assert np.array_equal(shading.at(face, np.asfortranarray(points)), expected)
        assert np.allclose(np.linalg.norm(expected, axis=1), 1)


def test_encoded_runs_are_those_of_single_points() -> None:
    low = bumpy()
    points = in_runs(low)
    # A frame that has collapsed, and a zero normal, take the ways out of the formula.
    basis = tangent_basis(low)
    tangents = basis.tangents.copy()
    tangents[points.triangle[-1], :, :3] = 0
    basis = replace(basis, tangents=tangents)
    rng = np.random.default_rng(8)
    world = rng.normal(size=(len(points), 3))
    world /= np.linalg.norm(world, axis=1)[:, None]
    world[::17] = 0
    together = basis.encode(points.triangle, points.barycentric, world)
    assert np.isfinite(together).all() and (together[::17] == 0).all()
    for i in range(len(points)):
        alone = basis.encode(
            points.triangle[i : i + 1], points.barycentric[i : i + 1], world[i : i + 1]
        )
        assert np.array_equal(alone[0], together[i])


@pytest.mark.parametrize("supersample", [1, 4])
def test_weights_of_texels_are_those_of_whole_number_areas(supersample: int) -> None:
    low = bumpy()
    size = 75
    fine = size * {1: 1, 4: 2}[supersample]
    texels = texel_points(low, size, 1001, supersample=supersample)
    assert low.uv is not None
    corners = np.rint(low.uv[texels.points.triangle] * [1, -1] * fine * 4096 + [0, fine * 4096])
    # The weights put the snapped corners back together at a sub-texel's centre.
    centre = (corners * texels.points.barycentric[:, :, None]).sum(axis=1) / 4096
    assert np.allclose(centre % 1, 0.5, atol=1e-9)
    assert np.array_equal((centre // (fine // size)).astype(int), np.stack([texels.x, texels.y], 1))


def test_run_ends() -> None:
    triangle = np.array([4, 4, 4, 7, 4], np.int32)
    assert [run_end(triangle, i) for i in range(5)] == [3, 3, 3, 4, 5]
